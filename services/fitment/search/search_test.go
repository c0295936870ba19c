package search_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/basis"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var noon = time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC)

// bench is an index over a store, and beside it a plain model of what the store
// holds. Makers, makes, models and numbers are invented.
type bench struct {
	store store.Store
	index *search.Index
	cat   *catalogue.Catalogue
	all   map[string]*fitmentv1.Listing
}

func open(tb testing.TB) *bench {
	tb.Helper()
	st := embeddedtest.Open(tb, tb.TempDir(), embedded.Options{Now: func() time.Time { return noon }, NoSync: true})
	b := &bench{
		store: st, index: search.New(st, rules.DefaultPolicy(), slog.New(slog.DiscardHandler)),
		cat: catalogue.New(), all: map[string]*fitmentv1.Listing{},
	}
	right := []*fitmentv1.Position{{Row: 1, Side: fitmentv1.Position_RIGHT}}
	use := func(model string) []*fitmentv1.Part_Application {
		return []*fitmentv1.Part_Application{{Make: "Velorn", Model: model, YearFrom: 2004, YearTo: 2006}}
	}
	connector := &fitmentv1.Connector{Interface: "Type 2", Keying: "B", Cavities: 2}
	for id, record := range map[string]proto.Message{
		"part/orbis.K1":     &fitmentv1.Part{Name: "parts/orbis.K1", Maker: "Orbis", Number: "K-1", Kind: buckle, Positions: right, Connector: connector, Stages: 1, Applications: use("Kestrel")},
		"part/orbis.K2":     &fitmentv1.Part{Name: "parts/orbis.K2", Maker: "Orbis", Number: "K-2", Kind: buckle, Positions: right, Connector: connector, Stages: 1},
		"part/orbis.X1":     &fitmentv1.Part{Name: "parts/orbis.X1", Maker: "Orbis", Number: "X-1", Kind: buckle, Positions: right, Connector: connector, Stages: 1, Applications: use("Merlin")},
		"supersession/k":    &fitmentv1.Supersession{Name: "supersessions/k", Maker: "Orbis", OldNumber: "K-1", NewNumber: "K-2"},
		"supersession/old":  &fitmentv1.Supersession{Name: "supersessions/old", Maker: "Orbis", OldNumber: "Q-1", NewNumber: "Q-2"},
		"supersession/next": &fitmentv1.Supersession{Name: "supersessions/next", Maker: "Orbis", OldNumber: "Q-2", NewNumber: "Q-3", YearTo: 2010},
		"recall/cover":      &fitmentv1.Recall{Name: "recalls/cover", Type: fitmentv1.Recall_COVERAGE, Number: "set", AsOf: "2026-06-20", PartMaker: "Orbis"},
	} {
		b.putCatalogue(tb, id, record)
	}
	return b
}

const buckle = fitmentv1.Part_BUCKLE_PRETENSIONER

func (b *bench) put(tb testing.TB, key store.Key, record proto.Message) int64 {
	tb.Helper()
	value, err := proto.Marshal(record)
	if err != nil {
		tb.Fatal(err)
	}
	applied, err := b.store.Apply(tb.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: store.Whatever, Value: value}}})
	if err != nil || applied[0].Err != nil {
		tb.Fatal(err, applied)
	}
	return applied[0].Versions[0]
}

func (b *bench) putCatalogue(tb testing.TB, id string, record proto.Message) {
	tb.Helper()
	kind, id, _ := strings.Cut(id, "/")
	b.put(tb, store.Key{Tenant: catalogue.Tenant, Kind: kind, ID: id}, record)
	var err error
	switch m := record.(type) {
	case *fitmentv1.Part:
		err = b.cat.PutPart(m)
	case *fitmentv1.Supersession:
		err = b.cat.PutSupersession(m)
	case *fitmentv1.Recall:
		err = b.cat.PutRecall(m)
	}
	if err != nil {
		tb.Fatal(err)
	}
}

func (b *bench) putListing(tb testing.TB, l *fitmentv1.Listing) int64 {
	tb.Helper()
	b.all[l.GetName()] = l
	return b.put(tb, listing.Key(l.GetYard(), l.GetStockNumber()), l)
}

