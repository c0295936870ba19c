package rules_test

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/rules"
)

// pools holds what is stated of each attribute in random listings: the values a
// documented listing has first.
var pools = map[rules.Attribute][]string{
	aNumber:    {"K1", "k-1", "K2", "K3", "X1", "S1", "S2", "D1", "M1", "QQ9", "?"},
	aKind:      {"BUCKLE_PRETENSIONER", "driver_air_bag", "CONTROL_MODULE", "?"},
	aPosition:  {"1 RIGHT", "1 left", "?"},
	aDriveSide: {"LEFT", "right", "?"},
	aYear:      {"2005", "2006", "2009", "2019", "?"},
	aVIN:       {goodVIN, "nonsense", badDigit},
	aInterface: {"Type 2", "type 3"},
	aKeying:    {"B", "c"},
	aCavities:  {"2", "4", "?"},
	aStages:    {"1", "2", "?"},
	aClip:      {"yes", "no", "?"},
	aLegible:   {"yes", "no", "?"},
	aPigtail:   {"no", "yes", "?"},
	aMarks:     {"no", "yes", "?"},
	aCrash:     {"no", "yes"},
	aCode:      {"no", "yes"},
	aBelt:      {"no", "yes"},
	aFlood:     {"no", "yes"},
	aFire:      {"no", "yes"},
	aOpen:      {"no", "yes", "?"},
	aRemedied:  {"no", "yes"},
}

// attributes is the pools' keys in a fixed order.
var attributes = func() []rules.Attribute {
	var list []rules.Attribute
	for a := aNumber; a <= aRemedied; a++ {
		if pools[a] != nil {
			list = append(list, a)
		}
	}
	return list
}()

func drawLevel(t *rapid.T) fitmentv1.Evidence_Level {
	return rapid.SampledFrom([]fitmentv1.Evidence_Level{claimed, shown, shown, confirmed}).Draw(t, "level")
}

func drawStatement(t *rapid.T, a rules.Attribute) *fitmentv1.Evidence {
	e := &fitmentv1.Evidence{Attribute: a, Value: rapid.SampledFrom(pools[a]).Draw(t, a.String()), Level: drawLevel(t)}
	if a == aOpen {
		e.Date = rapid.SampledFrom([]string{"2026-06-25", "2026-05-31", "2026-05-30", "2026-07-01", ""}).Draw(t, "day")
	}
	return e
}

func drawLoop(t *rapid.T, l *fitmentv1.Listing) {
	reading := &fitmentv1.Reading{
		Method: fitmentv1.Reading_METER_AT_COMPONENT, ShortingClip: fitmentv1.Reading_OUT, Ohms: new(2.0),
		Meter: &fitmentv1.Meter{PercentOfReading: 0.5, Counts: 2, ResolutionOhms: 0.01},
	}
	switch rapid.SampledFrom([]string{"inside", "inside", "inside", "inside too", "above", "open", "clip"}).Draw(t, "loop") {
	case "inside too":
		reading.Ohms = new(2.1)
	case "above":
		reading.Ohms = new(4.5)
	case "open":
		reading.Ohms, reading.OverRange = nil, true
	case "clip":
		reading.ShortingClip = fitmentv1.Reading_IN
	}
	reading.Stage = rapid.SampledFrom([]int32{0, 1, 2, 1, 2, 3}).Draw(t, "stage")
	if rapid.IntRange(0, 2).Draw(t, "names its part") == 0 {
		reading.Kind = rapid.SampledFrom([]fitmentv1.Part_Kind{0, buckle, fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Part_CURTAIN_AIR_BAG}).Draw(t, "kind of the reading")
		reading.Position = rapid.SampledFrom([]*fitmentv1.Position{nil, right1, left1, {Row: 1}, {Row: 2}, {Side: fitmentv1.Position_LEFT}}).Draw(t, "position of the reading")
	}
	l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: aLoop, Level: drawLevel(t), Reading: reading})
	if rapid.IntRange(0, 2).Draw(t, "entered again") == 0 {
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: aLoop, Level: drawLevel(t), Reading: proto.CloneOf(reading)})
	}
}

