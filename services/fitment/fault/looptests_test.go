package fault_test

import (
	"math"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
)

const (
	isOpen   = fitmentv1.LoopTest_OPEN_OR_HIGH
	isLow    = fitmentv1.LoopTest_LOW_OR_SHORTED
	noCode   = fitmentv1.LoopTest_NO_CODE
	another  = fitmentv1.LoopTest_OTHER_CODE
	unplug   = fitmentv1.LoopTest_UNPLUG
	loaded   = fitmentv1.LoopTest_SUBSTITUTE_LOAD
	thePart  = fitmentv1.LoopTestReport_PART_OR_CONTACT
	theWires = fitmentv1.LoopTestReport_HARNESS_OR_MODULE
	nothing  = fitmentv1.LoopTestReport_NOTHING
)

// loopTest is a test of the loop that metered and reported read.
func loopTest(kind fitmentv1.Part_Kind, method fitmentv1.LoopTest_Method, before, after fitmentv1.LoopTest_State) *fitmentv1.LoopTest {
	return &fitmentv1.LoopTest{Kind: kind, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, Method: method, Before: before, After: after}
}

// The decision tables, every pair of states. Unplugging: a maker's service notes
// and a trade paper of 2018 (a true code for open or high turns low where the
// harness is good; the plug's clip shorts the pins on unmating). Substitute load: a
// maker's service text and the same paper (gone: the inflator; stays: harness or
// module). Other codes: common practice, no source.
func TestTheDecisionTables(t *testing.T) {
	t.Parallel()
	states := []fitmentv1.LoopTest_State{isOpen, isLow, noCode, another}
	want := map[fitmentv1.LoopTest_Method][4][4]fitmentv1.LoopTestReport_Finding{
		//          after: open,    low,      none,    other
		unplug: {
			{theWires, thePart, nothing, nothing}, // before: open
			{nothing, nothing, nothing, nothing},  // low: the clip reads low by itself
			{nothing, nothing, nothing, nothing},  // none
			{nothing, thePart, nothing, theWires}, // other
		},
		loaded: {
			{theWires, nothing, thePart, nothing},
			{nothing, theWires, thePart, nothing},
			{nothing, nothing, nothing, nothing},
			{nothing, nothing, thePart, theWires},
		},
	}
	for method, rows := range want {
		for i, before := range states {
			for j, after := range states {
				got := assess(t, &fitmentv1.AssessFaultRequest{Tests: []*fitmentv1.LoopTest{loopTest(buckle, method, before, after)}}).GetTests()[0]
				if got.GetFinding() != rows[i][j] {
					t.Errorf("%v, %v then %v: %v (%s), want %v", method, before, after, got.GetFinding(), got.GetReason(), rows[i][j])
				}
			}
		}
	}
	for _, open := range []*fitmentv1.LoopTest{nil, {}, {Method: unplug, Before: isOpen}, {Method: loaded, After: noCode}, {Method: 9, Before: isOpen, After: isLow}} {
		got := fault.Assess(&fitmentv1.AssessFaultRequest{Tests: []*fitmentv1.LoopTest{open}}, fault.Knowledge{})
		if r := got.GetTests()[0]; r.GetFinding() != nothing || !strings.Contains(r.GetReason(), "not stated") {
			t.Errorf("%v shows %v", open, r)
		}
	}
}

