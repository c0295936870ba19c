package repair_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/repair"
)

// A check is left undone only once another one has failed, and then it has neither
// passed nor failed.
func TestAnArrivalCheckLeftUndone(t *testing.T) {
	t.Parallel()
	inspection := func(passed, undone bool) *quotev1.RepairStep {
		step := inspected(usedA, passed, false)
		second := step.GetArrivalInspection().GetResults()[1]
		second.NotDone = undone
		return step
	}
	s := at(t, quotev1.RepairOrder_ORDERED)
	wrong(t, s.record(inspection(true, true)), "step.arrival_inspection.results[1].not_done", "no check failed")
	both := inspection(false, true)
	both.GetArrivalInspection().GetResults()[1].Passed = true
	wrong(t, s.record(both), "step.arrival_inspection.results[1].not_done", "beside passed")
	all := inspection(false, true)
	all.GetArrivalInspection().GetResults()[0].NotDone = true
	wrong(t, s.record(all), "step.arrival_inspection.results[0].not_done", "no check failed")

	step := inspection(false, true)
	before := proto.CloneOf(step.GetArrivalInspection())
	s.must(step)
	if p := s.order.GetPurchases()[0]; p.GetState() != quotev1.Purchase_RETURNING {
		t.Errorf("after a failed check the part is %v", p.GetState())
	}
	if failed, note := repair.Failed(before); len(failed) != 1 || failed[0] != "Read the label." || note != "" {
		t.Errorf("failed are %q, noted %q", failed, note)
	}
}
