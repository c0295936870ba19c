package catalogue_test

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
)

const maker = "Orbis Restraint"

// step makes an unconditional supersession; changes add conditions.
func step(older, newer string, changes ...func(*fitmentv1.Supersession)) *fitmentv1.Supersession {
	s := &fitmentv1.Supersession{Maker: maker, OldNumber: older, NewNumber: newer}
	for _, change := range changes {
		change(s)
	}
	s.Name = fmt.Sprintf("supersessions/%s-%s-%d-%d-%s-%s-%s-%s-%s", older, newer, s.GetYearFrom(), s.GetYearTo(),
		s.GetBuiltFrom(), s.GetBuiltTo(), s.GetMarket(), s.GetPlant(), strings.Join(s.GetOptions(), "+"))
	return s
}

func to(year int32) func(*fitmentv1.Supersession) {
	return func(s *fitmentv1.Supersession) { s.YearTo = year }
}

func from(year int32) func(*fitmentv1.Supersession) {
	return func(s *fitmentv1.Supersession) { s.YearFrom = year }
}

func plant(name string) func(*fitmentv1.Supersession) {
	return func(s *fitmentv1.Supersession) { s.Plant = name }
}

func market(name string) func(*fitmentv1.Supersession) {
	return func(s *fitmentv1.Supersession) { s.Market = name }
}

func built(first, last string) func(*fitmentv1.Supersession) {
	return func(s *fitmentv1.Supersession) { s.BuiltFrom, s.BuiltTo = first, last }
}

func options(codes ...string) func(*fitmentv1.Supersession) {
	return func(s *fitmentv1.Supersession) { s.Options = codes }
}

// A graph with a circle of three and its tails. Counted by hand: each of the three
// reaches all three (9) and the two beyond (6), D reaches E, F reaches E: 17 ordered
// pairs with a way of at least one step between them. That a number in a circle
// reaches itself is the definition of Tarjan, "Depth-first search and linear graph
// algorithms", SIAM J. Comput. 1 (1972).
func TestWaysInACircleAndItsTails(t *testing.T) {
	t.Parallel()
	c := filled(t, step("A", "B"), step("B", "C"), step("C", "A"), step("C", "D"), step("D", "E"), step("F", "E"))
	pairs := 0
	for _, older := range []string{"A", "B", "C", "D", "E", "F"} {
		for _, newer := range []string{"A", "B", "C", "D", "E", "F"} {
			switch answer := c.Replaces(maker, newer, older, nil); answer {
			case evidence.Yes:
				pairs++
			case evidence.Unknown:
				t.Errorf("%s to %s is %v, although nothing is conditional", older, newer, answer)
			default:
			}
		}
	}
	if pairs != 17 {
		t.Errorf("%d pairs, want 17", pairs)
	}
}

