package fault_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
)

// The window of the request counts before the part's or the vehicle's, and that
// before the default; the report says which and where it is from. Limits of service
// data: maker A 1.3 to 4.8 ohms, maker B's cars of 1994 and 1997 0.7 to 4.0; the
// default is a trade paper's of 2018.
func TestWhichWindowCounts(t *testing.T) {
	t.Parallel()
	makerA := &fitmentv1.ResistanceWindow{LowOhms: 1.3, HighOhms: 4.8, Source: "maker A's service data"}
	known := fault.Knowledge{Window: func(kind fitmentv1.Part_Kind, p *fitmentv1.Position) *fitmentv1.ResistanceWindow {
		if kind == buckle && p.GetRow() == 1 {
			return makerA
		}
		return nil
	}}
	fine := func(kind fitmentv1.Part_Kind) *fitmentv1.Reading {
		return with(metered(kind, atPart, 4.5), func(r *fitmentv1.Reading) { r.Meter = &fitmentv1.Meter{PercentOfReading: 0.05} })
	}
	cases := map[string]struct {
		known   fault.Knowledge
		reading *fitmentv1.Reading
		stated  *fitmentv1.ResistanceWindow
		class   fitmentv1.ReadingReport_Class
		source  string
	}{
		"nothing known":       {fault.Knowledge{}, fine(buckle), nil, high, "default"},
		"the vehicle's":       {known, fine(buckle), nil, inRange, "maker A"},
		"another part's":      {known, fine(side), nil, high, "default"},
		"the request's first": {known, fine(buckle), &fitmentv1.ResistanceWindow{LowOhms: 0.7, HighOhms: 4, Source: "maker B's service data"}, high, "maker B"},
		"without a source":    {known, fine(side), &fitmentv1.ResistanceWindow{LowOhms: 0.7, HighOhms: 5}, inRange, "stated in the request"},
		"one that is no window": {fault.Knowledge{Window: func(fitmentv1.Part_Kind, *fitmentv1.Position) *fitmentv1.ResistanceWindow {
			return &fitmentv1.ResistanceWindow{LowOhms: 5, HighOhms: 1}
		}}, fine(buckle), nil, high, "default"},
	}
	for name, c := range cases {
		got := fault.Assess(&fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{c.reading}, Window: c.stated}, c.known).GetReadings()[0]
		if got.GetClass() != c.class || !strings.Contains(got.GetWindow().GetSource(), c.source) {
			t.Errorf("%s: %v, window %v", name, got.GetClass(), got.GetWindow())
		}
	}
	if makerA.GetSource() != "maker A's service data" || makerA.GetHighOhms() != 4.8 {
		t.Errorf("what was known was changed: %v", makerA)
	}
}

// A module's display ends at 6.3 or 6.6 ohms (maker A's service text): a value that
// stands there is open or high and no number. Where neither the reading nor the
// vehicle says where it ends, the lowest end that is known counts.
func TestTheEndOfAModulesDisplayIsNoNumber(t *testing.T) {
	t.Parallel()
	limit := func(ohms float64) *float64 { return &ohms }
	cases := map[string]struct {
		ohms          float64
		stated, known *float64
		number        bool
	}{
		"6.29, nothing known":           {6.29, nil, nil, true},
		"6.3, nothing known":            {6.3, nil, nil, false},
		"6.3, vehicle's ends at 6.6":    {6.3, nil, limit(6.6), true},
		"6.6, vehicle's ends at 6.6":    {6.6, nil, limit(6.6), false},
		"6.3, reading says 10":          {6.3, limit(10), limit(6.3), true},
		"5.0, reading says 5":           {5, limit(5), limit(6.6), false},
		"5.0, a limit that is no limit": {5, nil, limit(math.NaN()), true},
	}
	for name, c := range cases {
		for _, method := range []fitmentv1.Reading_Method{byModule, withLoad} {
			r := reported(buckle, method, c.ohms)
			r.DisplayLimitOhms = c.stated
			got := fault.Assess(&fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{r}}, fault.Knowledge{DisplayLimit: c.known}).GetReadings()[0]
			numbers := got.CorrectedOhms != nil && got.StandardUncertaintyOhms != nil && got.ConformanceProbability != nil
			none := got.CorrectedOhms == nil && got.StandardUncertaintyOhms == nil && got.ConformanceProbability == nil
			if got.GetClass() != high || numbers != c.number || none == c.number || (!c.number && !strings.Contains(got.GetReason(), "open or high")) {
				t.Errorf("%s by %v: %v", name, method, got)
			}
		}
	}
	if r := fault.Assess(&fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{metered(buckle, atPart, 6.6)}}, fault.Knowledge{}).GetReadings()[0]; r.CorrectedOhms == nil {
		t.Errorf("a meter's value is no number: %v", r)
	}
}

