package fault_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/platform/check"
)

const (
	justified    = fitmentv1.AssessFaultResponse_JUSTIFIED
	notYet       = fitmentv1.AssessFaultResponse_NOT_YET
	notJustified = fitmentv1.AssessFaultResponse_NOT_JUSTIFIED
)

func assess(t *testing.T, req *fitmentv1.AssessFaultRequest) *fitmentv1.AssessFaultResponse {
	t.Helper()
	var fields check.Fields
	fault.Validate(req, nil, &fields)
	if !fields.OK() {
		t.Fatalf("refused: %v", fields.Violations())
	}
	got := fault.Assess(req, fault.Knowledge{})
	if problem := sanity(req, got); problem != "" {
		t.Fatal(problem)
	}
	return got
}

// sanity is what every answer owes, whatever was asked.
func sanity(req *fitmentv1.AssessFaultRequest, got *fitmentv1.AssessFaultResponse) string {
	sum, last := 0.0, math.Inf(1)
	for _, s := range got.GetSuspects() {
		p := s.GetProbability()
		if math.IsNaN(p) || p < 0 || p > 1 || p > last || s.GetReason() == "" {
			return fmt.Sprintf("suspect %v after one of %g", s, last)
		}
		sum, last = sum+p, p
	}
	if math.Abs(sum-1) > 1e-9 {
		return fmt.Sprintf("probabilities sum to %g", sum)
	}
	if len(got.GetReadings()) != len(req.GetReadings()) || len(got.GetCodes()) != len(req.GetCodes()) || len(got.GetTests()) != len(req.GetTests()) {
		return "something was dropped"
	}
	for i, r := range got.GetTests() {
		if int(r.GetIndex()) != i || r.GetFinding() == fitmentv1.LoopTestReport_FINDING_UNSPECIFIED || r.GetReason() == "" || r.GetSource() == "" {
			return fmt.Sprintf("test %d: %v", i, r)
		}
	}
	if w := got.GetWait(); w.GetText() == "" || w.GetSource() == "" || got.GetLikelihoods() == "" {
		return fmt.Sprintf("wait %v, likelihoods %q", w, got.GetLikelihoods())
	}
	for i, r := range got.GetReadings() {
		asked := req.GetReadings()[i]
		if r.GetKind() != asked.GetKind() || r.GetMethod() != asked.GetMethod() || r.GetReason() == "" || r.GetClass() == fitmentv1.ReadingReport_CLASS_UNSPECIFIED {
			return fmt.Sprintf("reading %d: %v", i, r)
		}
		for _, x := range []float64{r.GetCorrectedOhms(), r.GetStandardUncertaintyOhms(), r.GetConformanceProbability()} {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return fmt.Sprintf("reading %d: %v", i, r)
			}
		}
		if m := asked.GetMethod(); (m == atPart || m == atHarness) && asked.GetShortingClip() != fitmentv1.Reading_OUT && r.GetClass() != unusable {
			return fmt.Sprintf("reading %d was used although the clip is not known to be out", i)
		}
	}
	if next := got.GetNextTest(); next != nil {
		text := strings.ToLower(next.GetText())
		if strings.Contains(text, "meter") || next.GetExpectedBits() <= 0 || next.GetMinutes() <= 0 || next.GetSource() == "" {
			return fmt.Sprintf("next test %v", next)
		}
	}
	if got.GetPurchase() == fitmentv1.AssessFaultResponse_PURCHASE_UNSPECIFIED || got.GetPurchaseReason() == "" || len(got.GetCautions()) < 4 {
		return fmt.Sprintf("no answer on buying, or no cautions: %v", got)
	}
	return ""
}

func probability(got *fitmentv1.AssessFaultResponse, c fitmentv1.Suspect_Component, kind fitmentv1.Part_Kind) float64 {
	sum := 0.0
	for _, s := range got.GetSuspects() {
		if s.GetComponent() == c && s.GetKind() == kind {
			sum += s.GetProbability()
		}
	}
	return sum
}