// Conditions in Kleene's logic ("Introduction to Metamathematics", 1952, §64): what
// is not known stays unknown unless it does not matter. The first two rows are the
// worked example: A→B up to 2010, B→C from 2008, A→C for plant X.
func TestConditionsAreEvaluatedForTheVehicle(t *testing.T) {
	t.Parallel()
	year := func(y int32) *fitmentv1.Vehicle { return &fitmentv1.Vehicle{ModelYear: y} }
	worked := []any{step("A", "B", to(2010)), step("B", "C", from(2008)), step("A", "C", plant("X"))}
	split := []any{step("A", "B", to(2010)), step("A", "C", from(2011)), step("B", "D"), step("C", "D")}
	cases := []struct {
		name    string
		records []any
		pair    string
		vehicle *fitmentv1.Vehicle
		want    evidence.Answer
	}{
		{"by way of B", worked, "AC", year(2009), evidence.Yes},
		{"only by the plant, which is not known", worked, "AC", year(2011), evidence.Unknown},
		{"first year of B to C", worked, "AC", year(2008), evidence.Yes},
		{"last year of A to B", worked, "AC", year(2010), evidence.Yes},
		{"a year too early for B to C", worked, "AC", year(2007), evidence.Unknown},
		{"the plant", worked, "AC", &fitmentv1.Vehicle{ModelYear: 2011, Plant: "x"}, evidence.Yes},
		{"another plant", worked, "AC", &fitmentv1.Vehicle{ModelYear: 2011, Plant: "Y"}, evidence.No},
		{"against the direction", worked, "CA", year(2009), evidence.No},
		{"one way or the other, whatever the year", split, "AD", nil, evidence.Yes},
		{"a year between the ways", []any{step("A", "B", to(2009)), step("A", "C", from(2011)), step("B", "D"), step("C", "D")}, "AD", nil, evidence.Unknown},
		{"conditions that no vehicle meets together", []any{step("A", "B", to(2009)), step("B", "C", from(2010))}, "AC", nil, evidence.No},
		{"two plants in a row", []any{step("A", "B", plant("X")), step("B", "C", plant("Y"))}, "AC", nil, evidence.No},
		{"the same plant in a row", []any{step("A", "B", plant("X")), step("B", "C", plant("x "))}, "AC", nil, evidence.Unknown},
		{"two markets in a row", []any{step("A", "B", market("US")), step("B", "C", market("CA"))}, "AC", nil, evidence.No},
		{"build dates before and after", []any{step("A", "B", built("", "2005-02-28")), step("A", "B", built("2005-03-01", ""))}, "AB", nil, evidence.Yes},
		{"a day between the build dates", []any{step("A", "B", built("", "2005-02-27")), step("A", "B", built("2005-03-01", ""))}, "AB", nil, evidence.Unknown},
		{"built on the last day", []any{step("A", "B", built("", "2005-02-28"))}, "AB", &fitmentv1.Vehicle{BuildDate: "2005-02-28"}, evidence.Yes},
		{"built a day late", []any{step("A", "B", built("", "2005-02-28"))}, "AB", &fitmentv1.Vehicle{BuildDate: "2005-03-01"}, evidence.No},
		// 49 CFR 565.3: a model year is not a calendar year, so it says nothing about the day.
		{"a year is no build date", []any{step("A", "B", built("2005-03-01", ""))}, "AB", year(2009), evidence.Unknown},
		{"an option that is listed", []any{step("A", "B", options("AK5"))}, "AB", &fitmentv1.Vehicle{Options: []string{"ua6", "ak5"}}, evidence.Yes},
		{"an option that is not listed", []any{step("A", "B", options("AK5"))}, "AB", &fitmentv1.Vehicle{Options: []string{"UA6"}}, evidence.Unknown},
		{"an option that a complete list lacks", []any{step("A", "B", options("AK5"))}, "AB", &fitmentv1.Vehicle{Options: []string{"UA6"}, OptionsComplete: true}, evidence.No},
		{"no options at all", []any{step("A", "B", options("AK5"))}, "AB", &fitmentv1.Vehicle{OptionsComplete: true}, evidence.No},
		{"both options", []any{step("A", "B", options("AK5", "UA6"))}, "AB", &fitmentv1.Vehicle{Options: []string{"AK5"}}, evidence.Unknown},
		{"a substitute counts too", []any{step("A", "B", func(s *fitmentv1.Supersession) { s.Type = fitmentv1.Supersession_SUBSTITUTE })}, "AB", nil, evidence.Yes},
		{"a limit that is no date", []any{step("A", "B", built("spring", ""))}, "AB", &fitmentv1.Vehicle{BuildDate: "2005-03-01"}, evidence.Unknown},
		{"a circle whose steps hold in other years", []any{step("A", "B", to(2009)), step("B", "A", from(2010))}, "AA", nil, evidence.No},
	}
	for _, one := range cases {
		c := filled(t, one.records...)
		if got := c.Replaces(maker, one.pair[1:], one.pair[:1], one.vehicle); got != one.want {
			t.Errorf("%s: %v, want %v", one.name, got, one.want)
		}
	}
}