// drawListing changes a documented listing in a few places, or makes one up.
func drawListing(t *rapid.T) *fitmentv1.Listing {
	l := documented(func(l *fitmentv1.Listing) { l.Donor.VehicleClass = fitmentv1.Vehicle_PASSENGER_CAR })
	about := attributes
	if rapid.Bool().Draw(t, "nearly documented") {
		about = rapid.SliceOfNDistinct(rapid.SampledFrom(attributes), 0, 3, rapid.ID).Draw(t, "changed")
	}
	for _, a := range about {
		switch rapid.SampledFrom([]string{"forget", "instead", "instead", "also"}).Draw(t, "change") {
		case "forget":
			forget(a)(l)
		case "instead":
			forget(a)(l)
			l.Evidence = append(l.Evidence, drawStatement(t, a))
		default:
			l.Evidence = append(l.Evidence, drawStatement(t, a))
		}
	}
	switch rapid.IntRange(0, 5).Draw(t, "loops") {
	case 0:
		forget(aLoop)(l)
	case 1:
		forget(aLoop)(l)
		drawLoop(t, l)
	case 2:
		drawLoop(t, l)
	case 3:
		forget(aLoop)(l)
		drawLoop(t, l)
		drawLoop(t, l)
	}
	if rapid.IntRange(0, 4).Draw(t, "donor") == 0 {
		l.Donor.Model = rapid.SampledFrom([]string{"", "Merlin"}).Draw(t, "donor model")
	}
	if rapid.IntRange(0, 4).Draw(t, "maker") == 0 {
		l.PartMaker = ""
	}
	return l
}

func drawNeed(t *rapid.T) *fitmentv1.Need {
	n := kestrel()
	switch rapid.IntRange(0, 5).Draw(t, "need") {
	case 0:
		n = swift(rapid.SampledFrom([]string{"", "2005-02-28", "2005-03-01"}).Draw(t, "built"))
	case 1:
		n = driverBag()
	case 2:
		n = module()
	}
	if rapid.IntRange(0, 3).Draw(t, "other vehicle") == 0 {
		n.Vehicle.ModelYear = rapid.SampledFrom([]int32{0, 2003, 2004, 2006, 2007}).Draw(t, "year")
		n.Vehicle.DriveSide = rapid.SampledFrom([]fitmentv1.Vehicle_DriveSide{0, fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT}).Draw(t, "drive side")
	}
	if rapid.IntRange(0, 3).Draw(t, "replaced") == 0 {
		n.PartNumber = rapid.SampledFrom([]string{"K1", "K2", "K3", "X1", "S1", "QQ9"}).Draw(t, "replaced number")
		n.PartMaker = rapid.SampledFrom([]string{"", "Orbis", "Norrin"}).Draw(t, "replaced maker")
	}
	if rapid.IntRange(0, 3).Draw(t, "looked") == 0 {
		n.Connector = &fitmentv1.Connector{
			Interface: rapid.SampledFrom([]string{"", "Type 2", "Type 3"}).Draw(t, "interface"),
			Keying:    rapid.SampledFrom([]string{"", "B", "C"}).Draw(t, "keying"),
			Cavities:  rapid.SampledFrom([]int32{0, 2, 4}).Draw(t, "cavities"),
		}
		n.Stages = rapid.SampledFrom([]int32{0, 1, 2}).Draw(t, "stages")
	}
	return n
}

// drawn is a random case with the reference for it.
type drawn struct {
	need *fitmentv1.Need
	list *fitmentv1.Listing
	cat  *catalogue.Catalogue
	ref  *reference
}