// documented is a listing of a part from a car, everything about it shown.
func documented(stock, model, number string, price int64) *fitmentv1.Listing {
	l := &fitmentv1.Listing{
		Name: listing.Name("north-yard", stock), Yard: "north-yard", StockNumber: stock, Kind: buckle, State: fitmentv1.Listing_AVAILABLE,
		Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, PartMaker: "Orbis", PartNumber: number,
		Donor:        &fitmentv1.Vehicle{Make: "Velorn", Model: model, ModelYear: 2005, DriveSide: fitmentv1.Vehicle_LEFT, Market: "US"},
		CurrencyCode: "USD", Price: price, Jurisdiction: "US-WA",
	}
	for _, e := range [][2]string{
		{"PART_NUMBER", number},
		{"LABEL_LEGIBLE", "yes"},
		{"DONOR_VIN", "1G4AH59H45G118341"},
		{"SHORTING_CLIP_PRESENT", "yes"},
		{"PIGTAIL_CUT", "no"},
		{"DEPLOYMENT_MARKS", "no"},
		{"CRASH_RECORD", "no"},
		{"DEPLOYMENT_CODE", "no"},
		{"PULLED_BY", "J. Field"},
		{"BELT_IN_USE_COLLISION", "no"},
		{"FLOOD", "no"},
		{"FIRE", "no"},
		{"DAMAGE", "no"},
		{"DONOR_DRIVE_SIDE", "LEFT"},
		{"DONOR_MODEL_YEAR", "2005"},
	} {
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{
			Attribute: fitmentv1.Evidence_Attribute(fitmentv1.Evidence_Attribute_value[e[0]]), Value: e[1],
			Level: fitmentv1.Evidence_SHOWN, How: "photo",
		})
	}
	l.Evidence = append(l.Evidence, &fitmentv1.Evidence{
		Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: fitmentv1.Evidence_SHOWN, How: "read-out",
		Reading: &fitmentv1.Reading{
			Kind: buckle, Position: l.GetPosition(), Method: fitmentv1.Reading_MODULE_REPORTED, Ohms: new(2.1),
			Meter: &fitmentv1.Meter{PercentOfReading: 1, Counts: 1, ResolutionOhms: 0.1}, DisplayLimitOhms: new(6.3),
		},
	})
	return l
}

func need(changes ...func(*fitmentv1.Need)) *fitmentv1.Need {
	n := &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "velorn", Model: " KESTREL ", ModelYear: 2005, DriveSide: fitmentv1.Vehicle_LEFT},
		Kind:    buckle, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
		Jurisdiction: "US-WA",
	}
	for _, change := range changes {
		change(n)
	}
	return n
}

func (b *bench) find(tb testing.TB, q search.Query) search.Page {
	tb.Helper()
	if err := b.index.Fresh(tb.Context()); err != nil {
		tb.Fatal(err)
	}
	if q.Need == nil {
		q.Need = need()
	}
	if q.Tenant == "" {
		q.Tenant = "shop-a"
	}
	if q.Size == 0 {
		q.Size = 1000
	}
	if q.Now.IsZero() {
		q.Now = noon
	}
	page, err := b.index.Find(tb.Context(), q)
	if err != nil {
		tb.Fatal(err)
	}
	return page
}

func stocks(page search.Page) []string {
	var names []string
	for _, d := range page.Donors {
		names = append(names, d.Listing.GetStockNumber())
	}
	return names
}

// TestASearchTouchesOnlyWhatMatches: in a stock of ten thousand listings of
// other cars a search looks at its own matches and nothing else.
func TestASearchTouchesOnlyWhatMatches(t *testing.T) {
	t.Parallel()
	b := open(t)
	var changes []store.Change
	for i := range 10_000 {
		l := documented(fmt.Sprintf("other-%d", i), fmt.Sprintf("Model %d", i%200), "X-1", 100)
		value, err := listing.Encode(l)
		if err != nil {
			t.Fatal(err)
		}
		changes = append(changes, store.Change{Puts: []store.Put{{Key: listing.Key(l.GetYard(), l.GetStockNumber()), Expect: store.Whatever, Value: value}}})
	}
	if _, err := b.store.Apply(t.Context(), changes...); err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		b.putListing(t, documented(fmt.Sprintf("match-%d", i), "Kestrel", "K-1", int64(100+i)))
	}
	b.putListing(t, documented("elsewhere", "Merlin", "K-2", 1))
	page := b.find(t, search.Query{Size: 5})
	const matches, constant = 21, 0
	if page.Stats.Touched > matches+constant || page.Stats.Judged > page.Stats.Touched {
		t.Errorf("touched %d and judged %d of 10,021 listings, with %d matches", page.Stats.Touched, page.Stats.Judged, matches)
	}
	if got := stocks(page); !slices.Equal(got, []string{"elsewhere", "match-0", "match-1", "match-2", "match-3"}) || page.Next == nil {
		t.Errorf("found %v", got)
	}
}