func TestAnOpenPretensionerIsCondemned(t *testing.T) {
	t.Parallel()
	var req fitmentv1.AssessFaultRequest
	err := protojson.Unmarshal([]byte(`{"vehicle":{"make":"Tolvane","model":"Two","modelYear":2006,"driveSide":"LEFT"},"codes":["B0058"],
		"readings":[{"kind":"BUCKLE_PRETENSIONER","position":{"row":1,"side":"RIGHT"},"method":"METER_AT_COMPONENT","ohms":17000000,
		"meter":{"percentOfReading":0.9,"counts":2,"resolutionOhms":0.1},"leadOhms":0.2,"shortingClip":"OUT","batteryOffMinutes":12}]}`), &req)
	if err != nil {
		t.Fatal(err)
	}
	got := assess(t, &req)
	code := got.GetCodes()[0]
	if code.GetHex() != "8058" || len(code.GetMeanings()) != 2 || code.GetApplied() != "" {
		t.Errorf("a meaning was picked: %v", code)
	}
	reading := got.GetReadings()[0]
	// Computed: half-widths 0.009·17e6 + 0.2 and 0.009·0.2 + 0.2, each over √3.
	want := math.Hypot((0.009*17e6+0.2)/math.Sqrt(3), (0.009*0.2+0.2)/math.Sqrt(3))
	if reading.GetClass() != open || math.Abs(reading.GetCorrectedOhms()-16999999.8) > 1e-3 || math.Abs(reading.GetStandardUncertaintyOhms()-want) > 1e-6 || reading.GetConformanceProbability() > 1e-9 {
		t.Errorf("reading %v", reading)
	}
	// The posterior by hand: prior × chance of "open" at the part's connector.
	weights := []float64{0.38 * 0.55, 0.27 * 0.01, 0.15 * 0.003, 0.06 * 0.25, 0.06 * 0.003, 0.08 * 0.003}
	sum := 0.0
	for _, w := range weights {
		sum += w
	}
	top := got.GetSuspects()[0]
	if top.GetComponent() != fitmentv1.Suspect_PART || top.GetKind() != buckle || top.GetPosition().GetSide() != fitmentv1.Position_RIGHT || math.Abs(top.GetProbability()-weights[0]/sum) > 1e-12 {
		t.Errorf("top suspect %v, want the part with %g", top, weights[0]/sum)
	}
	if got.GetPurchase() != justified {
		t.Errorf("purchase %v: %s", got.GetPurchase(), got.GetPurchaseReason())
	}
	if cautions := strings.Join(got.GetCautions(), " "); !strings.Contains(cautions, "20 minutes") || !strings.Contains(cautions, "12 minutes") || !strings.Contains(cautions, "forbids an ohmmeter") || !strings.Contains(cautions, "never makes a part safe") {
		t.Errorf("cautions %s", cautions)
	}
}

func TestOfTwoLoopsAtOneSeatTheOpenOneIsCondemnedAndTheOtherCleared(t *testing.T) {
	t.Parallel()
	for _, swapped := range []bool{false, true} {
		readings := []*fitmentv1.Reading{metered(side, atPart, 2.1), metered(buckle, atPart, 17e6)}
		if swapped {
			readings[0], readings[1] = readings[1], readings[0]
		}
		got := assess(t, &fitmentv1.AssessFaultRequest{Readings: readings})
		bad, good := probability(got, fitmentv1.Suspect_PART, buckle), probability(got, fitmentv1.Suspect_PART, side)
		if got.GetPurchase() != justified || bad < 0.9 || good > 0.001 {
			t.Errorf("purchase %v, pretensioner %g, air bag %g", got.GetPurchase(), bad, good)
		}
		if reason := got.GetPurchaseReason(); !strings.Contains(reason, "at fault: buckle pretensioner") || !strings.Contains(reason, "Cleared by what was read: side air bag") {
			t.Error(reason)
		}
	}
}

