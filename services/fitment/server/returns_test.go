package server_test

import (
	"slices"
	"strings"
	"sync"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

const clipCheck = "Look into the connector for the shorting clip."

// sold has shop-a buy the listing that fits.
func (f *fixture) sold(t *testing.T) {
	t.Helper()
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	if err := f.sell(t, shopA, fits1, hold.GetFence()); err != nil {
		t.Fatal(err)
	}
}

func sendBack(checks ...string) *fitmentv1.ReturnListingRequest {
	return &fitmentv1.ReturnListingRequest{Name: fits1, Report: &fitmentv1.ReturnReport{FailedChecks: checks, Note: "as it came"}, RequestId: newID()}
}

func TestReturnAndRelist(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.sold(t)
	request := sendBack(clipCheck)
	request.Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_SHORTING_CLIP_PRESENT, Value: "no"}}
	for _, who := range []string{shopB, northYard, admin} {
		_, err := f.listings.ReturnListing(as(t, who), request)
		wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	}
	first, err := f.listings.ReturnListing(as(t, shopA), request)
	if err != nil {
		t.Fatal(err)
	}
	back := first.GetListing()
	if back.GetName() != fits1+"-R1" || back.GetState() != fitmentv1.Listing_RETURNING || back.GetReturnOf() != fits1 || first.GetRevision() == "" {
		t.Errorf("came back as %v", back)
	}
	again, err := f.listings.ReturnListing(as(t, shopA), request)
	if err != nil || again.GetListing().GetName() != back.GetName() || again.GetRevision() != first.GetRevision() {
		t.Errorf("the repeat answers %v, %v", again.GetListing().GetName(), err)
	}
	_, err = f.listings.ReturnListing(as(t, shopA), sendBack(clipCheck))
	wantReason(t, err, fitmentv1.ErrorInfo_ALREADY_EXISTS)
	if l := f.get(t, shopA, fits1); l.GetState() != fitmentv1.Listing_SOLD || l.GetReturnedAs() != back.GetName() {
		t.Errorf("the sold listing is %v", l)
	}
	_, err = f.listings.HoldListing(as(t, shopB), &fitmentv1.HoldListingRequest{Name: back.GetName(), Minutes: 5, RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	if names := f.found(t, shopB); slices.Contains(names, back.GetName()) {
		t.Errorf("a part on its way back is offered: %v", names)
	}
	relist := &fitmentv1.RelistListingRequest{Name: back.GetName(), Etag: back.GetEtag(), RequestId: newID()}
	_, err = f.listings.RelistListing(as(t, shopA), relist)
	wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	_, err = f.listings.RelistListing(as(t, northYard), &fitmentv1.RelistListingRequest{Name: back.GetName(), Etag: "x", RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_ETAG_STALE)
	on, err := f.listings.RelistListing(as(t, northYard), relist)
	if err != nil || on.GetListing().GetState() != fitmentv1.Listing_AVAILABLE {
		t.Fatalf("relisted %v, %v", on.GetListing().GetState(), err)
	}
	_, err = f.listings.RelistListing(as(t, northYard), &fitmentv1.RelistListingRequest{Name: back.GetName(), Etag: on.GetListing().GetEtag(), RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_STEP_REFUSED)
	if names := f.found(t, shopB); !slices.Contains(names, back.GetName()) {
		t.Errorf("a part on sale again is not found: %v", names)
	}
	// The clip that the buyer saw missing keeps it from fitting, and the warning stays.
	decided, err := f.decisions.Decide(as(t, shopB), &fitmentv1.DecideRequest{Need: need(), ListingName: back.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	if d := decided.GetDecision(); d.GetVerdict() == fitmentv1.Decision_FITS || !strings.Contains(strings.Join(d.GetCautions(), " "), "came back from a buyer on 2026-06-30") {
		t.Errorf("decided %v, cautions %q", d.GetVerdict(), d.GetCautions())
	}
	_, err = f.listings.HoldListing(as(t, shopB), &fitmentv1.HoldListingRequest{Name: back.GetName(), Minutes: 5, RequestId: newID()})
	if err != nil {
		t.Errorf("a part on sale again cannot be held: %v", err)
	}
}

// found lists the names of all listings that a search shows.
func (f *fixture) found(t *testing.T, who string) []string {
	t.Helper()
	answer, err := f.decisions.FindDonors(as(t, who), &fitmentv1.FindDonorsRequest{Need: need(), PageSize: 1000, IncludeUnsuitable: true})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, d := range answer.GetDonors() {
		names = append(names, d.GetListing().GetName())
	}
	return names
}

func TestWhatAReturnRefuses(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.sold(t)
	for field, spoil := range map[string]func(*fitmentv1.ReturnListingRequest){
		"name":                    func(r *fitmentv1.ReturnListingRequest) { r.Name = "listings/x" },
		"request_id":              func(r *fitmentv1.ReturnListingRequest) { r.RequestId = "1" },
		"report.failed_checks":    func(r *fitmentv1.ReturnListingRequest) { r.Report = nil },
		"report.failed_checks[0]": func(r *fitmentv1.ReturnListingRequest) { r.Report.FailedChecks = []string{"\x00"} },
		"report.note":             func(r *fitmentv1.ReturnListingRequest) { r.Report.Note = strings.Repeat("x", 1001) },
		"evidence[0].value": func(r *fitmentv1.ReturnListingRequest) {
			r.Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DAMAGE, Value: "perhaps"}}
		},
		"evidence[0].date": func(r *fitmentv1.ReturnListingRequest) {
			r.Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DAMAGE, Value: "yes", Date: "2026-07-09"}}
		},
		"evidence[0].attachments[0]": func(r *fitmentv1.ReturnListingRequest) {
			r.Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DAMAGE, Value: "yes", Attachments: []string{"attachments/shop-a." + strings.Repeat("0", 64)}}}
		},
	} {
		request := sendBack(clipCheck)
		spoil(request)
		_, err := f.listings.ReturnListing(as(t, shopA), request)
		if got := fieldsOf(err); !slices.Equal(got, []string{field}) {
			t.Errorf("%s: got %v (%v)", field, got, err)
		}
	}
	if _, err := f.listings.ReturnListing(as(t, shopA), &fitmentv1.ReturnListingRequest{Name: "listings/north-yard.none", Report: sendBack("x").GetReport(), RequestId: newID()}); reasonName(err) != "NOT_FOUND" {
		t.Errorf("no such listing: %v", err)
	}
}