func drawCase(tb testing.TB, t *rapid.T) drawn {
	tb.Helper()
	d := drawn{need: kestrel(), list: documented(), cat: worldOf(tb)}
	switch rapid.IntRange(0, 3).Draw(t, "shape") {
	case 0: // all but a good case: something is not stated, little is stated otherwise
		forget(rapid.SliceOfNDistinct(rapid.SampledFrom(attributes), 0, 3, rapid.ID).Draw(t, "forgotten")...)(d.list)
		if rapid.Bool().Draw(t, "one more") {
			d.list.Evidence = append(d.list.Evidence, drawStatement(t, rapid.SampledFrom(attributes).Draw(t, "about")))
		}
	case 1:
		d.need = drawNeed(t)
	case 2:
		d.list = drawListing(t)
	default:
		d.need, d.list = drawNeed(t), drawListing(t)
	}
	d.ref = &reference{need: d.need, list: d.list, steps: [][2]string{{"K1", "K2"}, {"K2", "K3"}}, covered: true}
	for _, number := range []string{"K1", "K2", "K3", "X1", "S1", "S2", "D1", "M1"} {
		d.ref.parts = append(d.ref.parts, d.cat.Part("Orbis", number))
	}
	if rapid.IntRange(0, 5).Draw(t, "maker left out") == 0 {
		d.list.PartMaker = ""
	}
	drawMakers(tb, t, &d)
	if rapid.IntRange(0, 5).Draw(t, "stale") == 0 {
		recall(tb, d.cat, &fitmentv1.Recall{Name: "recalls/cover", Type: fitmentv1.Recall_COVERAGE, Number: "set 1", AsOf: "2026-05-30", PartMaker: "Orbis"})
		d.ref.covered = false
	}
	return d
}

// drawMakers adds a notice, which may be younger than a query by VIN and limited
// to a model, and another maker's part of a number that Orbis uses too or not.
func drawMakers(tb testing.TB, t *rapid.T, d *drawn) {
	tb.Helper()
	if rapid.IntRange(0, 4).Draw(t, "notice") == 0 {
		x := noticed{
			maker:  rapid.SampledFrom([]string{"Orbis", "Orbis", "Norrin"}).Draw(t, "noticed maker"),
			number: rapid.SampledFrom([]string{"K1", "K1", "K2", "D1", "QQ9"}).Draw(t, "noticed"),
			model:  rapid.SampledFrom([]string{"", "Kestrel", "Merlin"}).Draw(t, "noticed model"),
		}
		recall(tb, d.cat, &fitmentv1.Recall{
			Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "26-1", PartMaker: x.maker, PartNumber: x.number, Model: x.model,
			Issued: rapid.SampledFrom([]string{"2026-01-05", "2026-06-28"}).Draw(t, "issued"),
		})
		d.ref.notices = []noticed{x}
	}
	if rapid.IntRange(0, 4).Draw(t, "rival") == 0 {
		number := rapid.SampledFrom([]string{"K1", "K1", "K2", "S1", "D1", "X1"}).Draw(t, "rival number")
		norrin(tb, d.cat, number)
		d.ref.rivals = []string{number}
	}
}

// norrin adds a part of another maker: other connector, other vehicle.
func norrin(tb testing.TB, c *catalogue.Catalogue, number string) {
	tb.Helper()
	err := c.PutPart(&fitmentv1.Part{
		Maker: "Norrin", Number: number, Kind: buckle, Positions: []*fitmentv1.Position{right1}, Stages: 1,
		Connector:    &fitmentv1.Connector{Interface: "Type 3", Keying: "C", Cavities: 4},
		Applications: []*fitmentv1.Part_Application{{Make: "Velorn", Model: "Osprey", YearFrom: 2004, YearTo: 2006}},
	})
	if err != nil {
		tb.Fatal(err)
	}
}

func TestNoDifferenceFromTheReference(t *testing.T) {
	t.Parallel()
	verdicts := map[fitmentv1.Decision_Verdict]int{}
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		got := rules.Decide(d.need, d.list, d.cat, rules.DefaultPolicy(), today)
		want := d.ref.answers()
		fit, reuse := yes, yes
		for _, f := range got.GetFindings() {
			answer, counted := want[f.GetRule()]
			if !counted {
				if f.GetSeverity() != fitmentv1.Finding_ADVICE {
					rt.Fatalf("the reference does not know %s", f.GetRule())
				}
				continue
			}
			if f.GetAnswer() != answer {
				rt.Fatalf("%s: %v (%s), the reference says %v\nneed %v\nlisting %v", f.GetRule(), f.GetAnswer(), f.GetReason(), answer, d.need, d.list)
			}
			if f.GetSeverity() == fitmentv1.Finding_FIT {
				fit = evidence.And(fit, answer)
			} else {
				reuse = evidence.And(reuse, answer)
			}
		}
		if len(got.GetFindings()) != len(rules.All()) || got.GetFit() != fit || got.GetReuse() != reuse {
			rt.Fatalf("fit %v reuse %v, the reference says %v %v", got.GetFit(), got.GetReuse(), fit, reuse)
		}
		verdicts[got.GetVerdict()]++
	})
	if len(verdicts) != 4 {
		t.Errorf("the random cases reach only %v", verdicts)
	}
}

