package server_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/store"
)

// reader is the reading end of one watch.
type reader struct {
	t      *testing.T
	stream grpc.ServerStreamingClient[fitmentv1.WatchDonorsResponse]
	close  context.CancelFunc
}

func (f *fixture) watch(t *testing.T, who string, req *fitmentv1.WatchDonorsRequest) *reader {
	t.Helper()
	ctx, cancel := context.WithTimeout(withCaller(t.Context(), who), time.Minute)
	stream, err := f.decisions.WatchDonors(ctx, req)
	if err != nil {
		cancel()
		t.Fatal(err)
	}
	return &reader{t, stream, cancel}
}

// next is the next message; an error ends the reading.
func (r *reader) next() (*fitmentv1.WatchDonorsResponse, error) {
	m, err := r.stream.Recv()
	if err != nil {
		r.close()
	}
	return m, err
}

// change is the next change; it must come.
func (r *reader) change() *fitmentv1.WatchDonorsResponse {
	r.t.Helper()
	for {
		m, err := r.next()
		if err != nil {
			r.t.Fatal(err)
		}
		if m.GetChange() != fitmentv1.WatchDonorsResponse_NOTHING {
			return m
		}
	}
}

// untilNothing reads up to the end of the first look.
func (r *reader) untilNothing() (changes []*fitmentv1.WatchDonorsResponse, revision string, err error) {
	for {
		m, err := r.next()
		if err != nil {
			return changes, revision, err
		}
		revision = m.GetRevision()
		if m.GetChange() == fitmentv1.WatchDonorsResponse_NOTHING {
			return changes, revision, nil
		}
		changes = append(changes, m)
	}
}

// told writes changes in short.
func told(changes []*fitmentv1.WatchDonorsResponse) []string {
	var list []string
	for _, m := range changes {
		stock := strings.TrimPrefix(m.GetDonor().GetListing().GetName(), "listings/north-yard.")
		list = append(list, strings.ToLower(m.GetChange().String())+" "+stock)
	}
	return list
}

// TestAWatchTellsWhatComesAndGoes walks one need through a day.
func TestAWatchTellsWhatComesAndGoes(t *testing.T) {
	t.Parallel()
	plainly := start(t)
	plainly.stock(t)
	f := serveOn(t, plainly.store, plainly.clock, func(o *server.Options) { o.WatchPulse = 50 * time.Millisecond })
	name := f.saveNeed(t, shopA, need()).GetName()
	r := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name})
	first, revision, err := r.untilNothing()
	if want := []string{"new fits-1", "new fits-2", "new fits-3"}; err != nil || !slices.Equal(told(first), want) {
		t.Fatalf("at first %v, %v", told(first), err)
	}
	for _, m := range first {
		if m.GetDonor().GetDecision().GetVerdict() != fitmentv1.Decision_FITS || m.GetDonor().GetListing().GetEtag() == "" {
			t.Errorf("sent %v", m)
		}
		if raw, err := protojson.Marshal(m); err != nil || strings.Contains(string(raw), "118341") {
			t.Errorf("it tells the VIN's serial: %v", err)
		}
	}
	expect := func(want string) {
		t.Helper()
		m := r.change()
		if got := told([]*fitmentv1.WatchDonorsResponse{m}); got[0] != want {
			t.Errorf("told %q, want %q", got[0], want)
		}
		revision = m.GetRevision()
		if m.GetChange() == fitmentv1.WatchDonorsResponse_GONE && !proto.Equal(m.GetDonor(), &fitmentv1.Donor{Listing: &fitmentv1.Listing{Name: m.GetDonor().GetListing().GetName()}}) {
			t.Errorf("of one that is gone it tells %v", m.GetDonor())
		}
	}
	f.hold(t, shopB, fits(1), 60)
	expect("gone fits-1")
	f.clock.Advance(time.Hour)
	expect("new fits-1")
	mine := f.hold(t, shopA, fits(2), 60) // what one holds oneself stays
	if err := f.sell(t, shopA, fits(2), mine.GetFence()); err != nil {
		t.Fatal(err)
	}
	expect("gone fits-2")
	l := f.get(t, northYard, fits(3))
	if _, err := f.listings.WithdrawListing(as(t, northYard), &fitmentv1.WithdrawListingRequest{Name: fits(3), Etag: l.GetEtag(), RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	expect("gone fits-3")

	// Away: meanwhile one comes and another goes.
	r.close()
	f.create(t, northYard, like(f.get(t, northYard, fits(1)), "fits-4"))
	f.hold(t, shopB, fits(1), 60)
	r = f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, Revision: revision})
	meanwhile, revision, err := r.untilNothing()
	if want := []string{"gone fits-1", "new fits-4"}; err != nil || !slices.Equal(told(meanwhile), want) {
		t.Errorf("after being away: %v, %v", told(meanwhile), err)
	}
	if _, err := f.importRecalls(t, admin, recallsHeader+"notice,n1,2026-06-29,,Orbis,K-1,,invented,invented\n"); err != nil {
		t.Fatal(err)
	}
	expect("gone fits-4")
	if err := f.deleteNeed(t, shopA, name); err != nil {
		t.Fatal(err)
	}
	for err == nil {
		_, err = r.next()
	}
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	_, _, err = f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, Revision: revision}).untilNothing()
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
}

