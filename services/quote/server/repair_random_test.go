package server_test

import (
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// Whatever fails and whenever, each part is bought once and counted once, only what
// the order names is held, and giving the order up leaves nothing held. Steps are
// recorded, repeated and recorded by others while the fitment side loses questions
// and answers. (A hold that cannot be released ends by itself.) BELTWRIGHT_LONG tries
// 4,000 histories instead of 50.
func TestRandomRepairsLeakNothing(t *testing.T) {
	t.Parallel()
	histories := uint64(50)
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		histories = 4000
	}
	for seed := range histories {
		randomRepair(t, rand.New(rand.NewPCG(seed, 0x5eed)))
		if t.Failed() {
			t.Fatalf("seed %d", seed)
		}
	}
}

// randomRepair records steps at random.
func randomRepair(t *testing.T, die *rand.Rand) {
	t.Helper()
	j := orderedJob(t)
	var last *quotev1.RecordRepairStepRequest
	for range 3 + die.IntN(12) {
		fails := []string{"", "", "HoldListing", "SellListing", "ReturnListing", "GetListing", "Decide"}
		spoilt, after := fails[die.IntN(len(fails))], die.IntN(2) == 0
		j.fake.set(func() {
			clear(j.fake.before)
			clear(j.fake.after)
			fail := j.fake.before
			if after {
				fail = j.fake.after
			}
			if spoilt != "" {
				fail[spoilt] = func(string) error { return status.Error(codes.Unavailable, "down") }
			}
		})
		if die.IntN(4) == 0 {
			j.clock.Advance(80 * time.Hour) // holds end
		}
		j.read()
		request := last
		if last == nil || die.IntN(4) > 0 {
			request = j.request(drawStep(die, j))
		}
		last = request
		if _, err := j.RecordRepairStep(as(t, "shop-a"), proto.CloneOf(request)); status.Code(err) == codes.Unknown && err != nil {
			t.Error(err)
		}
	}
	j.fake.set(func() {
		clear(j.fake.before)
		clear(j.fake.after)
	})
	settleRandom(t, j)
}

// drawStep draws a step that may suit the order.
func drawStep(die *rand.Rand, j *job) *quotev1.RepairStep {
	source := []string{partA, partB, partC, partN}[die.IntN(4)]
	for _, p := range j.order.GetPurchases() {
		if p.GetState() == quotev1.Purchase_BOUGHT || p.GetState() == quotev1.Purchase_NEXT {
			source = p.GetSource()
		}
	}
	switch die.IntN(7) {
	case 0, 1:
		return j.arrives(source, die.IntN(5) == 0)
	case 2, 3, 4:
		return nextStep(source)
	case 5:
		return settledStep(source, 0)
	default:
		return readStep()
	}
}

// settleRandom compares the order with what the yards and the books know, and gives
// it up.
func settleRandom(t *testing.T, j *job) {
	t.Helper()
	j.read()
	// Any step lets what is still to follow happen; this one suits no order.
	_ = j.send(&quotev1.RecordRepairStepRequest{
		Name: j.order.GetName(), Etag: j.order.GetEtag(), RequestId: uuid.NewString(),
		Step: &quotev1.RepairStep{By: "Kim", Step: nextStep("listings/yard-z.9").GetStep()},
	})
	j.read()
	named := make(map[string]bool)
	bought := 0
	for _, p := range j.order.GetPurchases() {
		switch p.GetState() {
		case quotev1.Purchase_NEXT:
			if p.GetHold() != nil {
				named[p.GetSource()] = true
			}
		case quotev1.Purchase_RETURNING:
			if p.GetReturnedAs() == "" && p.GetSource() != partN {
				t.Errorf("the yard of %s was not told", p.GetSource())
			}
			bought++
		default:
			bought++
		}
	}
	for _, name := range j.held() {
		if !named[name] {
			t.Errorf("%s is held and the order does not name it: %s", name, j.purchases())
		}
	}
	if j.order.GetState() != quotev1.RepairOrder_ABANDONED {
		for _, p := range j.order.GetPurchases() { // a sale of which the record was lost is recorded first
			if p.GetState() == quotev1.Purchase_NEXT && j.try(nextStep(p.GetSource())) == nil {
				bought++
			}
		}
		j.do(abandonStep())
	}
	if held := j.held(); len(held) != 0 {
		t.Errorf("given up, and held are %v", held)
	}
	answered := 0
	for _, step := range j.order.GetSteps() {
		if step.GetArrivalInspection() != nil {
			answered++
		}
	}
	if n := len(j.outcomes()); n != answered {
		t.Errorf("%d outcomes of %d inspections", n, answered)
	}
	if n := j.countedBought(); n != bought {
		t.Errorf("%d parts are counted as bought, the order has %d: %s", n, bought, j.purchases())
	}
}

// countedBought is how many purchases are on record.
func (w *world) countedBought() int {
	w.t.Helper()
	records, err := w.store.List(w.t.Context(), "shop-a", "bought", "", 100)
	if err != nil {
		w.t.Fatal(err)
	}
	return len(records)
}
