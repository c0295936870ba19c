package server_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func (f *fixture) find(t *testing.T, who string, req *fitmentv1.FindDonorsRequest) (*fitmentv1.FindDonorsResponse, []string) {
	t.Helper()
	got, err := f.decisions.FindDonors(as(t, who), req)
	if err != nil {
		t.Fatal(err)
	}
	var stocks []string
	for _, d := range got.GetDonors() {
		stocks = append(stocks, d.GetListing().GetStockNumber())
	}
	return got, stocks
}

func TestDonorsAreDecidedAndOrdered(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	got, stocks := f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need()})
	if want := []string{"fits-2", "fits-3", "fits-1", "claimed", "bare"}; !slices.Equal(stocks, want) {
		t.Errorf("donors %v, want %v", stocks, want)
	}
	for i, d := range got.GetDonors() {
		want := fitmentv1.Decision_FITS
		if i >= 3 {
			want = fitmentv1.Decision_PROVE_FIRST
		}
		if d.GetDecision().GetVerdict() != want || len(d.GetDecision().GetFindings()) == 0 {
			t.Errorf("%s: %v", d.GetListing().GetName(), d.GetDecision())
		}
		if (len(d.GetDecision().GetMissingEvidence()) > 0) != (want == fitmentv1.Decision_PROVE_FIRST) {
			t.Errorf("%s: missing evidence %v", d.GetListing().GetName(), d.GetDecision().GetMissingEvidence())
		}
		if raw, err := protojson.Marshal(d); err != nil || strings.Contains(string(raw), "118341") {
			t.Errorf("%s tells the VIN's serial: %v", d.GetListing().GetName(), err)
		}
	}
	_, all := f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need(), IncludeUnsuitable: true})
	if want := []string{"fits-2", "fits-3", "fits-1", "claimed", "bare", "wrong-number", "deployed"}; !slices.Equal(all, want) {
		t.Errorf("all %v, want %v", all, want)
	}
	again, _ := f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need()})
	if got.GetRevision() != again.GetRevision() || got.GetRevision() == "" {
		t.Error("the same answer has another revision")
	}
}

func TestHeldAndSoldDonorsAreLeftOut(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	f.hold(t, shopA, fits1, 60)
	_, mine := f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need()})
	_, theirs := f.find(t, shopB, &fitmentv1.FindDonorsRequest{Need: need()})
	if !slices.Contains(mine, "fits-1") || slices.Contains(theirs, "fits-1") {
		t.Errorf("held by A: A finds %v, B finds %v", mine, theirs)
	}
	f.clock.Advance(time.Hour)
	if _, theirs = f.find(t, shopB, &fitmentv1.FindDonorsRequest{Need: need()}); !slices.Contains(theirs, "fits-1") {
		t.Errorf("after the hold B finds %v", theirs)
	}
	hold := f.hold(t, shopA, fits1, 60)
	if err := f.sell(t, shopA, fits1, hold.GetFence()); err != nil {
		t.Fatal(err)
	}
	if _, mine = f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need(), IncludeUnsuitable: true}); slices.Contains(mine, "fits-1") {
		t.Errorf("sold, but A finds %v", mine)
	}
}