func TestReplacementsAreOfOneMaker(t *testing.T) {
	t.Parallel()
	other := step("B", "C")
	other.Maker, other.Name = "Norrin", "supersessions/other"
	c := filled(t, step("A", "B"), other)
	if got := c.Replaces(maker, "C", "A", nil); got != evidence.No {
		t.Errorf("over two makers: %v", got)
	}
	if got := c.ReplacedBy("a", nil); !slices.Equal(got, []string{"B"}) {
		t.Errorf("A is replaced by %v", got)
	}
	if got := c.ReplacedBy("B", nil); !slices.Equal(got, []string{"C"}) {
		t.Errorf("B is replaced by %v", got)
	}
	for _, pair := range [][2]string{{"?", "A"}, {"B", "?"}, {"B", "Z"}} {
		if got := c.Replaces(maker, pair[0], pair[1], nil); got != evidence.No {
			t.Errorf("%v: %v", pair, got)
		}
	}
	if got := (catalogue.Replacements{}).Answer("A"); got != evidence.No {
		t.Errorf("of nothing: %v", got)
	}
}

// The numbers on the way are named, old number first.
func TestARightPartNamesTheWayToIt(t *testing.T) {
	t.Parallel()
	left := buckle("C-1")
	left.Positions = []*fitmentv1.Position{{Row: 1, Side: fitmentv1.Position_LEFT}}
	bag := buckle("E-1")
	bag.Kind = fitmentv1.Part_KNEE_AIR_BAG
	c := filled(t, buckle("A-1", kestrel(2004, 2006)), left, bag,
		step("A1", "B-1"), step("A1", "C1"), step("C1", "D1"), step("A1", "E1"), step("E1", "F1"),
		step("B1", "G-1", plant("X")), step("B1", "H1"), step("H1", "G1"), step("G1", "A1"))
	want := map[string]string{
		"A-1": "YES  ",
		"B-1": "YES A-1 A-1>B-1",
		"H1":  "YES B-1 A-1>B-1>H1",
		// The direct step waits for the plant; the longer way is known.
		"G1": "YES H1 A-1>B-1>H1>G1",
	}
	got := map[string]string{}
	for _, m := range c.Right(need(2005)) {
		got[m.Part.GetNumber()] = m.Application.String() + " " + m.Replaces + " " + strings.Join(m.Path, ">")
		if m.Part.GetKind() != fitmentv1.Part_BUCKLE_PRETENSIONER || len(m.Part.GetPositions()) != 1 || len(m.Uses) != 1 {
			t.Errorf("%v with %v", m.Part, m.Uses)
		}
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func TestReasonsSayWhatIsNotKnown(t *testing.T) {
	t.Parallel()
	c := filled(t, buckle("A", kestrel(2004, 2006)),
		step("A", "B"), step("B", "C", plant("X")), step("A", "D", to(2005)), step("A", "D", from(2006)),
		step("A", "E", options("AK5")), step("A", "F", market("US")), step("A", "G", built("2005-03-01", "")))
	reasons := func(n *fitmentv1.Need) map[string]string {
		said := map[string]string{}
		for _, m := range c.Right(n) {
			said[m.Part.GetNumber()] = m.Reason
		}
		return said
	}
	known := reasons(need(2005))
	for number, want := range map[string]string{
		"A": "the catalogue lists the vehicle for this part",
		"B": "it replaces A, for which the catalogue lists the vehicle",
		"C": "it replaces A by way of B on a condition that cannot be checked for this vehicle: the plant that built the vehicle is not known",
		"D": "it replaces A, for which the catalogue lists the vehicle",
		"E": "it replaces A on a condition that cannot be checked for this vehicle: which options the vehicle has is not known",
		"F": "it replaces A on a condition that cannot be checked for this vehicle: the market the vehicle was built for is not known",
		"G": "it replaces A on a condition that cannot be checked for this vehicle: the vehicle's build date is not known",
	} {
		if known[number] != want {
			t.Errorf("%s: %q, want %q", number, known[number], want)
		}
	}
	open := reasons(need(0))
	for number, want := range map[string]string{
		"B": "it replaces A, but the vehicle's model year is not known",
		"D": "it replaces A on a condition that cannot be checked for this vehicle: the vehicle's model year is not known",
	} {
		if open[number] != want {
			t.Errorf("%s: %q, want %q", number, open[number], want)
		}
	}
	always := filled(t, buckle("A", &fitmentv1.Part_Application{Make: "Velorn", Model: "Kestrel"}), step("A", "D", to(2005)), step("A", "D", from(2006)))
	for _, m := range always.Right(need(0)) {
		if m.Part.GetNumber() == "D" && (m.Application != evidence.Yes || !strings.Contains(m.Reason, "whatever is not known of the vehicle")) {
			t.Errorf("%v: %s", m.Application, m.Reason)
		}
	}
}

// A bound that is reached makes the answer unknown with a reason, never no.
func TestBoundsAnswerUnknown(t *testing.T) {
	t.Parallel()
	c := filled(t, buckle("A0", kestrel(2004, 2006)))
	const long = 1200
	for i := range long {
		put(t, c, step("A"+strconv.Itoa(i), "A"+strconv.Itoa(i+1)))
	}
	far := "A" + strconv.Itoa(long)
	all := c.Replacements(maker, "A0", nil)
	if all.Cut() == "" || all.Answer("A100") != evidence.Yes || all.Answer(far) != evidence.Unknown || all.Answer("Z9") != evidence.Unknown {
		t.Errorf("%q, %v, %v", all.Cut(), all.Answer("A100"), all.Answer(far))
	}
	if rights := c.Rights(need(2005)); rights.Cut == "" || len(rights.Matches) < 900 {
		t.Errorf("%q, %d matches", rights.Cut, len(rights.Matches))
	}
	// Ten options and three plants (two that are named, and another) are 3 × 2^10 =
	// 3,072 completions; that no vehicle is of both plants is found out. With one
	// option more they are above the bound of 4,096.
	for n, want := range map[int]string{10: "A:YES B:UNKNOWN C:UNKNOWN", 11: "A:YES B:UNKNOWN C:UNKNOWN D:UNKNOWN"} {
		codes := make([]string, n)
		for i := range codes {
			codes[i] = "O" + strconv.Itoa(i)
		}
		c := filled(t, buckle("A", kestrel(2004, 2006)), step("A", "B", options(codes...)), step("A", "C", plant("X")), step("C", "D", plant("Y")))
		matches := c.Right(need(2005))
		if got := found(matches); got != want {
			t.Errorf("%d options: %q, want %q", n, got, want)
		}
		if said := strings.Contains(matches[1].Reason, "than can be tried"); said != (n > 10) {
			t.Errorf("%d options: %s", n, matches[1].Reason)
		}
	}
}

func put(t *testing.T, c *catalogue.Catalogue, s *fitmentv1.Supersession) {
	t.Helper()
	if err := c.PutSupersession(s); err != nil {
		t.Fatal(err)
	}
}

// What the random graphs are made of.
var (
	drawnYears   = []int32{0, 0, 2008, 2009, 2010}
	drawnDays    = []string{"", "", "2005-02-28", "2005-03-01", "2005-04-01"}
	drawnMarkets = []string{"", "", "US", "CA"}
	drawnPlants  = []string{"", "", "X", "Y"}
	drawnOptions = []string{"AK5", "UA6"}
)

// drawStep draws a conditional step between few numbers.
func drawStep(t *rapid.T, numbers []string) *fitmentv1.Supersession {
	older := rapid.SampledFrom(numbers).Draw(t, "old")
	newer := rapid.SampledFrom(numbers).Filter(func(n string) bool { return n != older }).Draw(t, "new")
	return step(older, newer, func(s *fitmentv1.Supersession) {
		switch rapid.IntRange(0, 5).Draw(t, "condition") {
		case 0, 1:
			s.YearFrom, s.YearTo = rapid.SampledFrom(drawnYears).Draw(t, "from"), rapid.SampledFrom(drawnYears).Draw(t, "to")
		case 2:
			s.BuiltFrom, s.BuiltTo = rapid.SampledFrom(drawnDays).Draw(t, "built from"), rapid.SampledFrom(drawnDays).Draw(t, "built to")
		case 3:
			s.Market, s.Plant = rapid.SampledFrom(drawnMarkets).Draw(t, "market"), rapid.SampledFrom(drawnPlants).Draw(t, "plant")
		case 4:
			s.Options = rapid.SliceOfNDistinct(rapid.SampledFrom(drawnOptions), 0, 2, rapid.ID).Draw(t, "options")
			s.YearTo = rapid.SampledFrom(drawnYears).Draw(t, "to")
		default:
		}
	})
}

func drawVehicle(t *rapid.T) *fitmentv1.Vehicle {
	return &fitmentv1.Vehicle{
		Make: "Velorn", Model: "Kestrel",
		ModelYear: rapid.SampledFrom([]int32{0, 0, 2007, 2009, 2011}).Draw(t, "year"),
		BuildDate: rapid.SampledFrom([]string{"", "", "2005-02-28", "2005-03-15"}).Draw(t, "built"),
		Market:    rapid.SampledFrom([]string{"", "", "US", "NZ"}).Draw(t, "market"),
		Plant:     rapid.SampledFrom([]string{"", "", "X", "Z"}).Draw(t, "plant"),
		Options:   rapid.SliceOfNDistinct(rapid.SampledFrom(drawnOptions), 0, 2, rapid.ID).Draw(t, "options"), OptionsComplete: rapid.Bool().Draw(t, "all options"),
	}
}

// completions lists every vehicle that a partly known one may be: all years and
// some days around what the steps name, every market and plant named and another,
// every set of options.
func completions(v *fitmentv1.Vehicle) []*fitmentv1.Vehicle {
	list := []*fitmentv1.Vehicle{v}
	spread := func(open bool, values int, set func(*fitmentv1.Vehicle, int)) {
		if !open {
			return
		}
		var wider []*fitmentv1.Vehicle
		for _, one := range list {
			for i := range values {
				next := proto.CloneOf(one)
				set(next, i)
				wider = append(wider, next)
			}
		}
		list = wider
	}
	days := []string{"1999-01-01", "2005-02-27", "2005-02-28", "2005-03-01", "2005-03-02", "2005-04-01", "2005-04-02"}
	spread(v.GetModelYear() == 0, 6, func(v *fitmentv1.Vehicle, i int) { v.ModelYear = int32(2006 + i) })
	spread(v.GetBuildDate() == "", len(days), func(v *fitmentv1.Vehicle, i int) { v.BuildDate = days[i] })
	spread(v.GetMarket() == "", 3, func(v *fitmentv1.Vehicle, i int) { v.Market = []string{"US", "CA", "NZ"}[i] })
	spread(v.GetPlant() == "", 3, func(v *fitmentv1.Vehicle, i int) { v.Plant = []string{"X", "Y", "Z"}[i] })
	if !v.GetOptionsComplete() {
		for _, option := range drawnOptions {
			spread(!slices.Contains(v.GetOptions(), option), 2, func(v *fitmentv1.Vehicle, i int) {
				if i == 1 {
					v.Options = append(v.Options, option)
				}
			})
		}
	}
	return list
}

// holdsFor evaluates a condition for a vehicle of which everything is known.
func holdsFor(s *fitmentv1.Supersession, v *fitmentv1.Vehicle) bool {
	ok := (s.GetYearFrom() == 0 || v.GetModelYear() >= s.GetYearFrom()) && (s.GetYearTo() == 0 || v.GetModelYear() <= s.GetYearTo())
	ok = ok && (s.GetBuiltFrom() == "" || v.GetBuildDate() >= s.GetBuiltFrom()) && (s.GetBuiltTo() == "" || v.GetBuildDate() <= s.GetBuiltTo())
	ok = ok && (s.GetMarket() == "" || s.GetMarket() == v.GetMarket()) && (s.GetPlant() == "" || s.GetPlant() == v.GetPlant())
	for _, option := range s.GetOptions() {
		ok = ok && slices.Contains(v.GetOptions(), option)
	}
	return ok
}

// reached lists what some start reaches over at least one step that holds, where
// every number reached may be entered.
func reached(starts []string, steps []*fitmentv1.Supersession, v *fitmentv1.Vehicle, enter func(string) bool) map[string]bool {
	got := map[string]bool{}
	for more := true; more; {
		more = false
		for _, s := range steps {
			from := got[s.GetOldNumber()] || slices.Contains(starts, s.GetOldNumber())
			if from && !got[s.GetNewNumber()] && enter(s.GetNewNumber()) && holdsFor(s, v) {
				got[s.GetNewNumber()], more = true, true
			}
		}
	}
	return got
}

// The closure says what all vehicles agree on that the vehicle may be.
func TestClosureAgreesWithEveryCompletion(t *testing.T) {
	t.Parallel()
	numbers := []string{"A", "B", "C", "D", "E"}
	answers := map[evidence.Answer]int{}
	rapid.Check(t, func(rt *rapid.T) {
		c := catalogue.New()
		steps := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) *fitmentv1.Supersession { return drawStep(t, numbers) }), 1, 9).Draw(rt, "steps")
		for _, s := range steps {
			put(t, c, s)
		}
		vehicle := drawVehicle(rt)
		all := completions(vehicle)
		count := map[string]int{}
		for _, v := range all {
			for number := range reached([]string{"A"}, steps, v, func(string) bool { return true }) {
				count[number]++
			}
		}
		for _, number := range numbers {
			want := evidence.Unknown
			switch count[number] {
			case 0:
				want = evidence.No
			case len(all):
				want = evidence.Yes
			}
			answers[want]++
			if got := c.Replaces(maker, number, "A", vehicle); got != want {
				rt.Fatalf("%s for A: %v, want %v (%d of %d completions)\n%v\n%v", number, got, want, count[number], len(all), vehicle, steps)
			}
		}
	})
	if len(answers) != 3 {
		t.Errorf("the random graphs reach only %v", answers)
	}
}