func TestPurchase(t *testing.T) {
	t.Parallel()
	atDisplayEnd := func() *fitmentv1.Reading {
		return with(reported(buckle, byModule, 6.6), func(r *fitmentv1.Reading) { r.DisplayLimitOhms = new(6.6) })
	}
	clipIn := func(ohms float64) *fitmentv1.Reading {
		return with(metered(buckle, atPart, ohms), func(r *fitmentv1.Reading) { r.ShortingClip = fitmentv1.Reading_IN })
	}
	leads := func(r *fitmentv1.Reading) *fitmentv1.Reading {
		r.LeadOhms = new(0.2)
		return r
	}
	chosen := []*fitmentv1.CodeChoice{{Code: "B0058", Meaning: "legacy-a.B0058"}}
	cases := map[string]struct {
		codes    []string
		choices  []*fitmentv1.CodeChoice
		readings []*fitmentv1.Reading
		want     fitmentv1.AssessFaultResponse_Purchase
	}{
		"a code alone":                           {[]string{"B0058"}, nil, nil, notYet},
		"a code alone, meaning stated":           {[]string{"B0058"}, chosen, nil, notYet},
		"high by the module alone":               {nil, nil, []*fitmentv1.Reading{atDisplayEnd()}, notYet},
		"high, in range with a load":             {nil, nil, []*fitmentv1.Reading{atDisplayEnd(), reported(buckle, withLoad, 2)}, justified},
		"code stated, in range with a load":      {[]string{"B0058"}, chosen, []*fitmentv1.Reading{reported(buckle, withLoad, 2)}, justified},
		"code not stated, in range with a load":  {[]string{"B0058"}, nil, []*fitmentv1.Reading{reported(buckle, withLoad, 2)}, notYet},
		"code stated, module contradicts itself": {[]string{"B0058"}, chosen, []*fitmentv1.Reading{atDisplayEnd(), reported(buckle, byModule, 2), reported(buckle, withLoad, 2)}, notYet},
		"high, high with a load":                 {nil, nil, []*fitmentv1.Reading{atDisplayEnd(), reported(buckle, withLoad, 6.6)}, notJustified},
		"in range at the part":                   {nil, nil, []*fitmentv1.Reading{metered(buckle, atPart, 2)}, notJustified},
		"open with the clip in":                  {nil, nil, []*fitmentv1.Reading{clipIn(17e6)}, notYet},
		"open at the part, still bad with load":  {nil, nil, []*fitmentv1.Reading{metered(buckle, atPart, 17e6), reported(buckle, withLoad, 6.6)}, notYet},
		"contradicting at the part":              {nil, nil, []*fitmentv1.Reading{metered(buckle, atPart, 17e6), metered(buckle, atPart, 2)}, notYet},
		"open harness, which is as it should be": {nil, nil, []*fitmentv1.Reading{metered(buckle, atHarness, 17e6)}, notYet},
		"both loops open, leads conduct":         {nil, nil, []*fitmentv1.Reading{leads(metered(buckle, atPart, 17e6)), leads(metered(side, atPart, 17e6))}, justified},
		"both loops open, leads not known":       {nil, nil, []*fitmentv1.Reading{metered(buckle, atPart, 17e6), metered(side, atPart, 17e6)}, notYet},
	}
	for name, c := range cases {
		got := assess(t, &fitmentv1.AssessFaultRequest{Codes: c.codes, CodeChoices: c.choices, Readings: c.readings})
		if got.GetPurchase() != c.want {
			t.Errorf("%s: %v (%s), suspects %v", name, got.GetPurchase(), got.GetPurchaseReason(), got.GetSuspects()[0])
		}
	}
}

func TestRepeatingAReadingAddsNothing(t *testing.T) {
	t.Parallel()
	once := assess(t, &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{reported(buckle, byModule, 5.5)}})
	var many []*fitmentv1.Reading
	for range 20 {
		many = append(many, reported(buckle, byModule, 5.5))
	}
	often := assess(t, &fitmentv1.AssessFaultRequest{Readings: many})
	for i, s := range once.GetSuspects() {
		if math.Abs(s.GetProbability()-often.GetSuspects()[i].GetProbability()) > 1e-12 {
			t.Errorf("suspect %d: %g once, %g twenty times", i, s.GetProbability(), often.GetSuspects()[i].GetProbability())
		}
	}
}

