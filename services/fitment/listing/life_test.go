package listing_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/apierr"
)

var noon = time.Date(2026, time.March, 2, 12, 0, 0, 0, time.UTC)

// said is what a yard says about a part; makers and models are invented.
func said() *fitmentv1.Listing {
	return &fitmentv1.Listing{
		Name: "listings/hill-yard.B-17", Yard: "hill-yard", StockNumber: "B-17", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
		Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, PartMaker: "Ostrava Restraints", PartNumber: "OR-1234",
		Donor:        &fitmentv1.Vehicle{Vin: "1M8GDM9AXKP042788", Make: "Calder", Model: "Finch", ModelYear: 2006},
		CurrencyCode: "USD", Price: 18000, Terms: &fitmentv1.Terms{Freight: 2500, Days: 3},
		Evidence: []*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "OR-1234", Level: fitmentv1.Evidence_SHOWN, By: "hill-yard", How: "label photo"},
			{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: "1M8GDM9AXKP042788", Level: fitmentv1.Evidence_SHOWN, By: "hill-yard", How: "door label photo"},
		},
	}
}

func wantReason(t *testing.T, err error, want fitmentv1.ErrorInfo_Reason) {
	t.Helper()
	if got := apierr.ReasonOf(err); got != want {
		t.Errorf("got %s (%v), want %s", got, err, want)
	}
}

