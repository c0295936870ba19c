package server_test

import (
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/store"
)

// rewrite changes the job's order in the store behind the server's back.
func (j *job) rewrite(change func(*quotev1.RepairOrder)) {
	j.t.Helper()
	record, err := j.store.Get(j.t.Context(), store.Key{Tenant: "shop-a", Kind: "repair-order", ID: strings.TrimPrefix(j.order.GetName(), "repairOrders/")})
	if err != nil {
		j.t.Fatal(err)
	}
	order := &quotev1.RepairOrder{}
	if err := proto.Unmarshal(record.Value, order); err != nil {
		j.t.Fatal(err)
	}
	change(order)
	raw, err := proto.Marshal(order)
	if err != nil {
		j.t.Fatal(err)
	}
	applied, err := j.store.Apply(j.t.Context(), store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}})
	if err != nil || applied[0].Err != nil {
		j.t.Fatal(err, applied)
	}
}

// Somebody gives the order up, or quotes it anew, between the hold on the next part
// and the record of it: nobody would know of the hold.
func TestAHoldThatLostTheRaceIsGivenBack(t *testing.T) {
	t.Parallel()
	for _, state := range []quotev1.RepairOrder_State{quotev1.RepairOrder_ABANDONED, quotev1.RepairOrder_DIAGNOSED, quotev1.RepairOrder_TO_BUY_NEXT} {
		j := orderedJob(t)
		once := true
		j.fake.set(func() {
			j.fake.after["HoldListing"] = func(string) error {
				if once {
					once = false
					j.rewrite(func(order *quotev1.RepairOrder) { order.State = state })
				}
				return nil
			}
		})
		j.do(j.arrives(partA, false))
		want := "yard-a.1 RETURNING"
		if state == quotev1.RepairOrder_TO_BUY_NEXT { // the same order, written by somebody else: the hold is found again
			want += ", yard-b.1 NEXT"
		}
		j.wantPurchases(want)
		if held := j.held(); once || (len(held) == 1) != (state == quotev1.RepairOrder_TO_BUY_NEXT) {
			t.Errorf("%v: held are %v", state, held)
		}
	}
}

// However much an order holds, it can be brought to its end.
func TestAFullOrderHasAnEnd(t *testing.T) {
	t.Parallel()
	const most = store.MaxValue - 16<<10 - 96<<10
	j := orderedJob(t)
	j.do(j.arrives(partA, false))
	j.rewrite(func(order *quotev1.RepairOrder) {
		order.Complaint = strings.Repeat("x", most) // what is dropped beside it does not count
	})
	j.read()
	refused(t, j.try(readStep()), codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED)
	for range 9 {
		step := abandonStep()
		step.By = strings.Repeat("€", 100)
		step.GetAbandonment().Reason = strings.Repeat("€", 1000)
		j.rewrite(func(order *quotev1.RepairOrder) { order.Steps = append(order.GetSteps(), step) })
	}
	j.read()
	j.do(abandonStep())
}