func TestMeaningsAreAppliedOnlyWhereTheyAreSettled(t *testing.T) {
	t.Parallel()
	cases := map[string]struct{ choice, applied string }{
		"B0058":    {"", ""},
		"B0051":    {"", ""},
		"B1883":    {"", ""}, // one meaning, a maker's own
		"B0072":    {"", "standard.B0072"},
		"B0072-1B": {"", "standard.B0072"},
		"B0100":    {"legacy-d.B0100", "legacy-d.B0100"},
		"b0059":    {"legacy-a.B0059", "legacy-a.B0059"},
	}
	for code, c := range cases {
		req := &fitmentv1.AssessFaultRequest{Codes: []string{code}}
		if c.choice != "" {
			req.CodeChoices = []*fitmentv1.CodeChoice{{Code: code, Meaning: c.choice}}
		}
		got := assess(t, req).GetCodes()[0]
		if got.GetApplied() != c.applied || got.GetCode() != code || got.GetNote() == "" {
			t.Errorf("%s: %v, want %q applied", code, got, c.applied)
		}
	}
	deployed := assess(t, &fitmentv1.AssessFaultRequest{Codes: []string{"B0051"}, CodeChoices: []*fitmentv1.CodeChoice{{Code: "B0051", Meaning: "legacy-a.B0051"}}})
	if !strings.Contains(deployed.GetPurchaseReason(), "deployment was commanded") {
		t.Errorf("a commanded deployment is passed over: %s", deployed.GetPurchaseReason())
	}
}

// SAE J2012DA (public lists) says 1A is resistance below, 1B above; 19 is read
// otherwise by one maker and so used for nothing.
func TestFailureBytes(t *testing.T) {
	t.Parallel()
	for code, condition := range map[string]string{
		"B0072-1A": "low or shorted", "B0072-1B": "open or high", "B0072-13": "open or high", "B0072-15": "short to battery or open",
		"B0072-11": "short to ground", "B0072-12": "short to battery", "B0072-19": "", "B0072-04": "", "B0072": "",
	} {
		got := assess(t, &fitmentv1.AssessFaultRequest{Codes: []string{code}}).GetCodes()[0]
		if m := got.GetMeanings()[0]; m.GetCondition() != condition {
			t.Errorf("%s: %q, want %q", code, m.GetCondition(), condition)
		}
	}
}

// The expected information of the substitute-load test, computed from the
// assessor's own answers: entropy now, less its mean after each outcome.
func TestExpectedInformationIsTheDropInEntropy(t *testing.T) {
	t.Parallel()
	before := []*fitmentv1.Reading{reported(buckle, byModule, 6)}
	now := assess(t, &fitmentv1.AssessFaultRequest{Readings: before})
	next := now.GetNextTest()
	if next.GetId() != "substitute-load" || next.GetKind() != buckle {
		t.Fatalf("next test %v", next)
	}
	table := fault.DefaultModel().Readings[withLoad]
	expected := entropy(now)
	for outcome, ohms := range []float64{5000, 6, 2.1, 0.95, 0} {
		chance := 0.0
		for _, s := range now.GetSuspects() {
			chance += s.GetProbability() * table[s.GetComponent()][outcome]
		}
		after := assess(t, &fitmentv1.AssessFaultRequest{Readings: append(before[:1:1], reported(buckle, withLoad, ohms))})
		expected -= chance * entropy(after)
	}
	if math.Abs(expected-next.GetExpectedBits()) > 1e-9 {
		t.Errorf("%g bits, want %g", next.GetExpectedBits(), expected)
	}
}

func entropy(got *fitmentv1.AssessFaultResponse) float64 {
	bits := 0.0
	for _, s := range got.GetSuspects() {
		if p := s.GetProbability(); p > 0 {
			bits -= p * math.Log2(p)
		}
	}
	return bits
}