func TestDonorPages(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	req := &fitmentv1.FindDonorsRequest{Need: need(), PageSize: 2}
	var got []string
	for range 3 {
		answer, stocks := f.find(t, shopA, req)
		got = append(got, stocks...)
		req.PageToken = answer.GetNextPageToken()
	}
	if want := []string{"fits-2", "fits-3", "fits-1", "claimed", "bare"}; !slices.Equal(got, want) || req.GetPageToken() != "" {
		t.Errorf("pages %v, then %q", got, req.GetPageToken())
	}
	first, _ := f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need(), PageSize: 2})
	token := first.GetNextPageToken()
	refused := func(who string, req *fitmentv1.FindDonorsRequest) {
		t.Helper()
		_, err := f.decisions.FindDonors(as(t, who), req)
		wantReason(t, err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	}
	other := need()
	other.Vehicle.ModelYear = 2004
	refused(shopA, &fitmentv1.FindDonorsRequest{Need: other, PageToken: token})
	refused(shopB, &fitmentv1.FindDonorsRequest{Need: need(), PageToken: token})
	refused(shopA, &fitmentv1.FindDonorsRequest{Need: need(), PageToken: token, IncludeUnsuitable: true})
	f.clock.Advance(24 * time.Hour)
	if _, stocks := f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need(), PageToken: token}); len(stocks) != 3 {
		t.Errorf("over midnight: %v", stocks)
	}
	f.clock.Advance(24 * time.Hour)
	refused(shopA, &fitmentv1.FindDonorsRequest{Need: need(), PageToken: token})

	first, _ = f.find(t, shopA, &fitmentv1.FindDonorsRequest{Need: need(), PageSize: 2})
	if _, err := f.importRecalls(t, admin, recallsHeader+"coverage,set 2,,2026-07-01,Orbis,,,,invented\n"); err != nil {
		t.Fatal(err)
	}
	refused(shopA, &fitmentv1.FindDonorsRequest{Need: need(), PageToken: first.GetNextPageToken()})
	_, err := f.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need(), PageSize: -1})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestDecide(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	decide := func(req *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
		req.Need = need()
		return f.decisions.Decide(as(t, shopA), req)
	}
	stored, err := decide(&fitmentv1.DecideRequest{ListingName: fits1})
	if err != nil || stored.GetDecision().GetVerdict() != fitmentv1.Decision_FITS || stored.GetRevision() == "" {
		t.Errorf("stored: %v, %v", stored, err)
	}
	if raw, err := protojson.Marshal(stored); err != nil || strings.Contains(string(raw), "118341") {
		t.Errorf("it tells the VIN's serial: %v", err)
	}
	inline, err := decide(&fitmentv1.DecideRequest{Listing: f.get(t, northYard, fits1)})
	if err != nil || inline.GetDecision().GetVerdict() != fitmentv1.Decision_FITS {
		t.Errorf("inline: %v, %v", inline, err)
	}
	empty, err := decide(&fitmentv1.DecideRequest{Listing: &fitmentv1.Listing{}})
	if err != nil || empty.GetDecision().GetVerdict() == fitmentv1.Decision_FITS {
		t.Errorf("an empty listing: %v, %v", empty, err)
	}
	again, err := decide(&fitmentv1.DecideRequest{ListingName: fits1})
	if err != nil || again.GetRevision() != stored.GetRevision() {
		t.Errorf("the same decision: revision %s, then %s, %v", stored.GetRevision(), again.GetRevision(), err)
	}
	f.hold(t, shopB, fits1, 5)
	after, err := decide(&fitmentv1.DecideRequest{ListingName: fits1})
	if err != nil || after.GetRevision() == stored.GetRevision() {
		t.Errorf("after a change: revision %s, %v", after.GetRevision(), err)
	}
	for want, req := range map[fitmentv1.ErrorInfo_Reason][]*fitmentv1.DecideRequest{
		fitmentv1.ErrorInfo_FIELD_INVALID: {
			{}, {Listing: &fitmentv1.Listing{}, ListingName: fits1}, {ListingName: "x"}, {Listing: &fitmentv1.Listing{Price: -1}},
		},
		fitmentv1.ErrorInfo_NOT_FOUND: {{ListingName: "listings/north-yard.none"}},
	} {
		for _, r := range req {
			_, err := decide(r)
			wantReason(t, err, want)
		}
	}
}

func TestPartsVinsAndFaults(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	parts, err := f.decisions.FindParts(as(t, shopA), &fitmentv1.FindPartsRequest{Need: need()})
	if err != nil || len(parts.GetParts()) != 2 || parts.GetParts()[0].GetPart().GetNumber() != "K-1" || parts.GetRevision() == "" {
		t.Errorf("parts %v, %v", parts, err)
	}
	// 49 CFR 565.15's sample VIN: check digit 4.
	vin, err := f.decisions.DecodeVin(as(t, shopA), &fitmentv1.DecodeVinRequest{Vin: "1G4AH59H45G118341", Market: "US"})
	if err != nil || !vin.GetValid() || vin.GetCheckDigit().GetExpected() != "4" {
		t.Errorf("VIN %v, %v", vin, err)
	}
	fault, err := f.decisions.AssessFault(as(t, shopA), &fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}})
	if err != nil || len(fault.GetCodes()) != 1 || len(fault.GetCautions()) == 0 {
		t.Errorf("fault %v, %v", fault, err)
	}
	for name, call := range map[string]func(context.Context) error{
		"FindParts": func(ctx context.Context) error {
			_, err := f.decisions.FindParts(ctx, &fitmentv1.FindPartsRequest{})
			return err
		},
		"FindDonors": func(ctx context.Context) error {
			_, err := f.decisions.FindDonors(ctx, &fitmentv1.FindDonorsRequest{})
			return err
		},
		"DecodeVin": func(ctx context.Context) error {
			_, err := f.decisions.DecodeVin(ctx, &fitmentv1.DecodeVinRequest{Vin: "1G4AH59O45G118341"})
			return err
		},
		"AssessFault": func(ctx context.Context) error {
			_, err := f.decisions.AssessFault(ctx, &fitmentv1.AssessFaultRequest{Codes: []string{"Z9"}})
			return err
		},
	} {
		if err := call(as(t, shopA)); reasonName(err) != "FIELD_INVALID" {
			t.Errorf("%s: %v", name, err)
		}
		if err := call(t.Context()); reasonName(err) != "CREDENTIAL_INVALID" {
			t.Errorf("%s without a caller: %v", name, err)
		}
	}
}
