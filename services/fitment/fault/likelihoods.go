package fault

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	_ "embed" // the likelihoods
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strings"
	"sync"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
	"beltwright.example/services/platform/datafile"
)

//go:embed likelihoods.json
var likelihoods []byte

// largestModel is the most that a file of likelihoods may hold, in bytes.
const largestModel = 256 << 10

// Limits on what a file of likelihoods may say.
const (
	// leastChance keeps every outcome possible: nothing that is read may rule a
	// component out for good.
	leastChance = 1e-6
	// sumError is how far a row may miss 1: what decimals lose as binary numbers.
	sumError       = 1e-9
	leastMinutes   = 0.1
	mostMinutes    = 10_000
	leastPrefer    = 0.01
	mostPrefer     = 100
	mostBits       = 10
	leastJustified = 0.5
)

// DefaultModel returns the likelihoods that come with the program.
func DefaultModel() Model {
	model, err := builtin()
	if err != nil {
		panic(fmt.Sprintf("the likelihoods that come with the program: %v", err)) //nolint:forbidigo // a file in the program that tests read; without it nothing can be assessed
	}
	model.Tests = slices.Clone(model.Tests)
	return model
}

var builtin = sync.OnceValues(func() (Model, error) { return LoadModel(bytes.NewReader(likelihoods)) })

// rows are a table as the file says it: by component, then by outcome.
type rows map[string]map[string]float64

// modelFile is a file of likelihoods. likelihoods.json is one, with what each
// number means; components, outcomes and methods are written by the names there.
type modelFile struct {
	Version  string             `json:"version"`
	About    []string           `json:"about"`
	Prior    map[string]float64 `json:"prior"`
	Readings map[string]rows    `json:"readings"`
	// LoopTests are by method of a loop test.
	LoopTests map[string]rows `json:"loop_tests"`
	// Codes are by condition, then by component.
	Codes     map[string]map[string]float64 `json:"codes"`
	Outside   map[string]float64            `json:"outside"`
	Meaning   map[string]float64            `json:"meaning"`
	Meter     map[string]float64            `json:"meter"`
	LeadCheck map[string]float64            `json:"lead_check"`
	Tests     map[string]map[string]float64 `json:"tests"`
	Purchase  map[string]float64            `json:"purchase"`
	LeastBits *float64                      `json:"least_bits"`
}

// Names of components in the file.
var componentNames = map[string]fitmentv1.Suspect_Component{
	"part": part, "connector": connector, "harness": harness, "module": module,
	"measurement": measurement, "other": other, "elsewhere": elsewhere,
}

// Names of outcomes in the file, in the order of the columns.
var (
	meterOutcomes  = []string{openWord, highWord, inRangeWord, lowWord, shortedWord}
	moduleOutcomes = []string{"display end", highWord, inRangeWord, lowWord, shortedWord}
	testOutcomes   = []string{"part or contact", "harness or module", "nothing"}
)

// notStated is the file's name for the condition of a code that states none.
const notStated = "not stated"

// LoadModel reads a file of likelihoods in the form of likelihoods.json. Everything
// that stands there must be stated: a file that leaves something out, names
// something unknown, gives a chance outside 0.000001 to 0.999999 or a row that does
// not sum to 1 is refused, and the error names the place.
func LoadModel(r io.Reader) (Model, error) {
	var file modelFile
	digest := sha256.New()
	if err := datafile.Decode(io.TeeReader(r, digest), largestModel, &file); err != nil {
		return Model{}, fmt.Errorf("likelihoods: %w", err)
	}
	c := &modelChecker{}
	model := Model{
		Version:   c.version(file.Version, digest.Sum(nil)),
		Prior:     c.prior(file.Prior),
		Readings:  c.readings(file.Readings),
		LoopTests: c.loopTests(file.LoopTests),
		Codes:     c.codes(file.Codes),
		Outside:   c.column("outside", file.Outside),
		Tests:     c.tests(file.Tests),
	}
	c.numbers("meaning", file.Meaning, field{"sole", 0, 1, &model.SoleMeaning})
	c.numbers("meter", file.Meter, chanceField("shared", &model.SharedMeter), chanceField("repeat", &model.SharedRepeat))
	c.numbers("lead_check", file.LeadCheck, chanceField("guilty", &model.LeadCheck[0]), chanceField("innocent", &model.LeadCheck[1]))
	c.numbers("purchase", file.Purchase, field{"justified", leastJustified, 1, &model.Justified}, field{"cleared", 0, leastJustified, &model.Cleared})
	if file.LeastBits == nil {
		c.addf("least_bits", "is missing")
	} else {
		model.LeastBits = c.number("least_bits", *file.LeastBits, 0, mostBits)
	}
	if len(c.problems) > 0 {
		return Model{}, fmt.Errorf("likelihoods: %w", errors.Join(c.problems...))
	}
	return model, nil
}

// modelChecker collects what is wrong with a file.
type modelChecker struct {
	problems []error
}

func (c *modelChecker) addf(place, format string, args ...any) {
	c.problems = append(c.problems, fmt.Errorf("%s: %s", place, fmt.Sprintf(format, args...)))
}

// version is the file's date with the digest of all of it.
func (c *modelChecker) version(day string, digest []byte) string {
	if _, err := time.Parse(time.DateOnly, day); err != nil {
		c.addf("version", "%.40q is no date; expected the day of the last change, YYYY-MM-DD", day)
	}
	return day + " " + hex.EncodeToString(digest[:6])
}