// like is another listing that says the same.
func like(l *fitmentv1.Listing, stock string) *fitmentv1.Listing {
	return &fitmentv1.Listing{
		Yard: l.GetYard(), StockNumber: stock, Kind: l.GetKind(), Position: l.GetPosition(), PartMaker: l.GetPartMaker(), PartNumber: l.GetPartNumber(),
		Donor: l.GetDonor(), Price: l.GetPrice(), CurrencyCode: l.GetCurrencyCode(), Terms: l.GetTerms(), Evidence: l.GetEvidence(), Jurisdiction: l.GetJurisdiction(),
	}
}

// TestWhatIsToBeProvenIsToldWhereAskedFor, and told again once it fits.
func TestWhatIsToBeProvenIsToldWhereAskedFor(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	name := f.saveNeed(t, shopA, need()).GetName()
	r := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, IncludeProveFirst: true})
	first, revision, err := r.untilNothing()
	if want := []string{"new bare", "new claimed", "new fits-1", "new fits-2", "new fits-3"}; err != nil || !slices.Equal(told(first), want) {
		t.Fatalf("at first %v, %v", told(first), err)
	}
	for i, want := range []fitmentv1.Decision_Verdict{fitmentv1.Decision_PROVE_FIRST, fitmentv1.Decision_PROVE_FIRST, fitmentv1.Decision_FITS, fitmentv1.Decision_FITS, fitmentv1.Decision_FITS} {
		if got := first[i].GetDonor().GetDecision().GetVerdict(); got != want {
			t.Errorf("%s: %s", told(first)[i], got)
		}
	}
	l := f.get(t, northYard, "listings/north-yard.claimed")
	proven := like(l, "claimed")
	proven.Name, proven.Evidence = l.GetName(), f.get(t, northYard, fits(1)).GetEvidence()
	if _, err := f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: proven, Etag: l.GetEtag(), RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	if m := r.change(); told([]*fitmentv1.WatchDonorsResponse{m})[0] != "new claimed" || m.GetDonor().GetDecision().GetVerdict() != fitmentv1.Decision_FITS {
		t.Errorf("once it is proven: %v", m)
	} else {
		revision = m.GetRevision()
	}
	r.close()
	// Whoever no longer asks for them is told that he no longer has them.
	fewer, _, err := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, Revision: revision}).untilNothing()
	if want := []string{"gone bare"}; err != nil || !slices.Equal(told(fewer), want) {
		t.Errorf("with fewer asked for: %v, %v", told(fewer), err)
	}
}

