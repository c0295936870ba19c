package server_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// action is one call on one listing; done is whether it was acknowledged.
type action struct {
	name, who, verb string
	fence           int64
}

type outcome struct {
	done  bool
	fence int64
}

// slot is what a listing comes to in the model: who holds it by which fence, 0
// for nobody, and whether it is sold.
type slot struct {
	holder string
	fence  int64
	held   bool
	sold   bool
}

// oneListing is the sequential model: what one caller after the other would see.
var oneListing = porcupine.Model{
	Partition: func(history []porcupine.Operation) [][]porcupine.Operation {
		byName := map[string][]porcupine.Operation{}
		for _, op := range history {
			name := op.Input.(action).name
			byName[name] = append(byName[name], op)
		}
		parts := make([][]porcupine.Operation, 0, len(byName))
		for _, part := range byName {
			parts = append(parts, part)
		}
		return parts
	},
	Init: func() any { return slot{} },
	Step: func(state, input, output any) (bool, any) {
		s, in, out := state.(slot), input.(action), output.(outcome)
		mine := s.held && s.holder == in.who && s.fence == in.fence && !s.sold
		next := s
		allowed := mine
		switch in.verb {
		case "hold":
			allowed = mine || (!s.sold && !s.held && in.fence == 0)
			next = slot{holder: in.who, fence: s.fence + 1, held: true}
			if out.done && out.fence != next.fence {
				return false, s
			}
		case "release":
			next.held = false
		case "sell":
			next.held, next.sold = false, true
		}
		if out.done != allowed {
			return false, s
		}
		if !out.done {
			return true, s
		}
		return true, next
	},
	Equal: func(a, b any) bool { return a == b },
}

// recorder notes what callers saw.
type recorder struct {
	mu      sync.Mutex
	start   time.Time
	history []porcupine.Operation
}

func (r *recorder) call(client int, in action, do func() outcome) outcome {
	began := time.Since(r.start)
	out := do()
	ended := time.Since(r.start)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.history = append(r.history, porcupine.Operation{ClientId: client, Input: in, Output: out, Call: int64(began), Return: int64(ended)})
	return out
}

// TestHoldsAndSalesAreLinearizable runs many callers against few listings and
// checks that what they saw is what callers one after the other would have seen.
func TestHoldsAndSalesAreLinearizable(t *testing.T) {
	t.Parallel()
	rounds := 2
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		rounds = 40
	}
	for round := range rounds {
		history := raceOver(t, uint64(round))
		if result := porcupine.CheckOperationsTimeout(oneListing, history, time.Minute); result != porcupine.Ok {
			t.Fatalf("round %d: %s", round, result)
		}
		if result := porcupine.CheckOperationsTimeout(oneListing, forge(history), time.Minute); result != porcupine.Illegal {
			t.Fatalf("round %d: with a forged success: %s", round, result)
		}
	}
}

func raceOver(t *testing.T, seed uint64) []porcupine.Operation {
	t.Helper()
	f := start(t)
	f.stock(t)
	r := &recorder{start: time.Now()}
	var wait sync.WaitGroup
	for client := range 8 {
		wait.Go(func() {
			random := rand.New(rand.NewPCG(seed, uint64(client)))
			who := fmt.Sprintf("shop-%d", client%5)
			fences := map[string]int64{}
			for range 25 {
				in := action{name: fmt.Sprintf("listings/north-yard.fits-%d", 1+random.IntN(3)), who: who}
				in.verb = []string{"hold", "hold", "hold", "release", "release", "release", "sell"}[random.IntN(7)]
				in.fence = max(1, fences[in.name])
				if in.verb == "hold" && random.IntN(3) > 0 {
					in.fence = 0 // a new one, not longer
				}
				out := r.call(client, in, func() outcome { return f.do(t, in) })
				if in.verb == "hold" && out.done {
					fences[in.name] = out.fence
				}
			}
		})
	}
	wait.Wait()
	return r.history
}

func (f *fixture) do(t *testing.T, in action) outcome {
	t.Helper()
	ctx := directly(t.Context(), in.who+" shop")
	switch in.verb {
	case "hold":
		got, err := f.HoldListing(ctx, &fitmentv1.HoldListingRequest{Name: in.name, Minutes: 60, Fence: in.fence, RequestId: newID()})
		return outcome{done: f.expected(t, err), fence: got.GetListing().GetHold().GetFence()}
	case "release":
		_, err := f.ReleaseListing(ctx, &fitmentv1.ReleaseListingRequest{Name: in.name, Fence: in.fence, RequestId: newID()})
		return outcome{done: f.expected(t, err)}
	default:
		_, err := f.SellListing(ctx, &fitmentv1.SellListingRequest{Name: in.name, Fence: in.fence, Need: need(), RequestId: newID()})
		return outcome{done: f.expected(t, err)}
	}
}

// expected tells whether a call was done; a refusal must be one of the three
// that the state of a listing gives.
func (*fixture) expected(t *testing.T, err error) bool {
	t.Helper()
	if err == nil {
		return true
	}
	switch apierr.ReasonOf(err) {
	case fitmentv1.ErrorInfo_LISTING_HELD, fitmentv1.ErrorInfo_LISTING_GONE, fitmentv1.ErrorInfo_HOLD_LOST:
	default:
		t.Errorf("unexpected: %v", err)
	}
	return false
}

// forge adds a success that cannot have been: a second sale of what was sold,
// or where nothing was, a second hold by the fence of the first.
func forge(history []porcupine.Operation) []porcupine.Operation {
	again := func(op porcupine.Operation, in action) []porcupine.Operation {
		return append(slices.Clone(history), porcupine.Operation{
			ClientId: 99, Input: in, Output: op.Output, Call: op.Return + 1, Return: op.Return + 2,
		})
	}
	var held []porcupine.Operation
	for _, op := range history {
		in := op.Input.(action)
		switch {
		case !op.Output.(outcome).done:
		case in.verb == "sell":
			return again(op, in)
		case in.verb == "hold":
			in.who, in.fence = "shop-99", 0
			held = again(op, in)
		}
	}
	return held
}
