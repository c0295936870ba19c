package server_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/store"
)

// faults makes the nth step of a call fail, before or after it is done: a change of
// the store or a call of the fitment service.
type faults struct {
	left   int
	before bool
}

func (f *faults) hit() bool {
	f.left--
	return f.left == 0
}

// breakOnce lets one step fail; a negative number lets none.
func (w *world) breakOnce(f *faults) {
	failed := status.Error(codes.Unavailable, "connection reset")
	w.store.failWith(func([]store.Change) (bool, error) {
		w.fake.mu.Lock()
		defer w.fake.mu.Unlock()
		if f.hit() {
			return f.before, errors.New("the disk is gone")
		}
		return false, nil
	})
	w.fake.set(func() {
		hook := func(string) error {
			if f.hit() {
				return failed
			}
			return nil
		}
		hooks := w.fake.after
		if f.before {
			hooks = w.fake.before
		}
		for _, method := range []string{"HoldListing", "ReleaseListing", "SellListing", "Decide", "FindDonors", "GetListing"} {
			hooks[method] = hook
		}
	})
}

func (w *world) mend() {
	w.store.failWith(nil)
	w.fake.set(func() { clear(w.fake.before); clear(w.fake.after) })
}

// call makes a request with a step that fails, and repeats it until its fate is
// known, as callers are told to.
func (w *world) call(t *rapid.T, do func() error) error {
	f := &faults{left: rapid.IntRange(-1, 14).Draw(t, "failing step"), before: rapid.Bool().Draw(t, "before it is done")}
	w.breakOnce(f)
	err := do()
	w.mend()
	for range 5 {
		if status.Code(err) != codes.Unavailable {
			return err
		}
		err = do()
	}
	if status.Code(err) == codes.Unavailable {
		t.Fatalf("still not known: %v", err)
	}
	return err
}

// Whatever is done to quotes in whatever order, and whatever fails in between: once
// callers have repeated what they were not answered, every listing is held by at
// most one open quote and by nothing else, what is sold was accepted, numbers have
// no gaps, and every open quote can be accepted.
func TestQuotesInAnyOrder(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		w := newWorld(t)
		var listings []string
		for i := range rapid.IntRange(2, 3).Draw(rt, "listings of each kind") {
			for _, kind := range []fitmentv1.Part_Kind{buckle, spring} {
				price := int64(rapid.IntRange(50, 150).Draw(rt, "price")) * 100
				yard := fmt.Sprintf("yard-%d", rapid.IntRange(0, 2).Draw(rt, "yard"))
				listings = append(listings, w.listKind(kind, yard, fmt.Sprint(int(kind), "-", i), price, 12_00))
			}
		}
		var known []*quotev1.Quote
		for range rapid.IntRange(1, 8).Draw(rt, "steps") {
			known = w.randomStep(rt, known)
		}
		w.clock.Advance(7 * time.Minute) // what a call gave up holding briefly has ended
		w.settleQuotes(rt, listings)
		w.numbered(rt)
		for _, q := range w.quotes(quotev1.Quote_OPEN) {
			if _, err := w.acceptLines(q); err != nil {
				rt.Errorf("%s cannot be accepted: %v", q.GetName(), err)
			}
		}
		w.settleQuotes(rt, listings)
	})
}

// randomStep does one thing to one quote and returns the quotes that are known.
func (w *world) randomStep(t *rapid.T, known []*quotev1.Quote) []*quotev1.Quote {
	ctx, id := as(w.t, "shop-a"), uuid.NewString()
	ask := request()
	if rapid.Bool().Draw(t, "two lines") {
		ask = repair()
	}
	var made *quotev1.Quote
	action := rapid.SampledFrom([]string{"prepare", "draft", "issue", "revise", "accept", "accept line 1", "decline", "wait", "dearer"}).Draw(t, "action")
	if len(known) == 0 && action != "draft" {
		action = "prepare"
	}
	var q *quotev1.Quote
	if len(known) > 0 {
		q = known[rapid.IntRange(0, len(known)-1).Draw(t, "quote")]
	}
	err := w.call(t, func() error {
		switch action {
		case "prepare", "draft":
			ask.RequestId, ask.Draft = id, action == "draft"
			answer, err := w.PrepareQuote(ctx, ask)
			made = answer.GetQuote()
			return err
		case "issue":
			answer, err := w.IssueQuote(ctx, &quotev1.IssueQuoteRequest{Name: q.GetName(), RequestId: id})
			made = answer.GetQuote()
			return err
		case "revise":
			again := proto.CloneOf(ask)
			again.RequestId = ""
			answer, err := w.ReviseQuote(ctx, &quotev1.ReviseQuoteRequest{Name: q.GetName(), Prepare: again, RequestId: id})
			made = answer.GetQuote()
			return err
		case "accept", "accept line 1":
			r := &quotev1.AcceptQuoteRequest{Name: q.GetName(), RequestId: id}
			if action != "accept" {
				r.Lines = []int32{1}
			}
			return second(w.AcceptQuote(ctx, r))
		case "decline":
			return second(w.DeclineQuote(ctx, &quotev1.DeclineQuoteRequest{Name: q.GetName(), RequestId: id}))
		case "wait":
			w.clock.Advance(time.Duration(rapid.IntRange(1, 40).Draw(t, "hours")) * time.Hour)
		case "dearer":
			w.fake.set(func() {
				for _, d := range w.fake.donors {
					d.Listing.Price += 100
				}
			})
		}
		return nil
	})
	if code := status.Code(err); err != nil && code != codes.FailedPrecondition && code != codes.Aborted {
		t.Fatalf("%s: %v", action, err)
	}
	if made != nil && err == nil {
		known = append(known, made)
	}
	return known
}