func TestFoundByWhat(t *testing.T) {
	t.Parallel()
	b := open(t)
	folded := documented("folded", "  kestrel", "k.1", 1)
	folded.Donor.Make = "VELAR"
	noSide := documented("no-side", "Kestrel", "", 2)
	noSide.Position, noSide.Evidence = nil, nil
	onLabel := documented("on-label", "Merlin", "", 3)
	onLabel.Evidence[0].Value = "K-1"
	for _, l := range []*fitmentv1.Listing{
		folded, noSide, onLabel,
		documented("superseding", "Other", "K-2", 4), documented("replaced", "Other", "Q-1", 5), documented("replaces", "Other", "Q-2", 6), documented("replaces-that", "Other", "Q-3", 6),
		documented("unrelated", "Other", "Z-9", 7),
	} {
		b.putListing(t, l)
	}
	left := documented("left", "Kestrel", "Z-8", 8)
	left.Position.Side = fitmentv1.Position_LEFT
	b.putListing(t, left)
	other := documented("other-kind", "Kestrel", "Z-7", 9)
	other.Kind = fitmentv1.Part_KNEE_AIR_BAG
	b.putListing(t, other)

	found := func(n *fitmentv1.Need) []string {
		names := stocks(b.find(t, search.Query{Need: n, Unsuitable: true}))
		slices.Sort(names)
		return names
	}
	if got, want := found(need()), []string{"folded", "no-side", "on-label", "superseding"}; !slices.Equal(got, want) {
		t.Errorf("found %v, want %v", got, want)
	}
	byLabel := need(func(n *fitmentv1.Need) { n.PartMaker, n.PartNumber = "Orbis", "q/1" })
	if got, want := found(byLabel), []string{"folded", "no-side", "on-label", "replaced", "replaces", "replaces-that", "superseding"}; !slices.Equal(got, want) {
		t.Errorf("with the number on the old part: found %v, want %v", got, want)
	}
	later := proto.CloneOf(onLabel)
	later.Evidence[0].Value, later.Donor.Model = "Z-1", "Other"
	b.putListing(t, later)
	gone := proto.CloneOf(folded)
	gone.State = fitmentv1.Listing_WITHDRAWN
	b.putListing(t, gone)
	if got, want := found(need()), []string{"no-side", "superseding"}; !slices.Equal(got, want) {
		t.Errorf("after changes: found %v, want %v", got, want)
	}
	b.putListing(t, folded)
	if got, want := found(need()), []string{"folded", "no-side", "superseding"}; !slices.Equal(got, want) {
		t.Errorf("listed again: found %v, want %v", got, want)
	}
}

