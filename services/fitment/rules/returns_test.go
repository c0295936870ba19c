package rules_test

import (
	"strings"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	life "beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/check"
)

// sentBack is the listing of a part that its buyer sent back after these checks
// failed and this was seen; nil where that is nothing that can be stated.
func sentBack(t *testing.T, l *fitmentv1.Listing, failed []string, seen ...*fitmentv1.Evidence) *fitmentv1.Listing {
	t.Helper()
	var fields check.Fields
	report := life.Report{By: "shop-z", Report: &fitmentv1.ReturnReport{FailedChecks: failed}, About: rules.ArrivalAttributes}
	report.Seen = life.Seen(seen, "shop-z", l.GetYard(), time.Date(2026, 6, 30, 0, 0, 0, 0, time.UTC), &fields)
	if !fields.OK() {
		return nil
	}
	_, back := life.Return(l, report, "K1-R1", time.Date(2026, 6, 30, 0, 0, 0, 0, time.UTC))
	return back
}

// proves tells whether an answer is a yes that was none before.
func proves(before, after evidence.Answer) bool { return after == yes && before != yes }

// Whatever was checked and seen, a part that came back does not fit, and nothing is
// proven of it that was not before.
func TestAPartThatFailedACheckFitsNoMore(t *testing.T) {
	t.Parallel()
	l := documented()
	before := decide(t, kestrel(), l)
	if before.GetVerdict() != fitmentv1.Decision_FITS {
		t.Fatalf("before: %v", before.GetVerdict())
	}
	tried := 0
	for _, one := range before.GetArrivalChecks() {
		about := rules.ArrivalAttributes(one.GetCheck())
		if len(about) == 0 {
			t.Errorf("nobody knows what %q looks at", one.GetCheck())
		}
		for _, e := range append([]*fitmentv1.Evidence{nil}, goodAndBad(about)...) {
			var seen []*fitmentv1.Evidence
			if e != nil {
				seen = append(seen, e)
			}
			back := sentBack(t, l, []string{one.GetCheck()}, seen...)
			if back == nil {
				continue
			}
			tried++
			after := decide(t, kestrel(), back)
			if after.GetVerdict() == fitmentv1.Decision_FITS || proves(before.GetFit(), after.GetFit()) || proves(before.GetReuse(), after.GetReuse()) {
				t.Errorf("%q failed, %v seen: %v", one.GetCheck(), e, after.GetVerdict())
			}
			if !strings.Contains(strings.Join(after.GetCautions(), " "), one.GetCheck()) {
				t.Errorf("%q failed, and no caution says so: %q", one.GetCheck(), after.GetCautions())
			}
		}
	}
	if tried < 30 {
		t.Errorf("%d cases tried", tried)
	}
	if got := decide(t, kestrel(), sentBack(t, l, []string{"a check of the buyer's own"})).GetVerdict(); got == fitmentv1.Decision_FITS {
		t.Errorf("an unknown check failed: %v", got)
	}
	if got := rules.ArrivalAttributes("a check of the buyer's own"); got != nil {
		t.Errorf("an unknown check looks at %v", got)
	}
}

// goodAndBad are statements for and against a part, about each attribute: a number
// and a loop's value of each, too, though nothing is said of how it was read.
func goodAndBad(about []fitmentv1.Evidence_Attribute) []*fitmentv1.Evidence {
	list := []*fitmentv1.Evidence{}
	for _, attribute := range about {
		values := []string{"K1", "2.1", "OL", "0.1"}
		for _, p := range scenePools {
			if p.attribute == attribute {
				values = append(append(values, p.good), p.others...)
			}
		}
		for _, value := range values {
			list = append(list, &fitmentv1.Evidence{Attribute: attribute, Value: value})
		}
	}
	return list
}

// The same of made-up scenes, in which much is left out or disputed. A no may become
// unknown: what it rested on is in doubt now.
func TestAReturnProvesNothing(t *testing.T) {
	t.Parallel()
	inScenes(t, 7e6, func(d die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		before := q.Decide(l)
		checks := before.GetArrivalChecks()
		failed := checks[d.IntN(len(checks))].GetCheck()
		after := q.Decide(sentBack(t, l, []string{failed}))
		if after.GetVerdict() == fitmentv1.Decision_FITS || proves(before.GetFit(), after.GetFit()) || proves(before.GetReuse(), after.GetReuse()) {
			t.Errorf("%q failed: fit %v and reuse %v became %v and %v", failed, before.GetFit(), before.GetReuse(), after.GetFit(), after.GetReuse())
		}
	})
}