// Waits of service data reach from 10 seconds to 20 minutes; of a vehicle that is
// not known the longest counts, and the answer says so. No wait makes a part safe.
func TestTheWait(t *testing.T) {
	t.Parallel()
	req := &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{metered(buckle, atPart, 2)}}
	req.Readings[0].BatteryOffMinutes = new(1.5)
	cases := map[string]struct {
		wait    *fault.Wait
		minutes float64
		own     bool
		tooSoon bool
		words   string
	}{
		"not known":    {nil, 20, false, true, "The longest that we know of is 20 minutes"},
		"2 minutes":    {&fault.Wait{Minutes: 2, Source: "s"}, 2, true, true, "Wait 2 minutes"},
		"90 seconds":   {&fault.Wait{Minutes: 1.5, Source: "s"}, 1.5, true, false, "Wait 1.5 minutes"},
		"10 seconds":   {&fault.Wait{Minutes: 10.0 / 60, Source: "s"}, 10.0 / 60, true, false, "Wait 10 seconds"},
		"no number":    {&fault.Wait{Minutes: math.NaN(), Source: "s"}, 20, false, true, "is not in our data"},
		"less than no": {&fault.Wait{Minutes: -1, Source: "s"}, 20, false, true, "is not in our data"},
	}
	for name, c := range cases {
		got := fault.Assess(req, fault.Knowledge{Wait: c.wait})
		w, cautions := got.GetWait(), strings.Join(got.GetCautions(), " ")
		if w.GetMinutes() != c.minutes || w.GetOfThisVehicle() != c.own || !strings.Contains(w.GetText(), c.words) || w.GetSource() == "" {
			t.Errorf("%s: %v", name, w)
		}
		if !strings.Contains(cautions, w.GetText()) || strings.Contains(cautions, "sooner than") != c.tooSoon || !strings.Contains(cautions, "Waiting never makes a part safe") {
			t.Errorf("%s: %s", name, cautions)
		}
	}
	waits := fault.Waits()
	sorted := slices.IsSortedFunc(waits, func(a, b fault.Wait) int { return int(math.Copysign(1, a.Minutes-b.Minutes)) })
	if !sorted || waits[0].Minutes*60 != 10 || waits[len(waits)-1].Minutes != 20 {
		t.Errorf("waits %v", waits)
	}
}

// One number, several meanings (maker service data and the SAE J2012 lists): the
// dialect decides, the request's before the vehicle's, and the user's word for a
// single code before both.
func TestTheDialectSettlesWhatACodeMeans(t *testing.T) {
	t.Parallel()
	choose := func(meaning string) []*fitmentv1.CodeChoice {
		return []*fitmentv1.CodeChoice{{Code: "B0058", Meaning: meaning}}
	}
	cases := map[string]struct {
		code, stated, known string
		choices             []*fitmentv1.CodeChoice
		dialect, applied    string
		meanings            int
	}{
		"nothing known":               {"B0058", "", "", nil, "", "", 2},
		"the vehicle's":               {"B0058", "", "legacy-a", nil, "legacy-a", "legacy-a.B0058", 1},
		"the request's first":         {"B0058", "standard", "legacy-a", nil, "standard", "standard.B0058", 1},
		"the user's word":             {"B0058", "", "legacy-a", choose("standard.B0058"), "legacy-a", "standard.B0058", 2},
		"a dialect that is not known": {"B0058", "", "legacy-z", nil, "", "", 2},
		"not listed in the dialect":   {"B0058", "", "legacy-d", nil, "legacy-d", "", 0},
		"the standard's numbers":      {"B0072", "", "legacy-c", nil, "legacy-c", "legacy-c.B0072", 1},
		"chosen in such a dialect":    {"B0058", "", "", choose("legacy-c.B0058"), "", "legacy-c.B0058", 3},
	}
	for name, c := range cases {
		got := fault.Assess(&fitmentv1.AssessFaultRequest{Codes: []string{c.code}, CodeChoices: c.choices, Dialect: c.stated}, fault.Knowledge{Dialect: c.known})
		report := got.GetCodes()[0]
		if got.GetDialect() != c.dialect || report.GetApplied() != c.applied || len(report.GetMeanings()) != c.meanings || report.GetNote() == "" {
			t.Errorf("%s: dialect %q, %v", name, got.GetDialect(), report)
		}
	}
	deployed := fault.Assess(&fitmentv1.AssessFaultRequest{Codes: []string{"B0051"}}, fault.Knowledge{Dialect: "legacy-a"})
	if !strings.Contains(deployed.GetPurchaseReason(), "deployment was commanded") {
		t.Errorf("a commanded deployment is passed over: %s", deployed.GetPurchaseReason())
	}
}

// A failure byte is read in its dialect only. SAE J2012DA (public lists): 19 is
// current above threshold, 04 a system internal failure; maker C's 19 is shorted to
// another loop; one maker's corporate bytes are 01 battery, 02 ground, 04 open. The
// status byte AF of a maker's service text on ISO 14229 has all bits but 4 and 6.
func TestSuffixesBelongToTheirDialect(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ dialect, failure, condition, note string }{
		"B0072-1B":    {"standard", "resistance above threshold", "open or high", "Read in the dialect standard"},
		"B0072-19":    {"standard", "current above threshold", "", "Read"},
		"B0072:19":    {"legacy-c", "shorted to another loop", "", "Read in the dialect legacy-c"},
		"B0072-04":    {"legacy-f", "open circuit", "open or high", "Read"},
		"b0072-04":    {"", "", "", `"system internal failure" in the dialect standard`},
		"B0072-EE":    {"", "", "", "none of those that we list"},
		"B0072-02":    {"standard", "", "", "none of those that we list for the dialect standard"},
		"B0072-1B-AF": {"standard", "resistance above threshold", "open or high", "Read"},
		"B0072:1B-2E": {"standard", "resistance above threshold", "open or high", "was not there when the code was read"},
	}
	for text, c := range cases {
		got := assess(t, &fitmentv1.AssessFaultRequest{Codes: []string{text}, Dialect: c.dialect}).GetCodes()[0]
		if got.GetFailure() != c.failure || got.GetMeanings()[0].GetCondition() != c.condition || !strings.Contains(got.GetNote(), c.note) {
			t.Errorf("%s in %q: %v", text, c.dialect, got)
		}
	}
	status := assess(t, &fitmentv1.AssessFaultRequest{Codes: []string{"P0110:1C-AF"}}).GetCodes()[0].GetStatus()
	if len(status) != 6 || status[0] != "testFailed" || slices.Contains(status, "testNotCompletedSinceLastClear") {
		t.Errorf("status %v", status)
	}
}