// draw is a random listing, some of it like the need and some not.
func draw(t *rapid.T, i int) *fitmentv1.Listing {
	pick := func(name string, from ...string) string { return rapid.SampledFrom(from).Draw(t, name) }
	l := documented(fmt.Sprintf("s%02d", i), pick("model", "Kestrel", "kestrel", "Merlin", ""), pick("number", "K-1", "k1", "K-2", "X-1", "Q-2", "Q-3", ""), int64(rapid.IntRange(1, 4).Draw(t, "price")))
	if l.GetPartNumber() == "" {
		l.Evidence = l.GetEvidence()[1:]
	}
	l.CurrencyCode = pick("currency", "USD", "EUR")
	l.PartMaker = pick("maker", "Orbis", "", "Tarn")
	l.Position.Side = rapid.SampledFrom([]fitmentv1.Position_Side{0, fitmentv1.Position_LEFT, fitmentv1.Position_RIGHT, fitmentv1.Position_RIGHT}).Draw(t, "side")
	l.Kind = rapid.SampledFrom([]fitmentv1.Part_Kind{buckle, buckle, buckle, fitmentv1.Part_KNEE_AIR_BAG}).Draw(t, "kind")
	// Forget or spoil some of the evidence.
	for range rapid.IntRange(0, 2).Draw(t, "spoilt") {
		e := l.GetEvidence()[rapid.IntRange(0, len(l.GetEvidence())-1).Draw(t, "which")]
		if e.GetReading() == nil {
			e.Level = fitmentv1.Evidence_CLAIMED
		}
	}
	if rapid.IntRange(0, 5).Draw(t, "deployed") == 0 {
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DEPLOYMENT_MARKS, Value: "yes", Level: fitmentv1.Evidence_CONFIRMED, By: "x"})
	}
	switch rapid.IntRange(0, 7).Draw(t, "state") {
	case 0:
		l.State = fitmentv1.Listing_SOLD
	case 1:
		l.State = fitmentv1.Listing_WITHDRAWN
	case 2:
		hold(l, pick("holder", "shop-a", "shop-b"), time.Duration(rapid.IntRange(-1, 1).Draw(t, "hours"))*time.Hour)
	}
	return l
}

// scan finds what Find should, by looking at everything and deciding it afresh.
// It knows nothing of the index: whether a listing may be a donor is written
// out here once more.
func (b *bench) scan(n *fitmentv1.Need, tenant string, unsuitable bool) []*fitmentv1.Listing {
	number := func(text string) string {
		return strings.ToUpper(strings.NewReplacer(" ", "", "-", "", ".", "", "/", "").Replace(text))
	}
	right := []string{"K1", "K2"}
	if n.GetPartNumber() != "" {
		right = append(right, number(n.GetPartNumber()))
		if chain := []string{"Q1", "Q2", "Q3"}; slices.Contains(chain, number(n.GetPartNumber())) {
			right = append(right, chain[slices.Index(chain, number(n.GetPartNumber())):]...)
		}
	}
	type decided struct {
		l    *fitmentv1.Listing
		rank int
		mins float64
	}
	var found []decided
	for _, l := range b.all {
		byCar := strings.EqualFold(strings.TrimSpace(l.GetDonor().GetMake()), "velorn") && strings.EqualFold(strings.TrimSpace(l.GetDonor().GetModel()), "kestrel") &&
			l.GetKind() == n.GetKind() && l.GetPosition().GetSide() != fitmentv1.Position_LEFT
		byNumber := slices.Contains(right, number(l.GetPartNumber()))
		for _, e := range l.GetEvidence() {
			byNumber = byNumber || (e.GetAttribute() == fitmentv1.Evidence_PART_NUMBER && slices.Contains(right, number(e.GetValue())))
		}
		free := l.GetState() == fitmentv1.Listing_AVAILABLE ||
			(l.GetState() == fitmentv1.Listing_HELD && (l.GetHold().GetHolder() == tenant || !l.GetHold().GetExpireTime().AsTime().After(noon)))
		d := rules.Decide(n, l, b.cat, rules.DefaultPolicy(), noon.Truncate(24*time.Hour))
		fits := d.GetVerdict() == fitmentv1.Decision_FITS // is found however it is listed
		rank := slices.Index([]fitmentv1.Decision_Verdict{fitmentv1.Decision_FITS, fitmentv1.Decision_PROVE_FIRST, fitmentv1.Decision_DOES_NOT_FIT, fitmentv1.Decision_BARRED}, d.GetVerdict())
		if free && (byCar || byNumber || fits) && (unsuitable || rank < 2) {
			found = append(found, decided{l, rank, d.GetExpectedMinutes()})
		}
	}
	slices.SortFunc(found, func(x, y decided) int {
		return cmp.Or(cmp.Compare(x.rank, y.rank), cmp.Compare(x.mins, y.mins), cmp.Compare(x.l.GetCurrencyCode(), y.l.GetCurrencyCode()),
			cmp.Compare(x.l.GetPrice(), y.l.GetPrice()), cmp.Compare(x.l.GetName(), y.l.GetName()))
	})
	list := make([]*fitmentv1.Listing, 0, len(found))
	for _, d := range found {
		list = append(list, d.l)
	}
	return list
}