func TestATestThatWasMadeIsNotAskedForAgain(t *testing.T) {
	t.Parallel()
	readings := []*fitmentv1.Reading{reported(buckle, byModule, 6)}
	asked := map[string]bool{}
	for range 2 {
		next := assess(t, &fitmentv1.AssessFaultRequest{Readings: readings}).GetNextTest()
		if next == nil || asked[next.GetId()] {
			t.Fatalf("next test %v after %v", next, asked)
		}
		asked[next.GetId()] = true
		readings = append(readings, reported(buckle, withLoad, 6))
	}
	if !asked["substitute-load"] {
		t.Errorf("the substitute load was not asked for: %v", asked)
	}
}

func TestEveryBadFieldIsNamed(t *testing.T) {
	t.Parallel()
	reading := func(change func(*fitmentv1.Reading)) *fitmentv1.AssessFaultRequest {
		return &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{with(metered(buckle, atPart, 2), change)}}
	}
	number := func(set func(*fitmentv1.Reading, float64)) []*fitmentv1.AssessFaultRequest {
		var all []*fitmentv1.AssessFaultRequest
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 1e300} {
			all = append(all, reading(func(r *fitmentv1.Reading) { set(r, bad) }))
		}
		return all
	}
	one := func(req *fitmentv1.AssessFaultRequest) []*fitmentv1.AssessFaultRequest {
		return []*fitmentv1.AssessFaultRequest{req}
	}
	coded := func(codes []string, choices ...*fitmentv1.CodeChoice) []*fitmentv1.AssessFaultRequest {
		return one(&fitmentv1.AssessFaultRequest{Codes: codes, CodeChoices: choices})
	}
	test := func(change func(*fitmentv1.LoopTest)) []*fitmentv1.AssessFaultRequest {
		t := loopTest(buckle, fitmentv1.LoopTest_UNPLUG, isOpen, isLow)
		change(t)
		return one(&fitmentv1.AssessFaultRequest{Tests: []*fitmentv1.LoopTest{t}})
	}
	cases := map[string][]*fitmentv1.AssessFaultRequest{
		"readings[0].ohms":                     number(func(r *fitmentv1.Reading, x float64) { r.Ohms = &x }),
		"readings[0].lead_ohms":                number(func(r *fitmentv1.Reading, x float64) { r.LeadOhms = &x }),
		"readings[0].battery_off_minutes":      number(func(r *fitmentv1.Reading, x float64) { r.BatteryOffMinutes = &x }),
		"readings[0].display_limit_ohms":       number(func(r *fitmentv1.Reading, x float64) { r.Method, r.DisplayLimitOhms = byModule, &x }),
		"readings[0].meter.percent_of_reading": number(func(r *fitmentv1.Reading, x float64) { r.Meter.PercentOfReading = x }),
		"readings[0].meter.counts":             number(func(r *fitmentv1.Reading, x float64) { r.Meter.Counts = x }),
		"readings[0].meter.resolution_ohms": append(number(func(r *fitmentv1.Reading, x float64) { r.Meter.ResolutionOhms = x }),
			reading(func(r *fitmentv1.Reading) { r.Meter.ResolutionOhms = 0 })),
		"readings[0].over_range":    one(reading(func(r *fitmentv1.Reading) { r.OverRange = true })),
		"readings[0].kind":          one(reading(func(r *fitmentv1.Reading) { r.Kind = 99 })),
		"readings[0].method":        one(reading(func(r *fitmentv1.Reading) { r.Method = 0 })),
		"readings[0].shorting_clip": one(reading(func(r *fitmentv1.Reading) { r.ShortingClip = 9 })),
		"readings[0].position.row":  one(reading(func(r *fitmentv1.Reading) { r.Position.Row = -1 })),
		"readings[0].stage": append(one(reading(func(r *fitmentv1.Reading) { r.Stage = -1 })),
			reading(func(r *fitmentv1.Reading) { r.Stage = 9 })),
		"readings[0].position.side": one(reading(func(r *fitmentv1.Reading) { r.Position.Side = 7 })),
		"codes":                     append(coded(nil), coded(make([]string, 65))...),
		"codes[1]":                  coded([]string{"B0058", "SRS-0012"}),
		"code_choices[0].code":      coded([]string{"B0058"}, &fitmentv1.CodeChoice{Code: "B0059", Meaning: "legacy-a.B0059"}),
		"code_choices[0].meaning": append(coded([]string{"B0058"}, &fitmentv1.CodeChoice{Code: "B0058", Meaning: "legacy-z.B0058"}),
			&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, CodeChoices: []*fitmentv1.CodeChoice{{Code: "B0058", Meaning: "standard.B0058"}}, Dialect: "legacy-a"}),
		"code_choices[1].code": coded([]string{"B0058"}, &fitmentv1.CodeChoice{Code: "B0058", Meaning: "legacy-a.B0058"},
			&fitmentv1.CodeChoice{Code: "B0058", Meaning: "standard.B0058"}),
		"codes[0]":               coded([]string{"B0058-1A-AF-00"}),
		"dialect":                one(&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Dialect: "legacy-z"}),
		"tests":                  one(&fitmentv1.AssessFaultRequest{Tests: make([]*fitmentv1.LoopTest, 65)}),
		"tests[0]":               one(&fitmentv1.AssessFaultRequest{Tests: []*fitmentv1.LoopTest{nil}}),
		"tests[0].kind":          test(func(t *fitmentv1.LoopTest) { t.Kind = 0 }),
		"tests[0].method":        append(test(func(t *fitmentv1.LoopTest) { t.Method = 0 }), test(func(t *fitmentv1.LoopTest) { t.Method = 3 })...),
		"tests[0].before":        test(func(t *fitmentv1.LoopTest) { t.Before = 0 }),
		"tests[0].after":         append(test(func(t *fitmentv1.LoopTest) { t.After = 0 }), test(func(t *fitmentv1.LoopTest) { t.After = 5 })...),
		"tests[0].position.row":  test(func(t *fitmentv1.LoopTest) { t.Position = &fitmentv1.Position{Row: 10} }),
		"tests[0].position.side": test(func(t *fitmentv1.LoopTest) { t.Position = &fitmentv1.Position{Side: 7} }),
		"window.high_ohms":       one(&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Window: &fitmentv1.ResistanceWindow{LowOhms: 3, HighOhms: 2}}),
		"vehicle.model_year":     one(&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Vehicle: &fitmentv1.Vehicle{ModelYear: 1066}}),
		"vehicle.vin":            one(&fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}, Vehicle: &fitmentv1.Vehicle{Vin: "1"}}),
		"readings":               one(&fitmentv1.AssessFaultRequest{Readings: make([]*fitmentv1.Reading, 65)}),
	}
	for field, requests := range cases {
		for i, req := range requests {
			var fields check.Fields
			fault.Validate(req, nil, &fields)
			if got := fields.Violations(); len(got) != 1 || got[0].Field != field || got[0].Problem == "" || got[0].Expected == "" {
				t.Errorf("%s, case %d: violations %v", field, i, got)
			}
		}
	}
	var fields check.Fields
	fault.ValidateReading(nil, "evidence[3].reading.", &fields)
	if got := fields.Violations(); len(got) != 1 || got[0].Field != "evidence[3].reading" {
		t.Errorf("no reading at all: %v", got)
	}
	if got := fault.Assess(&fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{nil}}, fault.Knowledge{}); got.GetReadings()[0].GetClass() != unusable {
		t.Errorf("no reading at all was used: %v", got.GetReadings()[0])
	}
}

