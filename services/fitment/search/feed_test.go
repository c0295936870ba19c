package search_test

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/store"
)

// short is a store that ends its answers early, as a store may: one that bounds
// an answer's bytes does so whenever records are large.
type short struct {
	store.Store

	// most is how many records the next answer may hold.
	most func() int
	// between happens after every answer but an empty one.
	between func()
}

func (s short) Changes(ctx context.Context, after int64, limit int) ([]store.Record, error) {
	records, err := s.Store.Changes(ctx, after, min(limit, s.most()))
	if s.between != nil && len(records) > 0 {
		s.between()
	}
	return records, err
}

func TestARecallAtTheEndOfShortAnswersIsNotMissed(t *testing.T) {
	t.Parallel()
	b := open(t)
	for i := range 5 {
		b.putListing(t, documented(fmt.Sprintf("s%d", i), "Kestrel", "K-1", 1))
	}
	notice := b.put(t, recallKey("n"), &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "n", Issued: "2026-06-29", PartMaker: "Orbis", PartNumber: "K-1"})
	x := search.New(short{Store: b.store, most: func() int { return 2 }}, rules.DefaultPolicy(), slog.New(slog.DiscardHandler))
	if err := x.Fresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	decided, err := x.Decide(need(), documented("s0", "Kestrel", "K-1", 1), noon)
	if err != nil {
		t.Fatal(err)
	}
	decision, standing := decided.Decision, decided.Standing
	if standing.Catalogue.Version != notice || decision.GetVerdict() != fitmentv1.Decision_BARRED {
		t.Errorf("the index claims %d, has the catalogue of %d and not of %d, and decides %s",
			x.Place().Version, standing.Catalogue.Version, notice, decision.GetVerdict())
	}
}

// TestARecallBehindManyLargeListingsIsNotMissed: here the embedded store itself
// ends its answers by their size.
func TestARecallBehindManyLargeListingsIsNotMissed(t *testing.T) {
	t.Parallel()
	b := open(t)
	large := documented("large", "Kestrel", "K-1", 1)
	large.Note = string(make([]byte, store.MaxValue-10_000))
	value, err := listing.Encode(large)
	if err != nil {
		t.Fatal(err)
	}
	// Forty megabytes.
	for i := range 40 {
		key := listing.Key("north-yard", fmt.Sprintf("large-%d", i))
		if _, err := b.store.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: value}}}); err != nil {
			t.Fatal(err)
		}
	}
	notice := b.put(t, recallKey("n"), &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "n", PartMaker: "Orbis", PartNumber: "K-1"})
	if err := b.index.Fresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	if decided, err := b.index.Decide(need(), large, noon); err != nil || decided.Standing.Catalogue.Version != notice {
		t.Errorf("the index claims %d and has the catalogue of %d, not of %d: %v", b.index.Place().Version, decided.Standing.Catalogue.Version, notice, err)
	}
}

func recallKey(id string) store.Key { return store.Key{Tenant: "common", Kind: "recall", ID: id} }

// TestAnyAnswersGiveTheWholeFeed: answers of any length, with records changing
// between them (and so moving to the feed's end), leave nothing out.
func TestAnyAnswersGiveTheWholeFeed(t *testing.T) {
	t.Parallel()
	b := open(t)
	rapid.Check(t, func(rt *rapid.T) {
		b.empty(t)
		lengths := rapid.SliceOfN(rapid.IntRange(1, 4), 8, 8).Draw(rt, "lengths")
		moves := rapid.SliceOfN(rapid.IntRange(-1, 9), 12, 12).Draw(rt, "moves")
		for i := range 10 {
			b.putListing(t, documented(fmt.Sprintf("s%d", i), "Kestrel", "K-1", 1))
		}
		asked := 0
		x := search.New(short{
			Store: b.store, most: func() int { asked++; return lengths[asked%len(lengths)] },
			between: func() {
				if len(moves) == 0 {
					return
				}
				if moves[0] >= 0 {
					b.putListing(t, documented(fmt.Sprintf("s%d", moves[0]), "Kestrel", "K-1", int64(100+len(moves))))
				}
				moves = moves[1:]
			},
		}, rules.DefaultPolicy(), slog.New(slog.DiscardHandler))
		if err := x.Fresh(t.Context()); err != nil {
			rt.Fatal(err)
		}
		page, err := x.Find(t.Context(), search.Query{Need: need(), Tenant: "shop-a", Size: 100, Now: noon})
		if err != nil || len(page.Donors) != 10 {
			rt.Fatalf("%d donors, %v", len(page.Donors), err)
		}
		for _, d := range page.Donors {
			if want := b.all[d.Listing.GetName()]; !proto.Equal(want, d.Listing) {
				rt.Errorf("%s costs %d, want %d", d.Listing.GetName(), d.Listing.GetPrice(), want.GetPrice())
			}
		}
	})
}

// hooked is a context that runs do once, in the middle of a search: searches ask
// it again and again whether to go on.
type hooked struct {
	context.Context //nolint:containedctx // this is a context

	left int
	do   func()
}