// TestFindAgreesWithAFullScan on random stocks: the same donors in the same
// order, and everything that fits is found.
func TestFindAgreesWithAFullScan(t *testing.T) {
	t.Parallel()
	b := open(t)
	rapid.Check(t, func(rt *rapid.T) {
		for i := range rapid.IntRange(1, 12).Draw(rt, "listings") {
			b.putListing(t, draw(rt, i))
		}
		n := need()
		if rapid.Bool().Draw(rt, "stated") {
			n.PartNumber, n.PartMaker = rapid.SampledFrom([]string{"K-1", "Q-1", "Q-2"}).Draw(rt, "old number"), rapid.SampledFrom([]string{"", "Orbis"}).Draw(rt, "old maker")
		}
		unsuitable := rapid.Bool().Draw(rt, "unsuitable")
		var want []string
		for _, l := range b.scan(n, "shop-a", unsuitable) {
			want = append(want, l.GetStockNumber())
		}
		page := b.find(t, search.Query{Need: n, Unsuitable: unsuitable})
		if got := stocks(page); !slices.Equal(got, want) {
			rt.Fatalf("found %v, want %v", got, want)
		}
		for _, d := range page.Donors {
			want := rules.Decide(n, d.Listing, b.cat, rules.DefaultPolicy(), noon.Truncate(24*time.Hour))
			digest, err := basis.Digest(n, d.Listing, basis.From(rules.DefaultPolicy()).Facts(n, d.Listing, b.cat))
			if want.Basis.Facts = digest; err != nil || !proto.Equal(want, d.Decision) {
				rt.Fatalf("%s is decided %v, want %v", d.Listing.GetName(), d.Decision, want)
			}
		}
	})
}

// TestPagingUnderChange: while pages are read, listings come, go, are held and
// cost more; those that stay as they were are all seen, each once, in order.
func TestPagingUnderChange(t *testing.T) {
	t.Parallel()
	b := open(t)
	rapid.Check(t, func(rt *rapid.T) {
		b.empty(t)
		total := rapid.IntRange(5, 20).Draw(rt, "listings")
		for i := range total {
			b.putListing(t, draw(rt, i))
		}
		var want []string
		for _, l := range b.scan(need(), "shop-a", true) {
			want = append(want, l.GetStockNumber())
		}
		changed := map[string]bool{}
		var got []string
		q := search.Query{Unsuitable: true, Size: rapid.IntRange(1, 5).Draw(rt, "size")}
		for {
			page := b.find(t, q)
			got = append(got, stocks(page)...)
			if q.After = page.Next; q.After == nil {
				break
			}
			for range rapid.IntRange(0, 3).Draw(rt, "changes") {
				l := draw(rt, rapid.IntRange(0, total+5).Draw(rt, "which"))
				changed[l.GetStockNumber()] = true
				b.putListing(t, l)
			}
		}
		steady := func(list []string) []string {
			return slices.DeleteFunc(slices.Clone(list), func(stock string) bool { return changed[stock] })
		}
		if !slices.Equal(steady(got), steady(want)) {
			rt.Fatalf("steady listings seen %v, want %v (changed meanwhile: %v)", steady(got), steady(want), changed)
		}
	})
}

// empty withdraws everything.
func (b *bench) empty(tb testing.TB) {
	tb.Helper()
	for _, l := range b.all {
		if l.GetState() != fitmentv1.Listing_WITHDRAWN {
			gone := proto.CloneOf(l)
			gone.State = fitmentv1.Listing_WITHDRAWN
			b.putListing(tb, gone)
		}
	}
}

