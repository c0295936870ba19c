package server_test

import (
	"strings"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/metrics/metricstest"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/storetest"
)

// measured is a server whose metrics can be read.
func measured(t *testing.T) (*fixture, *metrics.Set) {
	t.Helper()
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	clock := storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))
	st := embeddedtest.Open(t, t.TempDir(), embedded.Options{Now: clock.Now, NoSync: true})
	return serveOn(t, st, clock, func(o *server.Options) { o.Metrics = set }), set
}

// ready is what the server is asked every second.
func (f *fixture) ready(t *testing.T) {
	t.Helper()
	if err := f.Ready(t.Context()); err != nil {
		t.Fatal(err)
	}
}

// TestHoldsAreCounted once, whatever becomes of them and however often a request is
// repeated.
func TestHoldsAreCounted(t *testing.T) {
	t.Parallel()
	f, set := measured(t)
	f.stock(t)
	f.ready(t)
	holds := func() map[string]float64 { return metricstest.Samples(t, set, "beltwright_holds_total") }
	want := func(event string, times float64) {
		t.Helper()
		f.ready(t)
		if got := holds()[event]; got != times {
			t.Errorf("%s: %v, want %v (%v)", event, got, times, holds())
		}
	}
	request := &fitmentv1.HoldListingRequest{Name: fits1, Minutes: 60, RequestId: newID()}
	for range 3 { // repeats are not taken again
		if _, err := f.listings.HoldListing(as(t, shopA), request); err != nil {
			t.Fatal(err)
		}
	}
	want("taken", 1)
	if _, err := f.listings.HoldListing(as(t, shopA), &fitmentv1.HoldListingRequest{Name: fits1, Fence: 1, Minutes: 60, RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	want("extended", 1)
	want("taken", 1)
	if _, err := f.listings.ReleaseListing(as(t, shopA), &fitmentv1.ReleaseListingRequest{Name: fits1, Fence: 2, RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	want("released", 1)
	f.clock.Advance(2 * time.Hour) // it was given back, so nothing runs out
	want("expired", 0)

	f.hold(t, shopA, fits1, 60)
	f.clock.Advance(time.Hour - time.Second)
	want("expired", 0)
	f.clock.Advance(time.Second)
	want("expired", 1)
	want("expired", 1) // once

	// One that runs out and is taken by another before anybody looks is lost too.
	f.ready(t)
	f.hold(t, shopA, fits1, 60)
	f.ready(t)
	f.clock.Advance(2 * time.Hour)
	last := f.hold(t, shopB, fits1, 60)
	want("expired", 2)
	if err := f.sell(t, shopB, fits1, last.GetFence()); err != nil {
		t.Fatal(err)
	}
	want("sold", 1)
	f.clock.Advance(2 * time.Hour)
	want("expired", 2)
	want("taken", 4)
}

// TestWhatRanOutBeforeIsNotCountedAgain by the process that comes next.
func TestWhatRanOutBeforeIsNotCountedAgain(t *testing.T) {
	t.Parallel()
	f, _ := measured(t)
	f.stock(t)
	f.hold(t, shopA, fits1, 60)
	f.clock.Advance(2 * time.Hour)
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	next := serveOn(t, f.store, f.clock, func(o *server.Options) { o.Metrics = set })
	next.ready(t)
	next.ready(t)
	if got := metricstest.Samples(t, set, "beltwright_holds_total")["expired"]; got != 0 {
		t.Errorf("%v expired", got)
	}
	// The control: what runs out under its eyes is.
	next.hold(t, shopB, fits1, 60)
	next.ready(t)
	next.clock.Advance(2 * time.Hour)
	next.ready(t)
	if got := metricstest.Samples(t, set, "beltwright_holds_total")["expired"]; got != 1 {
		t.Errorf("%v expired, want 1", got)
	}
}

// TestVerdictsAreCounted by verdict, and findings by rule and answer.
func TestVerdictsAreCounted(t *testing.T) {
	t.Parallel()
	f, set := measured(t)
	f.stock(t)
	found, err := f.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need(), IncludeUnsuitable: true})
	if err != nil || len(found.GetDonors()) == 0 {
		t.Fatalf("%v, %v", found, err)
	}
	one, err := f.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
	if err != nil {
		t.Fatal(err)
	}
	inline, err := f.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), Listing: &fitmentv1.Listing{}})
	if err != nil {
		t.Fatal(err)
	}
	decisions := []*fitmentv1.Decision{one.GetDecision(), inline.GetDecision()}
	for _, donor := range found.GetDonors() {
		decisions = append(decisions, donor.GetDecision())
	}
	verdicts, rules := map[string]float64{}, map[string]float64{}
	for _, d := range decisions {
		verdicts[d.GetVerdict().String()]++
		for _, finding := range d.GetFindings() {
			rules[finding.GetRule()]++
		}
	}
	got := metricstest.Samples(t, set, "beltwright_decisions_total")
	for verdict, times := range verdicts {
		if got[verdict] != times {
			t.Errorf("%s: %v, want %v", verdict, got[verdict], times)
		}
	}
	byRule := map[string]float64{}
	for labels, times := range metricstest.Samples(t, set, "beltwright_findings_total") {
		_, rule, _ := strings.Cut(labels, " ") // after the answer
		byRule[rule] += times
	}
	for rule, times := range rules {
		if byRule[rule] != times {
			t.Errorf("%s: %v, want %v", rule, byRule[rule], times)
		}
	}
	if listings := metricstest.Samples(t, set, "beltwright_index_listings")[""]; listings < 1 {
		t.Errorf("%v listings in the index", listings)
	}
	if behind := metricstest.Samples(t, set, "beltwright_index_behind")[""]; behind != 0 {
		t.Errorf("the index is %v behind", behind)
	}
}