func anyReading(t *rapid.T) *fitmentv1.Reading {
	r := &fitmentv1.Reading{
		Kind:     fitmentv1.Part_Kind(rapid.Int32Range(1, 13).Draw(t, "kind")),
		Position: &fitmentv1.Position{Row: rapid.Int32Range(0, 3).Draw(t, "row"), Side: fitmentv1.Position_Side(rapid.Int32Range(0, 3).Draw(t, "side"))},
		Method:   fitmentv1.Reading_Method(rapid.Int32Range(1, 4).Draw(t, "method")), ShortingClip: fitmentv1.Reading_Clip(rapid.Int32Range(0, 3).Draw(t, "clip")),
	}
	if rapid.Bool().Draw(t, "over") {
		r.OverRange = true
		return r
	}
	ohms := rapid.OneOf(rapid.Float64Range(0, 10), rapid.Float64Range(0, 1e9)).Draw(t, "ohms")
	r.Ohms = &ohms
	if rapid.Bool().Draw(t, "meter") {
		r.Meter = &fitmentv1.Meter{PercentOfReading: rapid.Float64Range(0, 5).Draw(t, "percent"), Counts: rapid.Float64Range(0, 9).Draw(t, "counts"), ResolutionOhms: 0.1}
	}
	if rapid.Bool().Draw(t, "lead") {
		r.LeadOhms = new(rapid.Float64Range(0, 1).Draw(t, "leads"))
	}
	return r
}

