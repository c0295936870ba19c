package fault_test

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
)

// beliefs are the probabilities of an answer by what is suspected.
func beliefs(got *fitmentv1.AssessFaultResponse) map[string]float64 {
	all := map[string]float64{}
	for _, s := range got.GetSuspects() {
		all[fmt.Sprint(s.GetComponent(), s.GetKind(), s.GetPosition().GetRow(), s.GetPosition().GetSide())] = s.GetProbability()
	}
	return all
}

// outcomes are the values that fall into the columns of a table: by the module with
// its display's end at 6.6 ohms, and by a careful meter.
var (
	moduleOhms = []float64{6.6, 5, 2.1, 0.95, 0}
	meterOhms  = []float64{17e6, 12, 2.1, 0.95, 0.1}
)

// trial is a test that may be made next: what a request is like after each outcome,
// and the chance of each by what is at fault, elsewhere last.
type trial struct {
	id       string
	minutes  float64
	prefer   float64
	requests []*fitmentv1.AssessFaultRequest
	table    fault.Table
}

// moved is the expected divergence of the belief after a trial from that before, in
// bits, computed by asking for each outcome.
func moved(now *fitmentv1.AssessFaultResponse, known fault.Knowledge, one trial, kind fitmentv1.Part_Kind, place *fitmentv1.Position) float64 {
	before, total := beliefs(now), 0.0
	for outcome, req := range one.requests {
		marginal := 0.0
		for _, s := range now.GetSuspects() {
			c := s.GetComponent()
			here := s.GetKind() == kind && s.GetPosition().GetRow() == place.GetRow() && s.GetPosition().GetSide() == place.GetSide()
			if !here && c != fitmentv1.Suspect_MODULE && c != fitmentv1.Suspect_OTHER {
				c = fitmentv1.Suspect_COMPONENT_UNSPECIFIED
			}
			marginal += s.GetProbability() * one.table[c][outcome]
		}
		bits := 0.0
		for what, p := range beliefs(fault.Assess(req, known)) {
			if p > 0 {
				bits += p * math.Log2(p/before[what])
			}
		}
		total += marginal * bits
	}
	return total
}

// made lists what can be done next on a loop.
func made(req *fitmentv1.AssessFaultRequest, model fault.Model, kind fitmentv1.Part_Kind, place *fitmentv1.Position, alone bool) []trial {
	var list []trial
	for _, test := range model.Tests {
		one := trial{id: test.ID, minutes: test.Minutes, prefer: test.Preference}
		switch {
		case test.LeadCheck:
			continue
		case test.Unplug:
			one.table = fault.Table{}
			for c, row := range model.LoopTests[unplug] {
				one.table[c] = row[:2]
				if !alone { // the module's word on the loop is counted already
					one.table[c] = fault.Row{row[0] / (row[0] + row[1]), row[1] / (row[0] + row[1])}
				}
			}
			for _, after := range []fitmentv1.LoopTest_State{isLow, isOpen} {
				next := &fitmentv1.AssessFaultRequest{Readings: req.GetReadings(), Tests: append(req.GetTests()[:len(req.GetTests()):len(req.GetTests())], loopTest(kind, unplug, isOpen, after))}
				one.requests = append(one.requests, next)
			}
		default:
			one.table = model.Readings[test.Reading]
			ohms := meterOhms
			if test.Reading != atHarness {
				ohms = moduleOhms
			}
			for _, value := range ohms {
				r := reported(kind, test.Reading, value)
				if test.Reading == atHarness {
					r = metered(kind, test.Reading, value)
					r.Meter, r.LeadOhms = &fitmentv1.Meter{PercentOfReading: 0.1}, new(0.0)
				}
				r.Position = place
				next := &fitmentv1.AssessFaultRequest{Readings: append(req.GetReadings()[:len(req.GetReadings()):len(req.GetReadings())], r), Tests: req.GetTests()}
				one.requests = append(one.requests, next)
			}
		}
		for _, next := range one.requests {
			next.Codes, next.Dialect = req.GetCodes(), req.GetDialect()
		}
		list = append(list, one)
	}
	return list
}