// The right parts are those that a part with an application reaches, over numbers
// that may be fitted in the place.
func TestRightPartsAgreeWithEveryCompletion(t *testing.T) {
	t.Parallel()
	numbers := []string{"A", "B", "C", "D", "E"}
	rapid.Check(t, func(rt *rapid.T) {
		c := catalogue.New()
		own := map[string]evidence.Answer{} // answers of own applications
		barred := map[string]bool{}         // other kind or position
		for _, number := range numbers {
			part := buckle(number)
			switch rapid.IntRange(0, 6).Draw(rt, number) {
			case 0, 1:
				part.Applications, own[number] = []*fitmentv1.Part_Application{{Make: "Velorn", Model: "Kestrel"}}, evidence.Yes
			case 2:
				part.Applications, own[number] = []*fitmentv1.Part_Application{{Make: "Velorn", Model: "Kestrel", Body: "coupe"}}, evidence.Unknown
			case 3:
				part.Positions, barred[number] = []*fitmentv1.Position{{Row: 2, Side: fitmentv1.Position_RIGHT}}, true
			case 4:
				part.Kind, barred[number] = fitmentv1.Part_KNEE_AIR_BAG, true
			case 5:
				continue // the catalogue knows no such part
			}
			if err := c.PutPart(part); err != nil {
				rt.Fatal(err)
			}
		}
		steps := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) *fitmentv1.Supersession { return drawStep(t, numbers) }), 1, 9).Draw(rt, "steps")
		for _, s := range steps {
			put(t, c, s)
		}
		n := need(0)
		n.Vehicle = drawVehicle(rt)
		want := rightByCompletion(n.GetVehicle(), numbers, steps, own, barred)
		got := map[string]evidence.Answer{}
		for _, m := range c.Right(n) {
			got[m.Part.GetNumber()] = m.Application
			checkWay(rt, m, steps, own)
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			rt.Fatalf("got %v, want %v\n%v\n%v", got, want, n.GetVehicle(), steps)
		}
	})
}