func TestPagesStartAgainWhenTheCatalogueChanges(t *testing.T) {
	t.Parallel()
	b := open(t)
	for i := range 3 {
		b.putListing(t, documented(fmt.Sprintf("s%d", i), "Kestrel", "K-1", 1))
	}
	first := b.find(t, search.Query{Size: 1})
	old := *first.Next
	old.Day = "2026-06-28"
	if _, err := b.index.Find(t.Context(), search.Query{Need: need(), Size: 1, Now: noon, After: &old}); !errors.Is(err, search.ErrStartAgain) {
		t.Errorf("a day before yesterday: %v", err)
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := b.index.Find(ended, search.Query{Need: need(), Size: 1, Now: noon}); !errors.Is(err, context.Canceled) {
		t.Errorf("a caller who has gone: %v", err)
	}
	foreign := *first.Next
	foreign.Epoch = "other"
	if _, err := b.index.Find(t.Context(), search.Query{Need: need(), Size: 1, Now: noon, After: &foreign}); !errors.Is(err, search.ErrStartAgain) {
		t.Errorf("another store: %v", err)
	}
	b.putCatalogue(t, "recall/new", &fitmentv1.Recall{Name: "recalls/new", Type: fitmentv1.Recall_NOTICE, Number: "1", Issued: "2026-06-29", PartMaker: "Orbis", PartNumber: "K-1"})
	if err := b.index.Fresh(t.Context()); err != nil {
		t.Fatal(err)
	}
	if _, err := b.index.Find(t.Context(), search.Query{Need: need(), Size: 1, Now: noon, After: first.Next}); !errors.Is(err, search.ErrStartAgain) {
		t.Errorf("another catalogue: %v", err)
	}
}

func TestAWriterSeesItsOwnWrites(t *testing.T) {
	t.Parallel()
	b := open(t)
	ctx, stop := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() {
		if err := b.index.Run(ctx); err != nil {
			t.Error(err)
		}
	})
	var writers sync.WaitGroup
	for w := range 4 {
		writers.Go(func() {
			for i := range 25 {
				l := documented(fmt.Sprintf("w%d-%d", w, i), "Kestrel", "K-1", 1)
				version := b.put(t, listing.Key(l.GetYard(), l.GetStockNumber()), l)
				if err := b.index.CatchUp(t.Context(), version); err != nil {
					t.Error(err)
					return
				}
				page, err := b.index.Find(t.Context(), search.Query{Need: need(), Tenant: "shop-a", Size: 1000, Now: noon})
				if err != nil || !slices.Contains(stocks(page), l.GetStockNumber()) {
					t.Errorf("%s is not found: %v", l.GetStockNumber(), err)
				}
			}
		})
	}
	writers.Wait()
	stop()
	running.Wait()
	short, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if err := b.index.CatchUp(short, 1<<40); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a version that never comes: %v", err)
	}
}

func TestDamagedRecords(t *testing.T) {
	t.Parallel()
	b := open(t)
	b.putListing(t, documented("good", "Kestrel", "K-1", 1))
	b.putListing(t, documented("bad", "Kestrel", "K-1", 1))
	raw := func(key store.Key) {
		applied, err := b.store.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: store.Whatever, Value: []byte{0xff}}}})
		if err != nil || applied[0].Err != nil {
			t.Fatal(err, applied)
		}
	}
	raw(listing.Key("north-yard", "bad"))
	if got := stocks(b.find(t, search.Query{})); !slices.Equal(got, []string{"good"}) {
		t.Errorf("found %v", got)
	}
	raw(store.Key{Tenant: catalogue.Tenant, Kind: catalogue.KindRecall, ID: "lost"})
	if err := b.index.Fresh(t.Context()); err == nil {
		t.Error("a recall that cannot be read was passed over")
	}
}

func BenchmarkFind(b *testing.B) {
	f := open(b)
	for i := range 200 {
		f.putListing(b, documented(fmt.Sprintf("s%d", i), "Kestrel", "K-1", int64(i)))
	}
	f.find(b, search.Query{})
	b.ResetTimer()
	for b.Loop() {
		if _, err := f.index.Find(b.Context(), search.Query{Need: need(), Tenant: "shop-a", Size: 50, Now: noon}); err != nil {
			b.Fatal(err)
		}
	}
}

func hold(l *fitmentv1.Listing, holder string, left time.Duration) {
	l.State = fitmentv1.Listing_HELD
	l.Hold = &fitmentv1.Hold{Holder: holder, Fence: 1, ExpireTime: timestamppb.New(noon.Add(left))}
}