// number checks a number's range.
func (c *modelChecker) number(place string, x, low, high float64) float64 {
	if !(x >= low && x <= high) { // also refuses what is no number
		c.addf(place, "is %g; expected %g to %g", x, low, high)
	}
	return x
}

// chance checks a probability that may be neither certain nor impossible.
func (c *modelChecker) chance(place string, x float64) float64 {
	return c.number(place, x, leastChance, 1-leastChance)
}

// named checks that a map of the file has just the names that it must have.
func named[V any](c *modelChecker, place string, values map[string]V, want []string) {
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if !slices.Contains(want, name) {
			c.addf(place, "%.40q is not known; expected %s", name, strings.Join(want, ", "))
		}
	}
	for _, name := range want {
		if _, ok := values[name]; !ok {
			c.addf(place, "%q is missing", name)
		}
	}
}

// field is a number that an object of the file must have.
type field struct {
	name      string
	low, high float64
	into      *float64
}

// chanceField is a field that is a chance.
func chanceField(name string, into *float64) field {
	return field{name, leastChance, 1 - leastChance, into}
}

// numbers checks an object that has just these fields.
func (c *modelChecker) numbers(place string, values map[string]float64, fields ...field) {
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = f.name
		*f.into = c.number(place+"."+f.name, values[f.name], f.low, f.high)
	}
	named(c, place, values, names)
}

// tests gives each test its costs.
func (c *modelChecker) tests(values map[string]map[string]float64) []Test {
	list := tests()
	names := make([]string, len(list))
	for i := range list {
		t := &list[i]
		names[i] = t.ID
		c.numbers("tests."+t.ID, values[t.ID],
			field{"minutes", leastMinutes, mostMinutes, &t.Minutes}, field{"preference", leastPrefer, mostPrefer, &t.Preference})
	}
	named(c, "tests", values, names)
	return list
}

// sum checks that chances exclude each other and leave nothing out.
func (c *modelChecker) sum(place string, chances ...float64) {
	total := 0.0
	for _, x := range chances {
		total += x
	}
	if !(math.Abs(total-1) <= sumError) {
		c.addf(place, "sums to %.12g; expected 1", total)
	}
}

func (c *modelChecker) prior(values map[string]float64) map[fitmentv1.Suspect_Component]float64 {
	want := slices.DeleteFunc(componentList(), func(name string) bool { return name == "elsewhere" })
	named(c, "prior", values, want)
	prior := map[fitmentv1.Suspect_Component]float64{}
	all := make([]float64, 0, len(want))
	for _, name := range want {
		prior[componentNames[name]] = c.chance("prior."+name, values[name])
		all = append(all, values[name])
	}
	c.sum("prior", all...)
	return prior
}

// componentList lists the components' names in a settled order.
func componentList() []string {
	return slices.SortedFunc(maps.Keys(componentNames), func(a, b string) int { return int(componentNames[a] - componentNames[b]) })
}

func (c *modelChecker) readings(values map[string]rows) map[fitmentv1.Reading_Method]Table {
	tables := map[fitmentv1.Reading_Method]Table{}
	want := enumNames(fitmentv1.Reading_Method_name)
	named(c, "readings", values, want)
	for _, name := range want {
		method := fitmentv1.Reading_Method(fitmentv1.Reading_Method_value[name])
		outcomes := meterOutcomes
		if fromModule(method) {
			outcomes = moduleOutcomes
		}
		tables[method] = c.table("readings."+name, values[name], outcomes)
	}
	return tables
}

func (c *modelChecker) loopTests(values map[string]rows) map[fitmentv1.LoopTest_Method]Table {
	tables := map[fitmentv1.LoopTest_Method]Table{}
	want := enumNames(fitmentv1.LoopTest_Method_name)
	named(c, "loop_tests", values, want)
	for _, name := range want {
		tables[fitmentv1.LoopTest_Method(fitmentv1.LoopTest_Method_value[name])] = c.table("loop_tests."+name, values[name], testOutcomes)
	}
	return tables
}

// enumNames lists the names of an enum but for the unspecified one, in order.
func enumNames(values map[int32]string) []string {
	var list []string
	for _, number := range slices.Sorted(maps.Keys(values)) {
		if number != 0 {
			list = append(list, values[number])
		}
	}
	return list
}

// table checks a table whose rows sum to 1.
func (c *modelChecker) table(place string, values rows, outcomes []string) Table {
	components := componentList()
	named(c, place, values, components)
	table := Table{}
	for _, name := range components {
		at := place + "." + name
		named(c, at, values[name], outcomes)
		row := make(Row, len(outcomes))
		for i, outcome := range outcomes {
			row[i] = c.chance(at+"."+outcome, values[name][outcome])
		}
		c.sum(at, row...)
		table[componentNames[name]] = row
	}
	return table
}

// column checks a table of one chance a component.
func (c *modelChecker) column(place string, values map[string]float64) Table {
	components := componentList()
	named(c, place, values, components)
	table := Table{}
	for _, name := range components {
		table[componentNames[name]] = Row{c.chance(place+"."+name, values[name])}
	}
	return table
}

func (c *modelChecker) codes(values map[string]map[string]float64) map[string]Table {
	tables := map[string]Table{}
	conditions := code.Conditions()
	want := make([]string, 0, len(conditions))
	for _, condition := range conditions {
		want = append(want, cmp.Or(condition, notStated))
	}
	named(c, "codes", values, want)
	for i, condition := range conditions {
		tables[condition] = c.column("codes."+want[i], values[want[i]])
	}
	return tables
}