func TestAForeignRevisionIsRefused(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	mine, other := f.saveNeed(t, shopA, need()).GetName(), f.saveNeed(t, shopA, need()).GetName()
	_, revision, err := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: mine}).untilNothing()
	if err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string]string{mine: "x", other: revision} {
		_, _, err := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, Revision: bad}).untilNothing()
		wantReason(t, err, fitmentv1.ErrorInfo_REVISION_INVALID)
	}
	_, err = f.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need(), MinRevision: revision})
	wantReason(t, err, fitmentv1.ErrorInfo_REVISION_INVALID)
}

func TestABusinessHasSoManyWatchesAtMost(t *testing.T) {
	t.Parallel()
	base := start(t)
	f := serveOn(t, base.store, base.clock, func(o *server.Options) { o.MaxWatches = 2 })
	name := f.saveNeed(t, shopA, need()).GetName()
	theirs := f.saveNeed(t, shopB, need()).GetName()
	open := func(who, name string) (*reader, error) {
		r := f.watch(t, who, &fitmentv1.WatchDonorsRequest{Name: name})
		_, _, err := r.untilNothing()
		return r, err
	}
	first, err1 := open(shopA, name)
	_, err2 := open(shopA, name)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	_, err := open(shopA, name)
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if _, err := open(shopB, theirs); err != nil {
		t.Errorf("another business: %v", err)
	}
	first.close()
	for range 200 { // the server learns of the end a moment later
		if _, err = open(shopA, name); err == nil {
			break
		}
	}
	if err != nil {
		t.Errorf("after one ended: %v", err)
	}
}

// TestTooManyAreRefused: a need with more donors than a watch can follow gets no
// part of them.
func TestTooManyAreRefused(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	name := f.saveNeed(t, shopA, need()).GetName()
	l := f.get(t, northYard, "listings/north-yard.bare")
	changes := make([]store.Change, 2000)
	for i := range changes {
		one := like(l, fmt.Sprintf("many-%d", i))
		one.Name, one.State = "listings/north-yard."+one.GetStockNumber(), fitmentv1.Listing_AVAILABLE
		value, err := proto.Marshal(one)
		if err != nil {
			t.Fatal(err)
		}
		changes[i] = store.Change{Puts: []store.Put{{Key: store.Key{Tenant: "north-yard", Kind: "listing", ID: one.GetStockNumber()}, Value: value}}}
	}
	if _, err := f.store.Apply(t.Context(), changes...); err != nil {
		t.Fatal(err)
	}
	changed, _, err := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, IncludeProveFirst: true}).untilNothing()
	if len(changed) != 0 {
		t.Errorf("%d were sent", len(changed))
	}
	wantReason(t, err, fitmentv1.ErrorInfo_LIMIT_REACHED)
	if changed, _, err = f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name}).untilNothing(); err != nil || len(changed) != 3 {
		t.Errorf("those that fit: %v, %v", told(changed), err)
	}
}

// TestAWatchEndsInGoodOrder with the server, and before its deadline.
func TestAWatchEndsInGoodOrder(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	name := f.saveNeed(t, shopA, need()).GetName()
	r := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name})
	_, revision, err := r.untilNothing()
	if err != nil {
		t.Fatal(err)
	}
	limited, cancel := context.WithTimeout(as(t, shopA), 600*time.Millisecond)
	defer cancel()
	short, err := f.decisions.WatchDonors(limited, &fitmentv1.WatchDonorsRequest{Name: name, Revision: revision})
	for err == nil {
		_, err = short.Recv()
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("before its deadline it ended with %v", err)
	}
	f.End()
	for err = nil; err == nil; {
		_, err = r.next()
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("with the server it ended with %v", err)
	}
}

// market is the model of a random history: what its reader must have, worked out
// by asking for each listing by itself.
type market struct {
	*fixture

	t      *testing.T
	pick   func(n int, what string) int // one of 0 to n-1
	stocks []string
}

func newMarket(t *testing.T, f *fixture, pick func(n int, what string) int) *market {
	t.Helper()
	return &market{
		fixture: f, t: t, pick: pick,
		stocks: []string{"fits-1", "fits-2", "fits-3", "claimed", "bare", "wrong-number", "deployed"},
	}
}

