package cli

import (
	"math"
	"slices"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func TestAnswersToNumberedChecks(t *testing.T) {
	t.Parallel()
	due := []*fitmentv1.ArrivalCheck{{Check: "label"}, {Check: "clip"}, {Check: "loop"}}
	for _, c := range []struct {
		passed, failed, undone []string
		want                   string
	}{
		{[]string{"all"}, nil, nil, "label+ clip+ loop+"},
		{[]string{"all"}, []string{"2=gone = broken"}, nil, "clip-gone = broken label+ loop+"},
		{[]string{"all"}, []string{"2"}, []string{"3=no tool"}, "clip- loop?no tool label+"},
		{[]string{"1", "3"}, []string{"2"}, nil, "clip- label+ loop+"},
		{[]string{"1"}, []string{"2"}, nil, "clip- label+ loop?"}, // nobody says that the loop was looked at
		{nil, []string{"1"}, nil, "label- clip? loop?"},
		{nil, nil, []string{"1"}, "label?"}, // the server refuses it where nothing failed
		{[]string{"3"}, nil, nil, "loop+"},  // the server asks for the others
		{nil, nil, nil, ""},
	} {
		results, err := checkResults(due, c.passed, c.failed, c.undone)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range results {
			sign := map[bool]string{true: "+", false: "-"}[r.GetPassed()]
			if r.GetNotDone() {
				sign = "?"
			}
			got = append(got, r.GetCheck()+sign+r.GetNote())
		}
		if text := strings.Join(got, " "); text != c.want {
			t.Errorf("%v, %v and %v: %q, want %q", c.passed, c.failed, c.undone, text, c.want)
		}
	}
	for _, bad := range []string{"0", "4", "-1", "x", "", "=note", "99999999999999999999"} {
		if _, err := checkResults(due, nil, []string{bad}, nil); err == nil {
			t.Errorf("--failed %q went through", bad)
		} else {
			usage(t, err)
		}
	}
	order := &quotev1.RepairOrder{Purchases: []*quotev1.Purchase{
		{Source: "a", State: quotev1.Purchase_RETURNING, ArrivalChecks: due[:1]}, {Source: "a", State: quotev1.Purchase_BOUGHT, ArrivalChecks: due},
	}}
	if got := dueChecks(order, "a"); len(got) != 3 {
		t.Errorf("due are %v", got)
	}
	if got := dueChecks(order, "b"); got != nil {
		t.Errorf("due are %v", got)
	}
}

// FuzzRepairFlags reads the values of the flags of repair orders: whatever is
// written, it is read as what it says or refused as a wrong command line.
func FuzzRepairFlags(f *testing.F) {
	for _, seed := range []string{
		"kind=buckle-pretensioner,row=1,side=right,ohms=2.1", "kind=driver-air-bag,unreadable=no values", "low=1,high=2,source=data",
		"shorting-clip-present=no", "damage=", "4=clip missing", "all", "=", "",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		loop, err := parseLoop(text)
		usage(t, err)
		if err == nil && loop.Ohms != nil && (math.IsNaN(loop.GetOhms()) || math.IsInf(loop.GetOhms(), 0)) {
			t.Fatalf("%q is a loop of %v ohms", text, loop.GetOhms())
		}
		if err == nil && (loop.GetWindow() != nil) != (strings.Contains(text, "low") || strings.Contains(text, "high")) {
			t.Fatalf("%q has the window %v", text, loop.GetWindow())
		}
		seen, err := parseSaw([]string{text})
		usage(t, err)
		if err == nil && (seen[0].GetValue() != text[strings.IndexByte(text, '=')+1:]) {
			t.Fatalf("%q was seen as %v", text, seen)
		}
		due := []*fitmentv1.ArrivalCheck{{Check: "label"}, {Check: "clip"}}
		results, err := checkResults(due, nil, []string{text}, nil)
		usage(t, err)
		if err == nil && (len(results) != 2 || results[0].GetNotDone() || !results[1].GetNotDone() || !slices.Contains([]string{"label", "clip"}, results[0].GetCheck())) {
			t.Fatalf("%q answers %v", text, results)
		}
	})
}