// A test that shows something is weighed: the posterior by hand, prior times the
// chance of the finding.
func TestWhatATestShowsIsWeighed(t *testing.T) {
	t.Parallel()
	weights := map[fitmentv1.Suspect_Component]float64{
		fitmentv1.Suspect_PART: 0.38 * 0.80, fitmentv1.Suspect_CONNECTOR: 0.27 * 0.25, fitmentv1.Suspect_HARNESS: 0.15 * 0.05,
		fitmentv1.Suspect_MODULE: 0.06 * 0.05, fitmentv1.Suspect_MEASUREMENT: 0.06 * 0.06, fitmentv1.Suspect_OTHER: 0.08 * 0.02,
	}
	sum := 0.0
	for _, w := range weights {
		sum += w
	}
	got := assess(t, &fitmentv1.AssessFaultRequest{Tests: []*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, noCode)}})
	for _, s := range got.GetSuspects() {
		if want := weights[s.GetComponent()] / sum; math.Abs(s.GetProbability()-want) > 1e-12 {
			t.Errorf("%v: %g, want %g", s.GetComponent(), s.GetProbability(), want)
		}
	}
	// Beside the code that says the same of the loop before the test, the two
	// findings count relative to each other: 0.80 of 0.85 for the part.
	code := &fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Dialect: "legacy-a", Readings: []*fitmentv1.Reading{unread(buckle)}}
	before := assess(t, code)
	code.Tests = []*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, noCode)}
	after := assess(t, code)
	odds := func(a *fitmentv1.AssessFaultResponse) float64 {
		return probability(a, fitmentv1.Suspect_PART, buckle) / probability(a, fitmentv1.Suspect_HARNESS, buckle)
	}
	if got, want := odds(after)/odds(before), (0.80/0.85)/(0.05/0.80); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("the odds of part against harness rise by %g, want %g", got, want)
	}
}

// unread is a reading that proves nothing: it only names the loop.
func unread(kind fitmentv1.Part_Kind) *fitmentv1.Reading {
	r := metered(kind, atPart, 2)
	r.ShortingClip = fitmentv1.Reading_UNKNOWN
	return r
}

// What comes through one channel shares its mistakes: a substitute load that is
// read twice, and tested beside that, is one load in one plug.
func TestWhatSharesItsMistakesCountsOnce(t *testing.T) {
	t.Parallel()
	// How strongly it speaks for the part against each other component of the loop.
	odds := func(req *fitmentv1.AssessFaultRequest) []float64 {
		got := assess(t, req)
		var list []float64
		for _, c := range []fitmentv1.Suspect_Component{fitmentv1.Suspect_CONNECTOR, fitmentv1.Suspect_HARNESS, fitmentv1.Suspect_MEASUREMENT} {
			list = append(list, probability(got, fitmentv1.Suspect_PART, buckle)/probability(got, c, buckle))
		}
		return list
	}
	between := func(what string, a, b, both []float64) {
		t.Helper()
		for i := range both {
			if want := math.Sqrt(a[i] * b[i]); math.Abs(both[i]/want-1) > 1e-9 {
				t.Errorf("%s: odds %g and %g alone, %g together, want %g", what, a[i], b[i], both[i], want)
			}
		}
	}
	test, reading := loopTest(buckle, loaded, isOpen, noCode), reported(buckle, withLoad, 2)
	tests := func(list ...*fitmentv1.LoopTest) []*fitmentv1.LoopTest { return list }
	readings := func(list ...*fitmentv1.Reading) []*fitmentv1.Reading { return list }
	tested := odds(&fitmentv1.AssessFaultRequest{Tests: tests(test)})
	read := odds(&fitmentv1.AssessFaultRequest{Readings: readings(reading)})
	between("a test made twice", tested, tested, odds(&fitmentv1.AssessFaultRequest{Tests: tests(test, test)}))
	between("a test and a reading by one load", tested, read, odds(&fitmentv1.AssessFaultRequest{Tests: tests(test), Readings: readings(reading)}))
	// A code and the module's value are the module's one measurement of the loop.
	code := odds(&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Dialect: "legacy-a", Readings: readings(unread(buckle))})
	value := odds(&fitmentv1.AssessFaultRequest{Readings: readings(reported(buckle, byModule, 6.6))})
	between("a code and the module's value", code, value, odds(&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Dialect: "legacy-a", Readings: readings(reported(buckle, byModule, 6.6))}))
}