// expected is what the shop must have: what is to be had and decided so.
func (m *market) expected(n *fitmentv1.Need, proveFirst bool) map[string]fitmentv1.Decision_Verdict {
	want := map[string]fitmentv1.Decision_Verdict{}
	for _, stock := range m.stocks {
		name := "listings/north-yard." + stock
		l := m.get(m.t, northYard, name) // the yard sees who holds it
		free := l.GetState() == fitmentv1.Listing_AVAILABLE || (l.GetState() == fitmentv1.Listing_HELD && l.GetHold().GetHolder() == "shop-a")
		got, err := m.decisions.Decide(as(m.t, northYard), &fitmentv1.DecideRequest{Need: n, ListingName: name})
		if err != nil {
			m.t.Fatal(err)
		}
		verdict := got.GetDecision().GetVerdict()
		if free && (verdict == fitmentv1.Decision_FITS || (proveFirst && verdict == fitmentv1.Decision_PROVE_FIRST)) {
			want[name] = verdict
		}
	}
	return want
}

// happen is one random event.
func (m *market) happen() {
	stock := m.stocks[m.pick(len(m.stocks), "stock")]
	name := "listings/north-yard." + stock
	l := m.get(m.t, northYard, name)
	id := newID()
	switch m.pick(10, "event") {
	case 0, 1:
		who := []string{shopA, shopB}[m.pick(2, "who")]
		_, _ = m.listings.HoldListing(as(m.t, who), &fitmentv1.HoldListingRequest{Name: name, Minutes: 60, Fence: 0, RequestId: id})
	case 2:
		_, _ = m.listings.ReleaseListing(as(m.t, admin), &fitmentv1.ReleaseListingRequest{Name: name, Fence: l.GetHold().GetFence(), RequestId: id})
	case 3:
		holder := cmp.Or(l.GetHold().GetHolder(), "shop-b") + " shop"
		_, _ = m.listings.SellListing(as(m.t, holder), &fitmentv1.SellListingRequest{Name: name, Need: need(), Fence: max(l.GetHold().GetFence(), 1), RequestId: id})
	case 4:
		m.clock.Advance([]time.Duration{10 * time.Minute, 70 * time.Minute, 20 * time.Hour}[m.pick(3, "how long")])
	case 5:
		if m.pick(4, "withdrawn") == 0 {
			_, _ = m.listings.WithdrawListing(as(m.t, northYard), &fitmentv1.WithdrawListingRequest{Name: name, Etag: l.GetEtag(), RequestId: id})
		}
	case 6:
		row := []string{
			"notice,%d,2026-06-29,,Orbis,K-2,,invented,invented\n", "coverage,%d,,2026-06-25,Orbis,,,,invented\n", "notice,%d,2026-06-29,,Orbis,X-1,,invented,invented\n",
		}[m.pick(3, "recall")]
		if _, err := m.importRecalls(m.t, admin, recallsHeader+fmt.Sprintf(row, m.clock.Now().UnixNano())); err != nil {
			m.t.Fatal(err)
		}
	case 7:
		next := like(l, fmt.Sprintf("n%d", len(m.stocks)))
		next.Donor.Vin = "1G4AH59H45G118341" // the yard's own view has it in full; so has the copy
		m.create(m.t, northYard, next)
		m.stocks = append(m.stocks, next.GetStockNumber())
	default:
		next := like(l, stock)
		next.Name = name
		next.Price++
		if at := m.pick(2*len(next.GetEvidence())+2, "evidence"); at < len(next.GetEvidence()) {
			next.Evidence = slices.Delete(slices.Clone(next.GetEvidence()), at, at+1)
		}
		_, _ = m.listings.UpdateListing(as(m.t, northYard), &fitmentv1.UpdateListingRequest{Listing: next, Etag: l.GetEtag(), RequestId: id})
	}
}

// known is what a reader has, by what it was sent up to a revision.
type known struct {
	revision string
	has      map[string]fitmentv1.Decision_Verdict
}