func anyTest(t *rapid.T) *fitmentv1.LoopTest {
	one := loopTest(fitmentv1.Part_Kind(rapid.Int32Range(1, 13).Draw(t, "kind")), fitmentv1.LoopTest_Method(rapid.Int32Range(1, 2).Draw(t, "method")),
		fitmentv1.LoopTest_State(rapid.Int32Range(1, 4).Draw(t, "before")), fitmentv1.LoopTest_State(rapid.Int32Range(1, 4).Draw(t, "after")))
	one.Position = &fitmentv1.Position{Row: rapid.Int32Range(0, 3).Draw(t, "row"), Side: fitmentv1.Position_Side(rapid.Int32Range(0, 3).Draw(t, "side"))}
	return one
}

func TestEveryAnswerIsSane(t *testing.T) {
	t.Parallel()
	codes := rapid.SampledFrom([]string{"B0058", "B0051", "B0072", "B0072-1B", "B00D2", "B0100", "B1883", "B2293", "C0035", "B3123", "B0020"})
	rapid.Check(t, func(t *rapid.T) {
		req := &fitmentv1.AssessFaultRequest{
			Vehicle: &fitmentv1.Vehicle{DriveSide: fitmentv1.Vehicle_DriveSide(rapid.Int32Range(0, 2).Draw(t, "drive"))},
			Codes:   rapid.SliceOfN(codes, 1, 4).Draw(t, "codes"),
		}
		for range rapid.IntRange(0, 6).Draw(t, "readings") {
			req.Readings = append(req.Readings, anyReading(t))
		}
		for range rapid.IntRange(0, 3).Draw(t, "tests") {
			req.Tests = append(req.Tests, anyTest(t))
		}
		req.Dialect = rapid.SampledFrom([]string{"", "", "standard", "legacy-a", "legacy-c", "legacy-e"}).Draw(t, "dialect")
		var fields check.Fields
		fault.Validate(req, nil, &fields)
		if !fields.OK() {
			t.Fatalf("refused: %v", fields.Violations())
		}
		before := proto.Clone(req)
		got := fault.Assess(req, fault.Knowledge{})
		if problem := sanity(req, got); problem != "" {
			t.Fatal(problem)
		}
		if !proto.Equal(before, req) {
			t.Fatal("the request was changed")
		}
		if got.GetPurchase() == justified {
			proved := slices.ContainsFunc(got.GetTests(), func(r *fitmentv1.LoopTestReport) bool {
				return r.GetFinding() == fitmentv1.LoopTestReport_PART_OR_CONTACT && req.GetTests()[r.GetIndex()].GetMethod() == fitmentv1.LoopTest_SUBSTITUTE_LOAD
			})
			for i, r := range got.GetReadings() {
				proved = proved || (r.GetClass() != unusable && req.GetReadings()[i].GetMethod() != atHarness)
			}
			if !proved {
				t.Fatalf("justified by nothing: %v", got)
			}
		}
	})
}