// Whichever check failed, and though the buyer says nothing useful of what was seen,
// the part fits nobody once it is on sale again: not as it is, and not by the yard's
// saying again what it said before.
func TestNoPartFitsAgainUnseen(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	before := f.get(t, northYard, fits1)
	first, err := f.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: fits1})
	if err != nil || first.GetDecision().GetVerdict() != fitmentv1.Decision_FITS || len(first.GetDecision().GetArrivalChecks()) != 6 {
		t.Fatalf("decided %v, %v", first.GetDecision(), err)
	}
	for i, due := range first.GetDecision().GetArrivalChecks() {
		if i > 0 {
			f = start(t)
			f.stock(t)
		}
		if err := f.sell(t, shopA, fits1, f.hold(t, shopA, fits1, 60).GetFence()); err != nil {
			t.Fatal(err)
		}
		request := sendBack(due.GetCheck())
		if strings.Contains(due.GetCheck(), "report the loop") { // how it was read is not said
			request.Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "OL"}}
		}
		back, err := f.listings.ReturnListing(as(t, shopA), request)
		if err != nil {
			t.Fatal(err)
		}
		name := back.GetListing().GetName()
		_, err = f.listings.RelistListing(as(t, northYard), &fitmentv1.RelistListingRequest{Name: name, Etag: back.GetListing().GetEtag(), RequestId: newID()})
		if err != nil {
			t.Fatal(err)
		}
		f.fitsNobody(t, name, due.GetCheck())
		says := f.get(t, northYard, name)
		says.Evidence = before.GetEvidence()
		_, err = f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: says, Etag: says.GetEtag(), RequestId: newID()})
		if err != nil {
			t.Fatal(err)
		}
		f.fitsNobody(t, name, due.GetCheck()+" (said again)")
	}
}

func (f *fixture) fitsNobody(t *testing.T, name, failed string) {
	t.Helper()
	decided, err := f.decisions.Decide(as(t, shopB), &fitmentv1.DecideRequest{Need: need(), ListingName: name})
	if err != nil || decided.GetDecision().GetVerdict() != fitmentv1.Decision_PROVE_FIRST {
		t.Errorf("after %q: %v, %v", failed, decided.GetDecision().GetVerdict(), err)
	}
}

// A number that the yard took for another part is left alone.
func TestAReturnTakesAFreeNumber(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.sold(t)
	own := f.get(t, northYard, fits1)
	_, err := f.listings.CreateListing(as(t, northYard), &fitmentv1.CreateListingRequest{RequestId: newID(), Listing: &fitmentv1.Listing{
		StockNumber: own.GetStockNumber() + "-R1", Kind: own.GetKind(), Position: own.GetPosition(), CurrencyCode: "USD", Price: 1,
	}})
	if err != nil {
		t.Fatal(err)
	}
	back, err := f.listings.ReturnListing(as(t, shopA), sendBack(clipCheck))
	if err != nil || back.GetListing().GetName() != fits1+"-R2" {
		t.Errorf("came back as %v, %v", back.GetListing().GetName(), err)
	}
}

// Of several returns at once one makes a listing; a part comes back once.
func TestOnePartComesBackOnce(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.sold(t)
	reasons := make([]string, 8)
	var running sync.WaitGroup
	for i := range reasons {
		running.Go(func() {
			_, err := f.listings.ReturnListing(as(t, shopA), sendBack(clipCheck))
			reasons[i] = reasonName(err)
		})
	}
	running.Wait()
	slices.Sort(reasons)
	if reasons[0] != "ALREADY_EXISTS" || reasons[6] != "ALREADY_EXISTS" || reasons[7] != "REASON_UNSPECIFIED" {
		t.Errorf("got %v", reasons)
	}
	all, err := f.listings.ListListings(as(t, northYard), &fitmentv1.ListListingsRequest{PageSize: 1000})
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, l := range all.GetListings() {
		if l.GetReturnOf() != "" {
			n++
		}
	}
	if n != 1 {
		t.Errorf("%d listings came back", n)
	}
}

func TestOutputOnlyFieldsOfReturns(t *testing.T) {
	t.Parallel()
	f := start(t)
	_, err := f.listings.CreateListing(as(t, northYard), &fitmentv1.CreateListingRequest{RequestId: newID(), Listing: &fitmentv1.Listing{
		StockNumber: "x-1", Kind: fitmentv1.Part_CLOCK_SPRING, CurrencyCode: "USD", ReturnOf: fits1, ReturnedAs: fits1,
		ReturnReport: &fitmentv1.ReturnReport{FailedChecks: []string{"x"}},
	}})
	if got := fieldsOf(err); !slices.Equal(got, []string{"listing.return_of", "listing.return_report", "listing.returned_as"}) {
		t.Errorf("got %v", got)
	}
}