// take adds a message; what repeats or ends what the reader does not have is wrong.
func (k known) take(t *testing.T, m *fitmentv1.WatchDonorsResponse) known {
	t.Helper()
	next := known{m.GetRevision(), maps.Clone(k.has)}
	name, verdict := m.GetDonor().GetListing().GetName(), m.GetDonor().GetDecision().GetVerdict()
	switch before, has := k.has[name]; m.GetChange() {
	case fitmentv1.WatchDonorsResponse_NEW:
		if has && before == verdict {
			t.Errorf("%s was sent twice as %s", name, verdict)
		}
		next.has[name] = verdict
	case fitmentv1.WatchDonorsResponse_GONE:
		if !has {
			t.Errorf("%s is gone but never came", name)
		}
		delete(next.has, name)
	default:
	}
	return next
}

// rounds is how many random histories a test runs: some, or many where
// BELTWRIGHT_LONG is set.
func rounds(some, many int) int {
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		return many
	}
	return some
}

// TestNothingIsMissedOrSentTwice: random events and readers that come and go, at
// the newest revision or one that they kept from before, at this server or another
// one on the same store. Whenever a reader has caught up it has exactly what the
// listings, asked for one by one, say.
func TestNothingIsMissedOrSentTwice(t *testing.T) {
	t.Parallel()
	for seed := range rounds(30, 1000) {
		f := start(t)
		f.stock(t)
		random := rand.New(rand.NewPCG(uint64(seed), 1))
		pick := func(n int, _ string) int { return random.IntN(n) }
		m := newMarket(t, f, pick)
		name := f.saveNeed(t, shopA, need()).GetName()
		servers := []*fixture{f, serveOn(t, f.store, f.clock)}
		history := []known{{has: map[string]fitmentv1.Decision_Verdict{}}}
		proveFirst := random.IntN(2) == 0
		for range 2 + random.IntN(5) {
			for range random.IntN(4) {
				m.happen()
			}
			from := history[len(history)-1-random.IntN(min(4, len(history)))]
			r := servers[random.IntN(2)].watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name, Revision: from.revision, IncludeProveFirst: proveFirst})
			history = append(history, m.visit(r, from, 1+random.IntN(12), proveFirst)...)
			if r.close(); t.Failed() {
				t.Fatalf("seed %d", seed)
			}
		}
	}
}

// visit reads at most so many messages, up to the end of the first look, and
// returns what the reader knew after each.
func (m *market) visit(r *reader, from known, messages int, proveFirst bool) []known {
	m.t.Helper()
	var list []known
	for range messages {
		message, err := r.next()
		if err != nil {
			m.t.Fatal(err)
		}
		from = from.take(m.t, message)
		list = append(list, from)
		if message.GetChange() == fitmentv1.WatchDonorsResponse_NOTHING {
			if want := m.expected(need(), proveFirst); !maps.Equal(from.has, want) {
				m.t.Errorf("the reader has %v, want %v", from.has, want)
			}
			break
		}
	}
	return list
}

// TestALiveReaderKeepsUp: changes reach a reader that stays, without asking again.
func TestALiveReaderKeepsUp(t *testing.T) {
	t.Parallel()
	for seed := range rounds(8, 200) {
		base := start(t)
		base.stock(t)
		f := serveOn(t, base.store, base.clock, func(o *server.Options) { o.WatchPulse = 20 * time.Millisecond })
		random := rand.New(rand.NewPCG(uint64(seed), 0))
		m := newMarket(t, f, func(n int, _ string) int { return random.IntN(n) })
		name := f.saveNeed(t, shopA, need()).GetName()
		r := f.watch(t, shopA, &fitmentv1.WatchDonorsRequest{Name: name})
		state := known{has: map[string]fitmentv1.Decision_Verdict{}}
		for range 4 {
			for range 1 + random.IntN(4) {
				m.happen()
			}
			for want := m.expected(need(), false); !maps.Equal(state.has, want); {
				message, err := r.next() // the deadline of the watch ends a wait in vain
				if err != nil {
					t.Fatalf("seed %d: the reader has %v, want %v: %v", seed, state.has, want, err)
				}
				state = state.take(t, message)
			}
		}
		r.close()
	}
}