func TestJudgeSaysWhatDecideSays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		decision := rules.Decide(d.need, d.list, d.cat, rules.DefaultPolicy(), today)
		if got := rules.Judge(d.need, d.list, d.cat, rules.DefaultPolicy(), today); got != decision.GetVerdict() {
			rt.Fatalf("judge %v, decide %v", got, decision.GetVerdict())
		}
		settled := decision.GetVerdict() != fitmentv1.Decision_PROVE_FIRST
		if settled != (len(decision.GetMissingEvidence()) == 0) || settled != (decision.GetExpectedMinutes() == 0) {
			rt.Fatalf("%v with %d things missing and %g minutes\n%v\n%v\n%v", decision.GetVerdict(), len(decision.GetMissingEvidence()), decision.GetExpectedMinutes(), d.need, d.list, decision.GetCautions())
		}
	})
}

func TestRankSaysWhatDecideSays(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		q := rules.For(d.need, d.cat, rules.DefaultPolicy(), today)
		decision := q.Decide(d.list)
		if verdict, minutes := q.Rank(d.list); verdict != decision.GetVerdict() || minutes != decision.GetExpectedMinutes() {
			rt.Fatalf("rank %v in %v minutes, decide %v in %v", verdict, minutes, decision.GetVerdict(), decision.GetExpectedMinutes())
		}
	})
}

// A rule depends on the attributes that it lists and no others: its answers to
// some outcomes of what is missing, worked out from those alone, are those with
// everything assumed. A proven conjunction fits exactly where all is good.
func TestTablesSayWhatTheRulesSay(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		all := true
		tabled, checked, conjunctive := rules.FitsBoth(rules.For(d.need, d.cat, rules.DefaultPolicy(), today), d.list, func(n int) []evidence.Answer {
			outcomes := make([]evidence.Answer, n)
			for i := range outcomes {
				outcomes[i] = evidence.Of(rapid.IntRange(0, 4).Draw(rt, "good") > 0)
				all = all && outcomes[i] == yes
			}
			return outcomes
		})
		if tabled != checked || (conjunctive && checked != all) {
			rt.Fatalf("the tables say %v, the rules %v; all good is %v, a conjunction %v", tabled, checked, all, conjunctive)
		}
	})
}

// What fits is disproven by no completion of the evidence that is missing:
// whatever is stated, at any level, about attributes of which nothing was stated.
// Left out are statements that are news and not completions: a query that finds
// an open recall although the notices show none, and what the part's number and
// the donor's VIN already settled, of which a contrary statement must make the
// answer unknown, never no (which this test asserts as well).
func TestNoCompletionDisprovesWhatFits(t *testing.T) {
	t.Parallel()
	fits := 0
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		if rapid.Bool().Draw(rt, "documented") {
			d.need, d.list = kestrel(), documented(forget(rapid.SampledFrom([]rules.Attribute{aKind, aPosition, aDriveSide, aYear}).Draw(rt, "implied")))
		}
		if rules.Judge(d.need, d.list, d.cat, rules.DefaultPolicy(), today) != fitmentv1.Decision_FITS {
			return
		}
		fits++
		claims := evidence.ClaimsOf(d.list)
		for _, a := range attributes {
			if claims.Fact(a) == (evidence.Fact{}) && rapid.Bool().Draw(rt, "complete") {
				e := drawStatement(rt, a)
				if a == aOpen && e.GetValue() == "yes" {
					continue
				}
				d.list.Evidence = append(d.list.Evidence, e)
			}
		}
		switch verdict := rules.Judge(d.need, d.list, d.cat, rules.DefaultPolicy(), today); verdict {
		case fitmentv1.Decision_BARRED, fitmentv1.Decision_DOES_NOT_FIT:
			rt.Fatalf("completed, it is %v: %v", verdict, d.list)
		default:
		}
	})
	if fits == 0 {
		t.Error("no random case fits")
	}
}