func FuzzAssess(f *testing.F) {
	f.Add("B0058", 17e6, 0.2, 0.9, 2.0, 0.1, 6.6, int32(1), int32(3), int32(1), false)
	f.Fuzz(func(t *testing.T, code string, ohms, lead, percent, counts, resolution, limit float64, kind, method, clip int32, over bool) {
		r := &fitmentv1.Reading{
			Kind: fitmentv1.Part_Kind(kind), Method: fitmentv1.Reading_Method(method), ShortingClip: fitmentv1.Reading_Clip(clip),
			OverRange: over, LeadOhms: &lead, Meter: &fitmentv1.Meter{PercentOfReading: percent, Counts: counts, ResolutionOhms: resolution},
		}
		if !over {
			r.Ohms = &ohms
		}
		if r.GetMethod() == byModule || r.GetMethod() == withLoad {
			r.DisplayLimitOhms = &limit
		}
		req := &fitmentv1.AssessFaultRequest{
			Codes: []string{code}, Readings: []*fitmentv1.Reading{r, metered(side, atPart, 2)},
			Tests: []*fitmentv1.LoopTest{loopTest(r.GetKind(), fitmentv1.LoopTest_Method(method), fitmentv1.LoopTest_State(clip), fitmentv1.LoopTest_State(kind))},
		}
		if over {
			req.Dialect = "legacy-a"
		}
		var fields check.Fields
		fault.Validate(req, nil, &fields)
		got := fault.Assess(req, fault.Knowledge{})
		if !fields.OK() {
			return
		}
		if problem := sanity(req, got); problem != "" {
			t.Error(problem)
		}
	})
}

func TestACodeSpeaksOfItsOwnLoopAndAsLoudlyAsItIsBelieved(t *testing.T) {
	t.Parallel()
	silent := func(s fitmentv1.Position_Side) *fitmentv1.Reading {
		return with(metered(buckle, atPart, 2), func(r *fitmentv1.Reading) {
			r.Position.Side, r.ShortingClip = s, fitmentv1.Reading_UNKNOWN
		})
	}
	readings := []*fitmentv1.Reading{silent(fitmentv1.Position_LEFT), silent(fitmentv1.Position_RIGHT)}
	left := &fitmentv1.Vehicle{DriveSide: fitmentv1.Vehicle_LEFT}
	right := func(req *fitmentv1.AssessFaultRequest) float64 {
		req.Readings, req.Vehicle = readings, left
		for _, s := range assess(t, req).GetSuspects() {
			if s.GetComponent() == fitmentv1.Suspect_PART && s.GetPosition().GetSide() == fitmentv1.Position_RIGHT {
				return s.GetProbability()
			}
		}
		t.Fatal("the right loop is no suspect")
		return 0
	}
	// B0072 is the passenger's pretensioner, right in a left-hand-drive vehicle.
	nothing := right(&fitmentv1.AssessFaultRequest{})
	guessed := right(&fitmentv1.AssessFaultRequest{Codes: []string{"B0072"}})
	stated := right(&fitmentv1.AssessFaultRequest{Codes: []string{"B0072"}, CodeChoices: []*fitmentv1.CodeChoice{{Code: "B0072", Meaning: "standard.B0072"}}})
	twice := right(&fitmentv1.AssessFaultRequest{Codes: []string{"B0072", "b0072"}})
	elsewhere := right(&fitmentv1.AssessFaultRequest{Codes: []string{"B0079"}})
	if elsewhere >= nothing || nothing >= guessed || guessed >= stated || math.Abs(twice-guessed) > 1e-12 {
		t.Errorf("another loop's code %g, none %g, meaning not stated %g (twice %g), stated %g", elsewhere, nothing, guessed, twice, stated)
	}
}

func TestTheNextTestIsTheOneWorthItsMinutes(t *testing.T) {
	t.Parallel()
	req := &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{reported(buckle, byModule, 6)}}
	model := fault.DefaultModel()
	for i := range model.Tests {
		if model.Tests[i].ID == "substitute-load" {
			model.Tests[i].Minutes = 1000
		}
	}
	if cheap, dear := fault.Assess(req, fault.Knowledge{}).GetNextTest(), fault.Assess(req, fault.Knowledge{Model: model}).GetNextTest(); cheap.GetId() != "substitute-load" || dear.GetId() == "substitute-load" || dear == nil {
		t.Errorf("at 15 minutes %v, at 1000 minutes %v", cheap, dear)
	}
	model.LeastBits = 10
	if got := fault.Assess(req, fault.Knowledge{Model: model}).GetNextTest(); got != nil {
		t.Errorf("a test of too little information is named: %v", got)
	}
}
