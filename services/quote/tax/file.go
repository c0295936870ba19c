package tax

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"regexp"
	"slices"
	"strings"
	"time"

	"beltwright.example/services/platform/datafile"
)

// Limits of a pack's file.
const (
	largest  = 64 << 10 // bytes
	maxNotes = 50
	maxText  = 1000 // characters of a text
	maxName  = 80   // characters of a name
)

// Rules of a file beside those on lines, whose names are the lines'.
const (
	coreTaxReturned    = "core_tax_returned_" // before a condition
	percentageSupplies = "percentage_supplies"
	itemised           = "itemised"
	rounding           = "rounding"
)

// document is a pack as its file says it. Every rule is there once, so that none
// is forgotten without a word.
type document struct {
	Place   string         `json:"place"`
	Name    string         `json:"name"`
	Version string         `json:"version"`
	Rules   []ruleDocument `json:"rules"`
	Notes   []string       `json:"notes,omitempty"`
}

type ruleDocument struct {
	Rule   string `json:"rule"`
	Answer string `json:"answer"`
	Text   string `json:"text,omitempty"`
	Source string `json:"source,omitempty"`
}

// ruleNames lists the rules of a file in the order in which Bytes writes them.
func ruleNames() []string {
	var names []string
	for _, line := range Lines() {
		names = append(names, string(line))
	}
	for _, condition := range Conditions() {
		names = append(names, coreTaxReturned+string(condition))
	}
	return append(names, percentageSupplies, itemised, rounding)
}

var placeShape = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)

// Parse reads a pack's file. It refuses what it does not know and what is not
// there: a rule left out would otherwise be a default that nobody chose. The
// error names the field.
func Parse(r io.Reader) (Pack, error) {
	var doc document
	if err := datafile.Decode(r, largest, &doc); err != nil {
		return Pack{}, fmt.Errorf("read a tax pack: %w", err)
	}
	pack := Pack{
		Place: doc.Place, Name: doc.Name, Version: doc.Version,
		Notes: append([]string(nil), doc.Notes...), // an empty list is none
		Taxed: make(map[Line]Rule), CoreTaxReturned: make(map[Condition]Rule),
	}
	seen := make(map[string]bool, len(doc.Rules))
	for i, rule := range doc.Rules {
		switch {
		case !slices.Contains(ruleNames(), rule.Rule):
			return Pack{}, fmt.Errorf("rules[%d].rule: %.40q is none of %s", i, rule.Rule, strings.Join(ruleNames(), ", "))
		case seen[rule.Rule]:
			return Pack{}, fmt.Errorf("rules[%d].rule: %s is there twice", i, rule.Rule)
		}
		if err := rule.check(); err != nil {
			return Pack{}, fmt.Errorf("rules[%d] (%s).%w", i, rule.Rule, err)
		}
		seen[rule.Rule] = true
		set(&pack, rule)
	}
	for _, name := range ruleNames() {
		if !seen[name] {
			return Pack{}, fmt.Errorf("rules: %s is missing; what no source settles is %q", name, Unstated)
		}
	}
	return pack, pack.check()
}

// set files a rule of the document under its name.
func set(p *Pack, doc ruleDocument) {
	rule := Rule{Answer: Answer(doc.Answer), Text: doc.Text, Source: doc.Source}
	condition, isCoreTax := strings.CutPrefix(doc.Rule, coreTaxReturned)
	switch {
	case isCoreTax:
		p.CoreTaxReturned[Condition(condition)] = rule
	case doc.Rule == percentageSupplies:
		p.PercentageSupplies = rule
	case doc.Rule == itemised:
		p.Itemised = rule
	case doc.Rule == rounding && rule.Answer == Unstated: // the zero rule
	case doc.Rule == rounding:
		p.Rounding = RoundingRule{Boundary: Boundary(doc.Answer), Text: doc.Text, Source: doc.Source}
	default:
		p.Taxed[Line(doc.Rule)] = rule
	}
}