// The next test against brute force: every test of every loop is tried by asking
// what would be believed after each of its outcomes. No test that was not made yet
// moves the belief more for its minutes than the one that is named.
func TestTheNextTestAgainstBruteForce(t *testing.T) {
	t.Parallel()
	limit := 6.6
	known := fault.Knowledge{DisplayLimit: &limit, Model: fault.DefaultModel()}
	place := &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}
	kinds := []fitmentv1.Part_Kind{buckle, side, fitmentv1.Part_CURTAIN_AIR_BAG}
	named := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		req := &fitmentv1.AssessFaultRequest{}
		done := map[string]bool{}
		spoken := map[fitmentv1.Part_Kind]bool{} // loops that the module spoke of
		low := map[fitmentv1.Part_Kind]bool{}
		loops := kinds[:rapid.IntRange(1, 3).Draw(t, "loops")]
		for _, kind := range loops {
			req.Readings = append(req.Readings, unread(kind))
			if rapid.Bool().Draw(t, "module") {
				at := rapid.IntRange(0, 4).Draw(t, "value")
				req.Readings = append(req.Readings, reported(kind, byModule, moduleOhms[at]))
				done[kind.String()+"module-value"], spoken[kind], low[kind] = true, true, at > 2
			}
			if rapid.Bool().Draw(t, "load") {
				req.Readings = append(req.Readings, reported(kind, withLoad, moduleOhms[rapid.IntRange(0, 4).Draw(t, "value")]))
				done[kind.String()+"substitute-load"] = true
			}
			if rapid.Bool().Draw(t, "load test") {
				req.Tests = append(req.Tests, loopTest(kind, loaded, isOpen, rapid.SampledFrom([]fitmentv1.LoopTest_State{isOpen, noCode}).Draw(t, "after")))
				done[kind.String()+"substitute-load"] = true
			}
			if rapid.Bool().Draw(t, "part") {
				req.Readings = append(req.Readings, with(metered(kind, atPart, meterOhms[rapid.IntRange(0, 4).Draw(t, "value")]), func(r *fitmentv1.Reading) { r.LeadOhms = new(0.0) }))
			}
		}
		if rapid.Bool().Draw(t, "code") {
			req.Codes, req.Dialect = []string{"B0058"}, "legacy-a" // the buckle's loop: open or high
			spoken[buckle] = true
		}
		now := fault.Assess(req, known)
		best, rate := "", 0.0
		rates := map[string]float64{}
		for _, kind := range loops {
			for _, one := range made(req, known.Model, kind, place, !spoken[kind]) {
				if done[kind.String()+one.id] || (one.id == "unplug" && low[kind]) {
					continue
				}
				bits := moved(now, known, one, kind, place)
				rates[kind.String()+" "+one.id] = bits * one.prefer / one.minutes
				if r := rates[kind.String()+" "+one.id]; bits >= known.Model.LeastBits && r > rate {
					best, rate = kind.String()+" "+one.id, r
				}
			}
		}
		next := now.GetNextTest()
		if next == nil {
			if rate > 1e-9 {
				t.Fatalf("no test is named, but %s is worth %g bits a minute", best, rate)
			}
			return
		}
		name := next.GetKind().String() + " " + next.GetId()
		named[next.GetId()]++
		got := next.GetExpectedBits() / next.GetMinutes()
		if next.GetId() == "substitute-load" {
			got *= 2
		}
		if math.Abs(rates[name]-got) > 1e-9 || got < rate-1e-9 {
			t.Fatalf("%s: %g bits a minute by the answer, %g by brute force; the best is %s with %g", name, got, rates[name], best, rate)
		}
	})
	if len(named) < 3 {
		t.Errorf("only these tests were ever named: %v", named)
	}
}