func rightByCompletion(vehicle *fitmentv1.Vehicle, numbers []string, steps []*fitmentv1.Supersession, own map[string]evidence.Answer, barred map[string]bool) map[string]evidence.Answer {
	var sure, possible []string
	for _, number := range numbers {
		if own[number] == evidence.Yes {
			sure = append(sure, number)
		}
		if own[number] != 0 {
			possible = append(possible, number)
		}
	}
	enter := func(number string) bool { return !barred[number] }
	all := completions(vehicle)
	surely, perhaps := map[string]int{}, map[string]int{}
	for _, v := range all {
		for number := range reached(sure, steps, v, enter) {
			surely[number]++
		}
		for number := range reached(possible, steps, v, enter) {
			perhaps[number]++
		}
	}
	want := map[string]evidence.Answer{}
	for _, number := range numbers {
		switch {
		case own[number] == evidence.Yes, surely[number] == len(all):
			want[number] = evidence.Yes
		case own[number] == evidence.Unknown, perhaps[number] > 0:
			want[number] = evidence.Unknown
		}
	}
	return want
}

// checkWay checks that a match's path is a way over steps that exist, from a part
// with an application.
func checkWay(t *rapid.T, m catalogue.Match, steps []*fitmentv1.Supersession, own map[string]evidence.Answer) {
	if m.Via != fitmentv1.PartMatch_SUPERSESSION {
		if len(m.Path) != 0 || m.Replaces != "" {
			t.Fatalf("an own application with a path: %v", m)
		}
		return
	}
	last := len(m.Path) - 1
	if last < 1 || own[m.Path[0]] == 0 || m.Path[last] != m.Part.GetNumber() || m.Path[last-1] != m.Replaces {
		t.Fatalf("path %v, replaces %s, number %s", m.Path, m.Replaces, m.Part.GetNumber())
	}
	for i := range last {
		if !slices.ContainsFunc(steps, func(s *fitmentv1.Supersession) bool {
			return s.GetOldNumber() == m.Path[i] && s.GetNewNumber() == m.Path[i+1]
		}) {
			t.Fatalf("path %v: there is no such step", m.Path)
		}
	}
}

// The order in which records are put in changes nothing.
func TestTheOrderOfRecordsDoesNotMatter(t *testing.T) {
	t.Parallel()
	numbers := []string{"A", "B", "C", "D", "E"}
	rapid.Check(t, func(rt *rapid.T) {
		steps := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) *fitmentv1.Supersession { return drawStep(t, numbers) }), 1, 9).Draw(rt, "steps")
		n := need(0)
		n.Vehicle = drawVehicle(rt)
		said := ""
		for range 2 {
			c := filled(t, buckle("A", &fitmentv1.Part_Application{Make: "Velorn", Model: "Kestrel"}), buckle("B", &fitmentv1.Part_Application{Make: "Velorn", Model: "Kestrel", Body: "coupe"}))
			for _, s := range steps {
				put(t, c, s)
			}
			now := ""
			for _, m := range c.Right(n) {
				now += fmt.Sprintln(m.Part.GetNumber(), m.Application, m.Path, m.Reason)
			}
			if said != "" && said != now {
				rt.Fatalf("%s\nand the other way round\n%s", said, now)
			}
			said = now
			slices.Reverse(steps)
		}
	})
}