func must(t *testing.T) func(*fitmentv1.Listing, error) *fitmentv1.Listing {
	t.Helper()
	return func(l *fitmentv1.Listing, err error) *fitmentv1.Listing {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
}

func TestHoldThenSell(t *testing.T) {
	t.Parallel()
	l := listing.New(said(), noon)
	before := proto.Clone(l)
	held := must(t)(listing.Hold(l, "shop-a", 0, noon.Add(time.Hour), noon))
	if !proto.Equal(before, l) {
		t.Error("Hold changed its argument")
	}
	if held.GetState() != fitmentv1.Listing_HELD || held.GetHold().GetFence() != 1 {
		t.Fatalf("held: %v", held)
	}
	_, err := listing.Hold(held, "shop-b", 0, noon.Add(time.Hour), noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
	_, err = listing.Sell(held, "shop-b", 1, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	_, err = listing.Sell(held, "shop-a", 2, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	_, err = listing.Withdraw(held, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)

	sold := must(t)(listing.Sell(held, "shop-a", 1, noon))
	if sold.GetState() != fitmentv1.Listing_SOLD || sold.GetBuyer() != "shop-a" {
		t.Fatalf("sold: %v", sold)
	}
	_, err = listing.Hold(sold, "shop-b", 0, noon.Add(48*time.Hour), noon.Add(47*time.Hour))
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	_, err = listing.Release(sold, "shop-a", 1, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	_, err = listing.Withdraw(sold, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
}

func TestAHoldEndsAtItsEnd(t *testing.T) {
	t.Parallel()
	end := noon.Add(time.Hour)
	held := must(t)(listing.Hold(listing.New(said(), noon), "shop-a", 0, end, noon))
	if got := listing.StateAt(held, end.Add(-time.Nanosecond)); got != fitmentv1.Listing_HELD {
		t.Errorf("just before the end: %s", got)
	}
	if got := listing.StateAt(held, end); got != fitmentv1.Listing_AVAILABLE {
		t.Errorf("at the end: %s", got)
	}
	_, err := listing.Sell(held, "shop-a", 1, end)
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	_, err = listing.Release(held, "shop-a", 1, end)
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	next := must(t)(listing.Hold(held, "shop-b", 0, end.Add(time.Hour), end))
	if next.GetHold().GetFence() != 2 {
		t.Errorf("fence %d, want 2", next.GetHold().GetFence())
	}
	if must(t)(listing.Withdraw(held, end)).GetState() != fitmentv1.Listing_WITHDRAWN {
		t.Error("a listing whose hold ran out can be withdrawn")
	}
}

func TestHoldingAgainNeedsTheFence(t *testing.T) {
	t.Parallel()
	first := must(t)(listing.Hold(listing.New(said(), noon), "shop-a", 0, noon.Add(time.Hour), noon))
	for _, fence := range []int64{0, 2, -1} {
		_, err := listing.Hold(first, "shop-a", fence, noon.Add(2*time.Hour), noon)
		wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
		if !strings.Contains(fmt.Sprint(err), "your own business") {
			t.Errorf("fence %d: %v does not say whose hold it is", fence, err)
		}
	}
	_, err := listing.Hold(first, "shop-b", 1, noon.Add(2*time.Hour), noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
	second := must(t)(listing.Hold(first, "shop-a", 1, noon.Add(2*time.Hour), noon))
	if second.GetHold().GetFence() != 2 || !second.GetHold().GetExpireTime().AsTime().Equal(noon.Add(2*time.Hour)) {
		t.Errorf("extended: %v", second.GetHold())
	}
	_, err = listing.Sell(second, "shop-a", 1, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	must(t)(listing.Sell(second, "shop-a", 2, noon))
	_, err = listing.Hold(second, "shop-a", 2, noon.Add(4*time.Hour), noon.Add(3*time.Hour))
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	must(t)(listing.Hold(second, "shop-a", 0, noon.Add(4*time.Hour), noon.Add(3*time.Hour)))
}

func TestReleaseFrees(t *testing.T) {
	t.Parallel()
	held := must(t)(listing.Hold(listing.New(said(), noon), "shop-a", 0, noon.Add(time.Hour), noon))
	free := must(t)(listing.Release(held, "shop-a", 1, noon))
	_, err := listing.Release(free, "shop-a", 1, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_HOLD_LOST)
	if got := must(t)(listing.Hold(free, "shop-b", 0, noon.Add(time.Hour), noon)).GetHold().GetFence(); got != 2 {
		t.Errorf("fence %d, want 2", got)
	}
}

func TestRevise(t *testing.T) {
	t.Parallel()
	old := must(t)(listing.Hold(listing.New(said(), noon), "shop-a", 0, noon.Add(time.Hour), noon))
	same := said()
	same.State, same.Buyer, same.Etag = fitmentv1.Listing_SOLD, "me", "forged"
	if next, changed, err := listing.Revise(old, same, noon); err != nil || changed || !proto.Equal(next, old) {
		t.Errorf("the same content: changed %t, %v, %v", changed, err, next)
	}
	noted := said()
	noted.Note = "a second photo"
	next, changed, err := listing.Revise(old, noted, noon.Add(time.Minute))
	if err != nil || !changed || next.GetNote() != "a second photo" || next.GetState() != fitmentv1.Listing_HELD ||
		!proto.Equal(next.GetHold(), old.GetHold()) || !proto.Equal(next.GetCreateTime(), old.GetCreateTime()) {
		t.Errorf("changed %t, %v, %v", changed, err, next)
	}
	dearer := said()
	dearer.Price++
	_, _, err = listing.Revise(old, dearer, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
	if _, _, err := listing.Revise(old, dearer, noon.Add(time.Hour)); err != nil {
		t.Errorf("after the hold: %v", err)
	}
	sold := must(t)(listing.Sell(old, "shop-a", 1, noon))
	_, _, err = listing.Revise(sold, noted, noon)
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	if _, changed, err := listing.Revise(sold, said(), noon); err != nil || changed {
		t.Errorf("the same content of a sold listing: %t, %v", changed, err)
	}
}

// TestAHeldPartStaysWhatItIs: between hold and sale the yard may prove more, but
// not turn the part into another one or take back what it said.
func TestAHeldPartStaysWhatItIs(t *testing.T) {
	t.Parallel()
	old := must(t)(listing.Hold(listing.New(said(), noon), "shop-a", 0, noon.Add(time.Hour), noon))
	more := func(e ...*fitmentv1.Evidence) []*fitmentv1.Evidence { return e }
	first, second := said().GetEvidence()[0], said().GetEvidence()[1]
	flood := &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_SHOWN, How: "title"}
	weaker := proto.CloneOf(first)
	weaker.Level = fitmentv1.Evidence_CLAIMED
	for name, c := range map[string]struct {
		change func(*fitmentv1.Listing)
		fine   bool
	}{
		"evidence added":        {func(l *fitmentv1.Listing) { l.Evidence = more(first, second, flood) }, true},
		"evidence put between":  {func(l *fitmentv1.Listing) { l.Evidence = more(first, flood, second) }, true},
		"said twice":            {func(l *fitmentv1.Listing) { l.Evidence = more(first, second, first) }, true},
		"note":                  {func(l *fitmentv1.Listing) { l.Note = "a second photo" }, true},
		"evidence gone":         {func(l *fitmentv1.Listing) { l.Evidence = nil }, false},
		"evidence replaced":     {func(l *fitmentv1.Listing) { l.Evidence = more(first, flood) }, false},
		"evidence weakened":     {func(l *fitmentv1.Listing) { l.Evidence = more(weaker, second) }, false},
		"evidence turned round": {func(l *fitmentv1.Listing) { l.Evidence = more(second, first) }, false},
		"kind":                  {func(l *fitmentv1.Listing) { l.Kind = fitmentv1.Part_KNEE_AIR_BAG }, false},
		"position":              {func(l *fitmentv1.Listing) { l.Position.Side = fitmentv1.Position_LEFT }, false},
		"maker":                 {func(l *fitmentv1.Listing) { l.PartMaker = "Tarn" }, false},
		"number":                {func(l *fitmentv1.Listing) { l.PartNumber = "OR-1235" }, false},
		"donor's VIN":           {func(l *fitmentv1.Listing) { l.Donor.Vin = "" }, false},
		"donor's year":          {func(l *fitmentv1.Listing) { l.Donor.ModelYear++ }, false},
		"currency":              {func(l *fitmentv1.Listing) { l.CurrencyCode = "EUR" }, false},
		"terms":                 {func(l *fitmentv1.Listing) { l.Terms.Freight++ }, false},
		"jurisdiction":          {func(l *fitmentv1.Listing) { l.Jurisdiction = "US-WA" }, false},
	} {
		next := said()
		c.change(next)
		_, changed, err := listing.Revise(old, next, noon)
		if c.fine && (err != nil || !changed) {
			t.Errorf("%s: changed %t, %v", name, changed, err)
		}
		if !c.fine {
			wantReason(t, err, fitmentv1.ErrorInfo_LISTING_HELD)
		}
		if _, changed, err := listing.Revise(old, next, noon.Add(time.Hour)); err != nil || !changed {
			t.Errorf("%s, after the hold: changed %t, %v", name, changed, err)
		}
	}
}

// TestLife walks random lives: fences only rise, what is sold or withdrawn stays
// so, a sale needs the valid hold's holder and fence, and a refusal changes
// nothing.
func TestLife(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		l, now := listing.New(said(), noon), noon
		for range rapid.IntRange(1, 30).Draw(t, "steps") {
			now = now.Add(time.Duration(rapid.IntRange(0, 90).Draw(t, "minutes")) * time.Minute)
			who := rapid.SampledFrom([]string{"shop-a", "shop-b"}).Draw(t, "who")
			fence := rapid.Int64Range(0, l.GetHold().GetFence()+1).Draw(t, "fence")
			valid := l.GetState() == fitmentv1.Listing_HELD && now.Before(l.GetHold().GetExpireTime().AsTime())
			mine := valid && l.GetHold().GetHolder() == who && l.GetHold().GetFence() == fence
			over := l.GetState() == fitmentv1.Listing_SOLD || l.GetState() == fitmentv1.Listing_WITHDRAWN
			before := proto.Clone(l)
			var next *fitmentv1.Listing
			var err error
			allowed := !over
			switch rapid.IntRange(0, 3).Draw(t, "step") {
			case 0:
				next, err = listing.Hold(l, who, fence, now.Add(time.Hour), now)
				allowed = allowed && (mine || (!valid && fence == 0))
				if err == nil && next.GetHold().GetFence() <= l.GetHold().GetFence() {
					t.Fatalf("fence %d after %d", next.GetHold().GetFence(), l.GetHold().GetFence())
				}
			case 1:
				next, err = listing.Release(l, who, fence, now)
				allowed = allowed && mine
			case 2:
				next, err = listing.Sell(l, who, fence, now)
				allowed = allowed && mine
			default:
				next, err = listing.Withdraw(l, now)
				allowed = allowed && !valid
			}
			if (err == nil) != allowed {
				t.Fatalf("allowed %t, got %v", allowed, err)
			}
			if !proto.Equal(before, l) {
				t.Fatal("the argument was changed")
			}
			if err == nil {
				l = next
			}
		}
	})
}