// Taking statements away never makes a listing fit, but for statements that speak
// against the part or contradict another one. So: of a documented listing with
// some attributes stated otherwise, taking out statements of the untouched
// attributes, all of which speak for the part, makes nothing fit that did not.
func TestLessEvidenceNeverMakesAListingFit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		l := documented()
		touched := rapid.SliceOfNDistinct(rapid.SampledFrom(attributes), 0, 2, rapid.ID).Draw(rt, "touched")
		for _, a := range touched {
			forget(a)(l)
			l.Evidence = append(l.Evidence, drawStatement(rt, a))
		}
		before := decide(t, kestrel(), l).GetVerdict()
		gone := rapid.SliceOfNDistinct(rapid.SampledFrom(append([]rules.Attribute{aLoop}, attributes...)), 1, 6, rapid.ID).Draw(rt, "gone")
		for _, a := range gone {
			taken := true
			for _, other := range touched {
				taken = taken && a != other && !tied(a, other)
			}
			if taken {
				forget(a)(l)
			}
		}
		if after := decide(t, kestrel(), l).GetVerdict(); after == fitmentv1.Decision_FITS && before != fitmentv1.Decision_FITS {
			rt.Fatalf("was %v, fits without %v: %v", before, gone, l)
		}
	})
}

// tied tells whether statements about two attributes can contradict each other:
// number and what it stands for, VIN and year.
func tied(a, b rules.Attribute) bool {
	follows := func(x rules.Attribute) bool { return x >= aKind && x <= aStages || x == aYear || x == aVIN }
	return (a == aNumber && follows(b)) || (b == aNumber && follows(a)) || (a == aVIN && b == aYear) || (a == aYear && b == aVIN)
}

func TestNothingFitsOnNothingOrOnClaims(t *testing.T) {
	t.Parallel()
	for name, n := range map[string]*fitmentv1.Need{"buckle": kestrel(), "bag": driverBag(), "module": module(), "nothing": {}} {
		if got := decide(t, n, &fitmentv1.Listing{}).GetVerdict(); got == fitmentv1.Decision_FITS {
			t.Errorf("%s: an empty listing fits", name)
		}
		if got := rules.Judge(n, nil, worldOf(t), rules.Policy{}, today); got == fitmentv1.Decision_FITS {
			t.Errorf("%s: no listing at all fits", name)
		}
	}
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		for _, e := range d.list.GetEvidence() {
			e.Level = rapid.SampledFrom([]fitmentv1.Evidence_Level{0, claimed}).Draw(rt, "level")
		}
		if got := rules.Judge(d.need, d.list, d.cat, rules.DefaultPolicy(), today); got == fitmentv1.Decision_FITS {
			rt.Fatalf("claims alone fit: %v", d.list)
		}
	})
}

// Getting everything that is said to be missing, and all of it good, settles the
// matter, and the order's expected work is that of the exact solver.
func TestWhatIsMissingIsEnough(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		d := drawCase(t, rt)
		decision := rules.Decide(d.need, d.list, d.cat, rules.DefaultPolicy(), today)
		var tests []evidence.Test
		asks := map[string]float64{}
		for _, a := range rules.DefaultAsks() {
			asks[a.Text] = a.Good
		}
		for _, m := range decision.GetMissingEvidence() {
			good, known := asks[m.GetAsk()]
			if !known && m.GetAttribute() == 0 {
				good = 0.8 // about the vehicle
			} else if !known {
				good = 0.5
			}
			tests = append(tests, evidence.Test{Cost: m.GetMinutes(), Yes: good})
		}
		if len(tests) == 0 || len(tests) > 9 {
			return
		}
		plan, err := evidence.Order(tests, func(o []evidence.Answer) evidence.Answer { return evidence.And(o...) })
		if err != nil {
			rt.Fatal(err)
		}
		if diff := plan.Expected - decision.GetExpectedMinutes(); diff > 1e-9 || diff < -1e-9 {
			rt.Fatalf("%g minutes, the exact solver says %g for %v", decision.GetExpectedMinutes(), plan.Expected, decision.GetMissingEvidence())
		}
	})
}
