package server_test

import (
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/basis"
	"beltwright.example/services/fitment/listing"
)

// Six characters of a VIN are few enough to try. So nobody who is not told them is told
// the digest of a decision's facts either, which is made from them and from what he can
// read otherwise. The control is the same attempt with the digest that the yard is told.
func TestNoDigestTellsTheVIN(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	_, facts, err := basis.Decode(f.keptRecord(t, f.keep(t, shopA, fits1).GetName()))
	if err != nil {
		t.Fatal(err)
	}
	// What the shop sees of the listing, but for the state.
	seen := listing.Judged(f.get(t, shopA, fits1))
	// finds tries the VINs near the one that it is: a million tries are a matter of seconds.
	finds := func(digest string) bool {
		for serial := 118_000; serial < 119_000; serial++ {
			guess := withSerial(seen, fmt.Sprintf("%06d", serial))
			if made, err := basis.Digest(need(), guess, facts); err == nil && made == digest {
				return guess.GetDonor().GetVin() == donorVIN
			}
		}
		return false
	}
	decided := func(who string) string {
		t.Helper()
		got, err := f.decisions.Decide(as(t, who), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetDecision().GetBasis().GetFacts()
	}
	if !finds(decided(northYard)) {
		t.Fatal("control: the VIN is not found by the digest of the whole listing, so the test proves nothing")
	}
	for _, who := range []string{shopA, admin} {
		if digest := decided(who); digest != "" {
			t.Errorf("%s is told the digest %s, by which the VIN is found: %v", who, digest, finds(digest))
		}
	}
	found, err := f.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need(), IncludeUnsuitable: true})
	if err != nil || len(found.GetDonors()) == 0 {
		t.Fatal(found, err)
	}
	for _, donor := range found.GetDonors() {
		if digest := donor.GetDecision().GetBasis().GetFacts(); digest != "" {
			t.Errorf("a search tells the digest %s of %s", digest, donor.GetListing().GetName())
		}
	}
	// Who holds it sees the VIN, and the digest with it.
	if _, err := f.listings.HoldListing(as(t, shopA), &fitmentv1.HoldListingRequest{Name: fits1, Minutes: 60, RequestId: newID()}); err != nil {
		t.Fatal(err)
	}
	if decided(shopA) == "" {
		t.Error("the holder is not told the digest")
	}
}

// withSerial is a listing with another serial number in place of what is masked.
func withSerial(l *fitmentv1.Listing, serial string) *fitmentv1.Listing {
	guess := proto.CloneOf(l)
	vin := guess.GetDonor().GetVin()
	guess.Donor.Vin = vin[:len(vin)-len(serial)] + serial
	for _, e := range guess.GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_DONOR_VIN {
			e.Value = guess.GetDonor().GetVin()
		}
	}
	return guess
}

// keptRecord is the stored form of a decision that shopA keeps.
func (f *fixture) keptRecord(t *testing.T, name string) []byte {
	t.Helper()
	records, err := f.store.List(t.Context(), "shop-a", "decision", "", 10)
	if err != nil {
		t.Fatal(err)
	}
	for _, record := range records {
		if "decisions/"+record.Key.ID == name {
			return record.Value
		}
	}
	t.Fatalf("%s is not kept", name)
	return nil
}
