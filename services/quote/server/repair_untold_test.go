package server_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// The yard's side refuses what was seen of a part that comes back: the part goes
// back without it, and the order says so until the return is settled.
func TestRefusedEvidenceIsSaid(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	calls := 0
	j.fake.set(func() {
		j.fake.before["ReturnListing"] = func(string) error {
			if calls++; calls > 1 {
				return nil
			}
			return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: "evidence[0].value", Problem: "is no yes or no", Expected: "yes or no"})
		}
	})
	step := j.arrives(partA, false)
	step.GetArrivalInspection().Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DAMAGE, Value: "puce", How: "seen"}}
	j.do(step)
	told := func() bool {
		return slices.ContainsFunc(j.order.GetNext(), func(said string) bool {
			return strings.Contains(said, "What was seen of "+partA+" was refused and did not go to its yard (evidence[0].value is no yes or no)")
		})
	}
	if calls != 2 || j.order.GetPurchases()[0].GetReturnedAs() != partA+"-R1" || !told() {
		t.Errorf("after %d calls it comes back as %q, next %q", calls, j.order.GetPurchases()[0].GetReturnedAs(), j.order.GetNext())
	}
	if back := j.fake.listing(partA + "-R1"); len(back.GetEvidence()) != len(j.fake.listing(partA).GetEvidence()) {
		t.Errorf("it comes back with %v", back.GetEvidence())
	}
	j.do(nextStep(partB))
	if !told() {
		t.Errorf("after another step the order does not say it any more: %q", j.order.GetNext())
	}
	refused(t, j.try(closingStep()), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	j.do(settledStep(partA, 0))
	if told() {
		t.Errorf("the return is settled, and next is %q", j.order.GetNext())
	}
	clean := orderedJob(t)
	clean.do(clean.arrives(partA, false))
	if strings.Contains(strings.Join(clean.order.GetNext(), " "), "was refused") {
		t.Errorf("nothing was refused, and next is %q", clean.order.GetNext())
	}
}
