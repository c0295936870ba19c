package server_test

import (
	"bytes"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// secretCost is what stands in a cost note and nowhere else.
const secretCost = "paid-with-cash-77"

func costly() *fitmentv1.CostNote { return &fitmentv1.CostNote{Cost: 4_141_414, Note: secretCost} }

// withCost puts a cost note on fits1 as its yard.
func (f *fixture) withCost(t *testing.T) {
	t.Helper()
	l := f.get(t, northYard, fits1)
	l.CostNote = costly()
	got, err := f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()})
	if err != nil || !proto.Equal(got.GetListing().GetCostNote(), costly()) {
		t.Fatalf("the yard's own: %v, %v", got, err)
	}
}

// What a part cost its yard is told to the yard alone: in no answer to anybody else,
// the operator included, and in nothing that is kept for others.
func TestACostIsShownToItsYardAlone(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	f.withCost(t)
	hides := func(what string, m proto.Message, err error) {
		t.Helper()
		text := prototext.Format(m)
		if err != nil || len(text) == 0 {
			t.Fatalf("%s: %v", what, err)
		}
		if strings.Contains(text, secretCost) || strings.Contains(text, "4141414") || strings.Contains(text, "cost_note") {
			t.Errorf("%s tells the cost: %s", what, text)
		}
	}
	for _, who := range []string{shopA, admin, "south-yard yard admin books"} {
		got, err := f.listings.GetListing(as(t, who), &fitmentv1.GetListingRequest{Name: fits1})
		hides("get by "+who, got, err)
		list, err := f.listings.ListListings(as(t, who), &fitmentv1.ListListingsRequest{Yard: "north-yard"})
		hides("list by "+who, list, err)
		found, err := f.decisions.FindDonors(as(t, who), &fitmentv1.FindDonorsRequest{Need: need(), IncludeUnsuitable: true})
		hides("search by "+who, found, err)
		decided, err := f.decisions.Decide(as(t, who), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
		hides("decision for "+who, decided, err)
		hides("kept by "+who, f.keep(t, who, fits1), nil)
	}
	for _, tenant := range []string{"shop-a", "office", "south-yard"} {
		records, err := f.store.List(t.Context(), tenant, "decision", "", 10)
		if err != nil || len(records) != 1 {
			t.Fatalf("%s keeps %d decisions, %v", tenant, len(records), err)
		}
		if bytes.Contains(records[0].Value, []byte(secretCost)) {
			t.Errorf("the decision that %s keeps holds the cost", tenant)
		}
	}
	held, err := f.listings.HoldListing(as(t, shopA), &fitmentv1.HoldListingRequest{Name: fits1, Minutes: 60, RequestId: newID()})
	hides("hold", held, err)
	sold, err := f.listings.SellListing(as(t, shopA), &fitmentv1.SellListingRequest{Name: fits1, Need: need(), Fence: held.GetListing().GetHold().GetFence(), RequestId: newID()})
	hides("sale", sold, err)
	back, err := f.listings.ReturnListing(as(t, shopA), &fitmentv1.ReturnListingRequest{
		Name: fits1, Report: &fitmentv1.ReturnReport{FailedChecks: []string{"the label"}}, RequestId: newID(),
	})
	hides("return", back, err)
	// The part goes back to the yard that paid for it.
	if own := f.get(t, northYard, back.GetListing().GetName()); !proto.Equal(own.GetCostNote(), costly()) {
		t.Errorf("back at the yard it cost %v", own.GetCostNote())
	}
}

// No decision may depend on the cost, not even the digest of what it stands on: from
// that somebody could find out by trying.
func TestNoDecisionDependsOnTheCost(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	kept := f.keep(t, shopA, fits1)
	f.withCost(t)
	decided, err := f.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
	if err != nil || !proto.Equal(decided.GetDecision(), kept.GetDecision()) {
		t.Errorf("%v, before it was %v, %v", decided.GetDecision(), kept.GetDecision(), err)
	}
	again := f.recompute(t, shopA, kept.GetName())
	if !again.GetSame() || len(again.GetDifferences()) > 0 {
		t.Errorf("same %v, differences %q", again.GetSame(), again.GetDifferences())
	}
	// What was kept of a listing with a cost is made again to the letter as well.
	if later := f.recompute(t, shopA, f.keep(t, shopA, fits1).GetName()); !later.GetSame() {
		t.Errorf("of a listing with a cost: %q", later.GetDifferences())
	}
}

// Whoever writes a yard's listing without knowing its cost leaves it as it is; the
// yard itself takes it back by saying nothing.
func TestWhoDoesNotKnowTheCostLeavesIt(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	f.withCost(t)
	cost := func() *fitmentv1.CostNote { return f.get(t, northYard, fits1).GetCostNote() }
	update := func(who string, change func(*fitmentv1.Listing)) {
		t.Helper()
		l := f.get(t, northYard, fits1)
		l.CostNote = nil
		change(l)
		if _, err := f.listings.UpdateListing(as(t, who), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()}); err != nil {
			t.Fatalf("by %s: %v", who, err)
		}
	}
	update(admin, func(l *fitmentv1.Listing) { l.Note = "by the office" })
	if !proto.Equal(cost(), costly()) {
		t.Errorf("the operator's update left %v", cost())
	}
	for _, who := range []string{admin, northYard} {
		got, err := f.importListings(t, who, &fitmentv1.ImportOptions{Owner: "north-yard"}, csv(t, "listings.csv"))
		if err != nil || got.sum.GetRejected() != 0 || !proto.Equal(cost(), costly()) {
			t.Errorf("a file without costs by %s left %v: %v, %v", who, cost(), got.sum, err)
		}
	}
	header, row, _ := strings.Cut(csv(t, "listings.csv"), "\n")
	row, _, _ = strings.Cut(row, "\n")
	got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{}, header+",cost,cost_note\n"+row+",12.50,from the auction\n")
	if want := (&fitmentv1.CostNote{Cost: 1250, Note: "from the auction"}); err != nil || got.sum.GetUpdated() != 1 || !proto.Equal(cost(), want) {
		t.Errorf("a file with a cost: %v, %v, %v", cost(), got.rows, err)
	}
	if got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{}, header+",cost,cost_note\n"+row+",-1,\n"); err != nil || got.rows[0].GetProblems()[0].GetField() != "cost" {
		t.Errorf("a cost below nothing: %v, %v", got.rows, err)
	}
	update(northYard, func(*fitmentv1.Listing) {})
	if cost() != nil {
		t.Errorf("the yard took it back, and %v is left", cost())
	}
	update(northYard, func(l *fitmentv1.Listing) { l.CostNote = costly() })
	l := f.get(t, northYard, fits1)
	l.CostNote.Cost, l.CostNote.Note = -1, strings.Repeat("x", 1001)
	_, err = f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()})
	if got := strings.Join(fieldsOf(err), " "); got != "listing.cost_note.cost listing.cost_note.note" {
		t.Errorf("named as wrong: %s (%v)", got, err)
	}
}