// rules lists the pack's rules as its file does.
func (p Pack) rules() []ruleDocument {
	var rules []ruleDocument
	add := func(name string, rule Rule) {
		answer := rule.Answer
		if answer == "" {
			answer = Unstated
		}
		rules = append(rules, ruleDocument{Rule: name, Answer: string(answer), Text: rule.Text, Source: rule.Source})
	}
	for _, line := range Lines() {
		add(string(line), p.Taxed[line])
	}
	for _, condition := range Conditions() {
		add(coreTaxReturned+string(condition), p.CoreTaxReturned[condition])
	}
	add(percentageSupplies, p.PercentageSupplies)
	add(itemised, p.Itemised)
	add(rounding, Rule{Answer: Answer(p.Rounding.Boundary), Text: p.Rounding.Text, Source: p.Rounding.Source})
	return rules
}

// check tells what is wrong with a pack, naming the field.
func (p Pack) check() error {
	switch day, err := time.Parse(time.DateOnly, p.Version); {
	case !placeShape.MatchString(p.Place):
		return fmt.Errorf(`place: %.20q is no place by ISO 3166, such as "US-CA"`, p.Place)
	case err != nil || day.Year() < 1:
		return fmt.Errorf("version: %.20q is no day, YYYY-MM-DD", p.Version)
	case len(p.Notes) > maxNotes:
		return fmt.Errorf("notes: at most %d", maxNotes)
	case len(p.Taxed) > len(Lines()) || len(p.CoreTaxReturned) > len(Conditions()):
		return errors.New("rules: more than there are lines or conditions")
	}
	if err := datafile.Sentence("name", p.Name, maxName); err != nil {
		return err
	}
	for i, note := range p.Notes {
		if err := datafile.Sentence(fmt.Sprintf("notes[%d]", i), note, maxText); err != nil {
			return err
		}
	}
	for i, rule := range p.rules() {
		if err := rule.check(); err != nil {
			return fmt.Errorf("rules[%d] (%s).%w", i, rule.Rule, err)
		}
	}
	return nil
}

func (r ruleDocument) check() error {
	answers := []string{string(Yes), string(No), string(Unstated)}
	if r.Rule == rounding {
		answers = []string{string(ByLine), string(ByInvoice), string(Unstated)}
	}
	switch {
	case !slices.Contains(answers, r.Answer):
		return fmt.Errorf("answer: %.20q is none of %s", r.Answer, strings.Join(answers, ", "))
	case r.Answer == string(Unstated) && (r.Text != "" || r.Source != ""):
		return fmt.Errorf("text: none where the answer is %q", Unstated)
	case r.Answer == string(Unstated):
		return nil
	}
	return errors.Join(datafile.Sentence("text", r.Text, maxText), datafile.Sentence("source", r.Source, maxText))
}

// Bytes writes the pack as Parse reads it.
func (p Pack) Bytes() []byte {
	doc := document{Place: p.Place, Name: p.Name, Version: p.Version, Rules: p.rules(), Notes: p.Notes}
	var file bytes.Buffer
	encoder := json.NewEncoder(&file)
	encoder.SetEscapeHTML(false)
	encoder.SetIndent("", "  ")
	if err := encoder.Encode(doc); err != nil { // texts always encode
		return nil
	}
	return file.Bytes()
}

// Load reads every *.json of a folder and the folders in it, in order of path.
// The error names the file. Other files are left alone.
func Load(folder fs.FS) ([]Pack, error) {
	var packs []Pack
	err := fs.WalkDir(folder, ".", func(name string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || path.Ext(name) != ".json" {
			return err
		}
		pack, err := readFile(folder, name)
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		packs = append(packs, pack)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("load tax packs: %w", err)
	}
	return packs, nil
}

func readFile(folder fs.FS, name string) (pack Pack, err error) {
	file, err := folder.Open(name)
	if err != nil {
		return Pack{}, err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	return Parse(file)
}