// One broken lead explains every reading that was taken with it. It is a suspect
// until the leads' own value is stated, and a sound reading of the same meter
// speaks against it.
func TestAMeterThatServedSeveralLoopsMayBeAtFault(t *testing.T) {
	t.Parallel()
	shared := func(readings ...*fitmentv1.Reading) float64 {
		sum := 0.0
		for _, s := range assess(t, &fitmentv1.AssessFaultRequest{Readings: readings}).GetSuspects() {
			if s.GetComponent() == fitmentv1.Suspect_MEASUREMENT && s.GetKind() == 0 {
				sum += s.GetProbability()
			}
		}
		return sum
	}
	otherMeter := with(metered(side, atPart, 17e6), func(r *fitmentv1.Reading) { r.Meter.Counts = 3 })
	leads := with(metered(side, atPart, 17e6), func(r *fitmentv1.Reading) { r.LeadOhms = new(0.2) })
	both := shared(metered(buckle, atPart, 17e6), metered(side, atPart, 17e6))
	one := shared(metered(buckle, atPart, 17e6), metered(side, atPart, 2))
	if both < 0.5 || one > 0.02 || one <= 0 {
		t.Errorf("both open %g, one open %g", both, one)
	}
	for name, readings := range map[string][]*fitmentv1.Reading{
		"one loop":           {metered(buckle, atPart, 17e6), metered(buckle, atPart, 17e6)},
		"another meter":      {metered(buckle, atPart, 17e6), otherMeter},
		"leads stated":       {metered(buckle, atPart, 17e6), leads},
		"by the module":      {reported(buckle, byModule, 6.6), reported(side, byModule, 6.6)},
		"one proves nothing": {metered(buckle, atPart, 17e6), unread(side)},
	} {
		if p := shared(readings...); p != 0 {
			t.Errorf("%s: a shared mistake with %g", name, p)
		}
	}
	next := assess(t, &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{metered(buckle, atPart, 17e6), metered(side, atPart, 17e6)}}).GetNextTest()
	if next.GetId() != "lead-check" || next.GetKind() != 0 {
		t.Errorf("next test %v", next)
	}
}

// A test by a substitute load proves a part as the reading does; unplugging does
// not, since it cannot tell the part from its contacts.
func TestPurchaseByTests(t *testing.T) {
	t.Parallel()
	cases := map[string]struct {
		tests    []*fitmentv1.LoopTest
		readings []*fitmentv1.Reading
		want     fitmentv1.AssessFaultResponse_Purchase
	}{
		"unplugged, turned low":             {[]*fitmentv1.LoopTest{loopTest(buckle, unplug, isOpen, isLow)}, nil, notYet},
		"load, gone, after unplugging":      {[]*fitmentv1.LoopTest{loopTest(buckle, unplug, isOpen, isLow), loopTest(buckle, loaded, isOpen, noCode)}, nil, justified},
		"load, stays":                       {[]*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, isOpen)}, nil, notJustified},
		"load, gone and stays":              {[]*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, noCode), loopTest(buckle, loaded, isOpen, isOpen)}, nil, notYet},
		"load gone, unplugging blames wire": {[]*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, noCode), loopTest(buckle, unplug, isOpen, isOpen)}, nil, notYet},
		"load gone, module reads sound":     {[]*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, noCode)}, []*fitmentv1.Reading{reported(buckle, byModule, 2.1)}, notYet},
		"load gone, still high with load":   {[]*fitmentv1.LoopTest{loopTest(buckle, loaded, isOpen, noCode)}, []*fitmentv1.Reading{reported(buckle, withLoad, 6.6)}, notYet},
		"shows nothing":                     {[]*fitmentv1.LoopTest{loopTest(buckle, unplug, isLow, isLow)}, nil, notYet},
	}
	for name, c := range cases {
		got := assess(t, &fitmentv1.AssessFaultRequest{Tests: c.tests, Readings: c.readings})
		if got.GetPurchase() != c.want {
			t.Errorf("%s: %v (%s), part %g", name, got.GetPurchase(), got.GetPurchaseReason(), probability(got, fitmentv1.Suspect_PART, buckle))
		}
	}
}