func (h *hooked) Err() error {
	if h.left--; h.left == 0 {
		h.do()
	}
	return h.Context.Err()
}

// claimed is a listing of which nothing is proven: what takes longest to place.
func claimed(stock string, price int64) *fitmentv1.Listing {
	l := documented(stock, "Kestrel", "K-1", price)
	l.Evidence = nil
	return l
}

// stockClaimed lists many such at once.
func (b *bench) stockClaimed(t *testing.T, many int) {
	t.Helper()
	changes := make([]store.Change, many)
	for i := range changes {
		l := claimed(fmt.Sprintf("c%d", i), int64(1+(i*7919)%many))
		value, err := listing.Encode(l)
		if err != nil {
			t.Fatal(err)
		}
		changes[i] = store.Change{Puts: []store.Put{{Key: listing.Key(l.GetYard(), l.GetStockNumber()), Expect: store.Absent, Value: value}}}
	}
	if _, err := b.store.Apply(t.Context(), changes...); err != nil {
		t.Fatal(err)
	}
	if err := b.index.Fresh(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// TestALongSearchKeepsNobodyWaiting: in the middle of a search of thousands of
// listings (20,000 in the long form) others write, decide and search to their
// end, and the search goes on with what it began with.
func TestALongSearchKeepsNobodyWaiting(t *testing.T) {
	t.Parallel()
	b := open(t)
	many := 4000
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		many = 20_000
	}
	b.stockClaimed(t, many)
	meanwhile := make(chan error, 1)
	others := func() error {
		// A write of every kind, so that index and catalogue must both change.
		b.putListing(t, documented("fits", "Kestrel", "K-1", 1))
		b.put(t, recallKey("n"), &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "n", Issued: "2026-06-29", PartMaker: "Orbis", PartNumber: "K-1"})
		if err := b.index.Fresh(t.Context()); err != nil {
			return err
		}
		if decided, err := b.index.Decide(need(), documented("fits", "Kestrel", "K-1", 1), noon); err != nil || decided.Decision.GetVerdict() != fitmentv1.Decision_BARRED {
			return fmt.Errorf("decided %s by the old catalogue: %w", decided.Decision.GetVerdict(), err)
		}
		_ = b.index.Holds("shop-a", "", noon)
		other := need(func(n *fitmentv1.Need) { n.Vehicle.Model = "Merlin" })
		_, err := b.index.Find(t.Context(), search.Query{Need: other, Tenant: "shop-b", Size: 1, Now: noon})
		return err
	}
	ctx := &hooked{Context: t.Context(), left: many / 2, do: func() {
		go func() { meanwhile <- others() }()
		select {
		case err := <-meanwhile:
			if err != nil {
				t.Error(err)
			}
		case <-time.After(time.Minute):
			t.Error("the others wait for the search")
		}
	}}
	page, err := b.index.Find(ctx, search.Query{Need: need(), Tenant: "shop-a", Size: 3, Now: noon})
	if err != nil || ctx.left > 0 {
		t.Fatal(err, ctx.left)
	}
	if page.Stats.Judged != many || len(page.Donors) != 3 {
		t.Errorf("judged %d, found %d", page.Stats.Judged, len(page.Donors))
	}
	for i, d := range page.Donors {
		if d.Decision.GetVerdict() != fitmentv1.Decision_PROVE_FIRST || d.Listing.GetPrice() != int64(i+1) {
			t.Errorf("donor %d: %s at %d; the search shall stand on what it began with", i, d.Decision.GetVerdict(), d.Listing.GetPrice())
		}
	}
	after, err := b.index.Find(t.Context(), search.Query{Need: need(), Tenant: "shop-a", Size: 3, Now: noon})
	if err != nil || len(after.Donors) != 0 {
		t.Errorf("after the recall notice: %d donors, %v", len(after.Donors), err)
	}
}

// TestAPageIsTheBeginningOfTheOrder: whatever the page's size, pages together are
// the whole order.
func TestAPageIsTheBeginningOfTheOrder(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.stockClaimed(t, 60)
	whole := stocks(b.find(t, search.Query{}))
	if len(whole) != 60 {
		t.Fatalf("%d donors", len(whole))
	}
	for _, size := range []int{1, 2, 7, 59, 60, 61} {
		var paged []string
		for q := (search.Query{Size: size}); ; {
			page := b.find(t, q)
			if len(page.Donors) > size {
				t.Fatalf("%d donors on a page of %d", len(page.Donors), size)
			}
			paged = append(paged, stocks(page)...)
			if q.After = page.Next; q.After == nil {
				break
			}
		}
		if !slices.Equal(paged, whole) {
			t.Errorf("pages of %d: %v", size, paged)
		}
	}
}

// TestAPageHasABoundedSize: however many donors are asked for, a page stays below
// what one answer may hold, and the pages together still are all donors.
func TestAPageHasABoundedSize(t *testing.T) {
	t.Parallel()
	b := open(t)
	const many = 40
	for i := range many {
		l := documented(fmt.Sprintf("s%d", i), "Kestrel", "K-1", int64(i))
		l.Note = strings.Repeat("x", 500_000) // more than a yard may write, so that few are enough
		b.putListing(t, l)
	}
	var seen []string
	pages := 0
	for q := (search.Query{Size: 1000}); ; pages++ {
		page := b.find(t, q)
		size := 0
		for _, d := range page.Donors {
			size += proto.Size(d.Listing) + proto.Size(d.Decision)
		}
		if size > 8<<20 || len(page.Donors) == 0 {
			t.Fatalf("page %d has %d donors of %d bytes", pages, len(page.Donors), size)
		}
		seen = append(seen, stocks(page)...)
		if q.After = page.Next; q.After == nil {
			break
		}
	}
	if slices.Sort(seen); len(slices.Compact(seen)) != many || pages < 2 {
		t.Errorf("%d of %d donors on %d pages", len(seen), many, pages+1)
	}
}

// TestTheNextPageCostsLess: what was ranked for one page is not ranked again for
// the next, unless it, the need, the day or the catalogue is another.
func TestTheNextPageCostsLess(t *testing.T) {
	t.Parallel()
	b := open(t)
	const many = 300
	b.stockClaimed(t, many)
	judged := func(q search.Query) int {
		t.Helper()
		q.Size = 3
		return b.find(t, q).Stats.Judged
	}
	cost := func(what string, q search.Query, want int) {
		t.Helper()
		if got := judged(q); got != want {
			t.Errorf("%s: ranked %d, want %d", what, got, want)
		}
	}
	cost("the first page", search.Query{}, many)
	first := b.find(t, search.Query{Size: 3})
	cost("the second", search.Query{After: first.Next}, 0)
	cost("another caller", search.Query{Tenant: "shop-z"}, 0)
	cost("the next day", search.Query{Now: noon.AddDate(0, 0, 1)}, many)
	other := need(func(n *fitmentv1.Need) { n.PartNumber = "K-1" })
	cost("another need", search.Query{Need: other}, many)
	b.putListing(t, claimed("c0", 5))
	b.putListing(t, documented("new", "Kestrel", "K-1", 1))
	cost("one changed and one new", search.Query{}, 2)
	b.put(t, recallKey("n"), &fitmentv1.Recall{Name: "recalls/n", Type: fitmentv1.Recall_NOTICE, Number: "n", Issued: "2026-06-29", PartMaker: "Orbis", PartNumber: "K-1"})
	cost("another catalogue", search.Query{}, many+1)

	// A caller whose time runs out leaves what was ranked to the next.
	fresh := search.New(b.store, rules.DefaultPolicy(), slog.New(slog.DiscardHandler))
	if err := fresh.Fresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	q := search.Query{Need: need(), Tenant: "shop-a", Size: 3, Now: noon}
	if _, err := fresh.Find(&hooked{Context: ctx, left: 281, do: cancel}, q); err == nil {
		t.Error("a search without time ended well")
	}
	if page, err := fresh.Find(t.Context(), q); err != nil || page.Stats.Judged != many+1-280 {
		t.Errorf("afterwards: ranked %d, %v", page.Stats.Judged, err)
	}
}

func TestHoldsAreCounted(t *testing.T) {
	t.Parallel()
	b := open(t)
	for stock, left := range map[string]time.Duration{"live-1": time.Hour, "live-2": time.Minute, "over": 0} {
		l := documented(stock, "Kestrel", "K-1", 1)
		hold(l, "shop-a", left)
		b.putListing(t, l)
	}
	other := documented("other", "Kestrel", "K-1", 1)
	hold(other, "shop-b", time.Hour)
	b.putListing(t, other)
	count := func(tenant, butFor string, now time.Time) int {
		t.Helper()
		if err := b.index.Fresh(t.Context()); err != nil {
			t.Fatal(err)
		}
		return b.index.Holds(tenant, butFor, now)
	}
	for _, c := range []struct {
		tenant, butFor string
		at             time.Time
		want           int
	}{
		{"shop-a", "", noon, 2},
		{"shop-a", listing.Name("north-yard", "live-1"), noon, 1},
		{"shop-a", "", noon.Add(time.Minute), 1},
		{"shop-b", "", noon, 1},
		{"shop-c", "", noon, 0},
		{"", "", noon, 0},
	} {
		if got := count(c.tenant, c.butFor, c.at); got != c.want {
			t.Errorf("%+v: %d", c, got)
		}
	}
	freed := documented("live-1", "Kestrel", "K-1", 1)
	freed.Hold = &fitmentv1.Hold{Holder: "shop-a", Fence: 1} // the last hold stays in the record
	b.putListing(t, freed)
	sold := documented("live-2", "Merlin", "K-2", 1)
	sold.State = fitmentv1.Listing_SOLD
	b.putListing(t, sold)
	moved := proto.CloneOf(other)
	moved.Hold.Holder = "shop-a"
	b.putListing(t, moved)
	if a, z := count("shop-a", "", noon), count("shop-b", "", noon); a != 1 || z != 0 {
		t.Errorf("after changes: %d and %d", a, z)
	}
}
