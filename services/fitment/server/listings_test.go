package server_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

func plain(stock string) *fitmentv1.Listing {
	return &fitmentv1.Listing{
		StockNumber: stock, Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
		PartMaker: "Orbis", PartNumber: "K-1", CurrencyCode: "USD", Price: 18000,
		Donor: &fitmentv1.Vehicle{Vin: "1G4AH59H45G118341", Make: "Velorn", Model: "Kestrel", ModelYear: 2005},
	}
}

func (f *fixture) create(t *testing.T, who string, l *fitmentv1.Listing) *fitmentv1.CreateListingResponse {
	t.Helper()
	got, err := f.listings.CreateListing(as(t, who), &fitmentv1.CreateListingRequest{Listing: l, RequestId: newID()})
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func (f *fixture) get(t *testing.T, who, name string) *fitmentv1.Listing {
	t.Helper()
	got, err := f.listings.GetListing(as(t, who), &fitmentv1.GetListingRequest{Name: name})
	if err != nil {
		t.Fatal(err)
	}
	return got.GetListing()
}

func TestCreateAndGet(t *testing.T) {
	t.Parallel()
	f := start(t)
	created := f.create(t, northYard, plain("1"))
	l := created.GetListing()
	if l.GetName() != "listings/north-yard.1" || l.GetYard() != "north-yard" || l.GetState() != fitmentv1.Listing_AVAILABLE ||
		l.GetEtag() == "" || !l.GetCreateTime().AsTime().Equal(f.clock.Now()) {
		t.Errorf("created %v", l)
	}
	got, err := f.listings.GetListing(as(t, northYard), &fitmentv1.GetListingRequest{Name: l.GetName(), MinRevision: created.GetRevision()})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(l, got.GetListing(), protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	if vin := f.get(t, shopA, l.GetName()).GetDonor().GetVin(); vin != "1G4AH59H45G******" {
		t.Errorf("another business sees VIN %q", vin)
	}
	_, err = f.listings.CreateListing(as(t, northYard), &fitmentv1.CreateListingRequest{Listing: plain("1"), RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_ALREADY_EXISTS)
	_, err = f.listings.GetListing(as(t, shopA), &fitmentv1.GetListingRequest{Name: "listings/north-yard.2"})
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = f.listings.GetListing(as(t, shopA), &fitmentv1.GetListingRequest{Name: "north-yard/2"})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestWhoMayList(t *testing.T) {
	t.Parallel()
	f := start(t)
	for who, want := range map[string]fitmentv1.ErrorInfo_Reason{
		northYard:               fitmentv1.ErrorInfo_REASON_UNSPECIFIED,
		admin:                   fitmentv1.ErrorInfo_REASON_UNSPECIFIED,
		"north-yard shop books": fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"south-yard yard":       fitmentv1.ErrorInfo_PERMISSION_MISSING,
		shopA:                   fitmentv1.ErrorInfo_PERMISSION_MISSING,
	} {
		l := plain("by-" + principal(who).Tenant)
		l.Yard = "north-yard"
		_, err := f.listings.CreateListing(as(t, who), &fitmentv1.CreateListingRequest{Listing: l, RequestId: newID()})
		wantReason(t, err, want)
	}
	_, err := f.listings.CreateListing(t.Context(), &fitmentv1.CreateListingRequest{Listing: plain("1"), RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

func TestCreateNamesEveryBadField(t *testing.T) {
	t.Parallel()
	f := start(t)
	l := plain("1")
	l.Name, l.State, l.Buyer, l.Etag, l.Price = "listings/other.1", fitmentv1.Listing_SOLD, "me", "x", -1
	l.Hold, l.CreateTime, l.UpdateTime = &fitmentv1.Hold{}, l.GetCreateTime(), nil
	_, err := f.listings.CreateListing(as(t, northYard), &fitmentv1.CreateListingRequest{Listing: l, RequestId: "1"})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
	want := []string{"listing.buyer", "listing.etag", "listing.hold", "listing.name", "listing.price", "listing.state", "request_id"}
	if got := fieldsOf(err); !slices.Equal(got, want) {
		t.Errorf("fields %v, want %v", got, want)
	}
}

// TestAnErrorQuotesLittle: however long the fields of a request, its error stays
// short and names them all.
func TestAnErrorQuotesLittle(t *testing.T) {
	t.Parallel()
	f := start(t)
	long := strings.Repeat("X", 50_000)
	l := plain(long)
	l.Name, l.Yard, l.CurrencyCode, l.Jurisdiction, l.Donor.Market = long, long, long, long, long
	l.Donor.BuildDate, l.PartNumber = long, long+"!"
	_, err := f.listings.CreateListing(as(t, northYard), &fitmentv1.CreateListingRequest{Listing: l, RequestId: long})
	want := []string{
		"listing.currency_code", "listing.donor.build_date", "listing.donor.market", "listing.jurisdiction", "listing.name",
		"listing.part_number", "listing.stock_number", "listing.yard", "request_id",
	}
	if got := slices.Compact(fieldsOf(err)); !slices.Equal(got, want) {
		t.Errorf("fields %v, want %v", got, want)
	}
	if size := proto.Size(status.Convert(err).Proto()); size > 8000 {
		t.Errorf("an error of %d bytes", size)
	}
}

func TestARepeatAnswersTheSame(t *testing.T) {
	t.Parallel()
	f := start(t)
	req := &fitmentv1.CreateListingRequest{Listing: plain("1"), RequestId: newID()}
	first, err := f.listings.CreateListing(as(t, northYard), req)
	if err != nil {
		t.Fatal(err)
	}
	hold := &fitmentv1.HoldListingRequest{Name: first.GetListing().GetName(), Minutes: 60, RequestId: newID()}
	held, err := f.listings.HoldListing(as(t, shopA), hold)
	if err != nil {
		t.Fatal(err)
	}
	f.clock.Advance(time.Hour - time.Second)
	again, err := f.listings.CreateListing(as(t, northYard), req)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, again, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	heldAgain, err := f.listings.HoldListing(as(t, shopA), hold)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(held, heldAgain, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	other := proto.Clone(req).(*fitmentv1.CreateListingRequest)
	other.Listing.Price++
	_, err = f.listings.CreateListing(as(t, northYard), other)
	wantReason(t, err, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	f.clock.Advance(time.Second)
	if _, err := f.listings.HoldListing(as(t, shopB), &fitmentv1.HoldListingRequest{Name: hold.GetName(), Minutes: 60, RequestId: hold.GetRequestId()}); err != nil {
		t.Errorf("another business may use the same id: %v", err)
	}
}

// TestARepeatShowsNoMoreThanItsCallerMaySee: any key of the business may repeat a
// request, and at any time; what the first caller saw is not for everybody.
func TestARepeatShowsNoMoreThanItsCallerMaySee(t *testing.T) {
	t.Parallel()
	const masked = "1G4AH59H45G******"
	f := start(t)
	f.stock(t)
	asked := &fitmentv1.HoldListingRequest{Name: fits1, Minutes: 60, RequestId: newID()}
	held, err := f.listings.HoldListing(as(t, shopA), asked)
	if err != nil || held.GetListing().GetDonor().GetVin() == masked {
		t.Fatalf("got %v, %v", held, err)
	}
	release := &fitmentv1.ReleaseListingRequest{Name: fits1, Fence: held.GetListing().GetHold().GetFence(), RequestId: newID()}
	byAdmin, err := f.listings.ReleaseListing(as(t, admin), release)
	if err != nil || byAdmin.GetListing().GetDonor().GetVin() != masked || byAdmin.GetListing().GetHold() == nil {
		t.Fatalf("the operator sees the hold and no VIN: %v, %v", byAdmin, err)
	}
	byClerk, err := f.listings.ReleaseListing(as(t, "office shop"), release)
	if err != nil {
		t.Fatal(err)
	}
	if l := byClerk.GetListing(); l.GetDonor().GetVin() != masked || l.GetHold() != nil || byClerk.GetRevision() != byAdmin.GetRevision() ||
		l.GetEtag() != byAdmin.GetListing().GetEtag() {
		t.Errorf("a key without the role operator sees %v", byClerk)
	}
	f.clock.Advance(time.Hour)
	again, err := f.listings.HoldListing(as(t, shopA), asked)
	if err != nil {
		t.Fatal(err)
	}
	if l := again.GetListing(); l.GetDonor().GetVin() != masked || l.GetState() != fitmentv1.Listing_HELD || again.GetRevision() != held.GetRevision() {
		t.Errorf("the holder that was sees %v", again)
	}
}

func TestUpdate(t *testing.T) {
	t.Parallel()
	f := start(t)
	l := f.create(t, northYard, plain("1")).GetListing()
	l.Note = "second photo"
	req := &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()}
	_, err := f.listings.UpdateListing(as(t, shopA), req)
	wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	got, err := f.listings.UpdateListing(as(t, northYard), req)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetListing().GetNote() != "second photo" || got.GetListing().GetEtag() == l.GetEtag() || got.GetListing().GetState() != fitmentv1.Listing_AVAILABLE {
		t.Errorf("updated %v", got)
	}
	_, err = f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: l, Etag: l.GetEtag(), RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_ETAG_STALE)
	if status.Code(err) != codes.Aborted {
		t.Errorf("code %s", status.Code(err))
	}
	_, err = f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: l, RequestId: newID()})
	if got := fieldsOf(err); !slices.Equal(got, []string{"etag"}) {
		t.Errorf("fields %v", got)
	}
	moved := proto.Clone(got.GetListing()).(*fitmentv1.Listing)
	moved.StockNumber, moved.Yard = "2", "south-yard"
	_, err = f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{Listing: moved, Etag: moved.GetEtag(), RequestId: newID()})
	if got := fieldsOf(err); !slices.Equal(got, []string{"listing.stock_number", "listing.yard"}) {
		t.Errorf("fields %v", got)
	}
	if _, err := f.listings.UpdateListing(as(t, northYard), &fitmentv1.UpdateListingRequest{RequestId: newID(), Etag: "x"}); !slices.Contains(fieldsOf(err), "listing.name") {
		t.Errorf("without a listing: %v", err)
	}
}

func TestWithdraw(t *testing.T) {
	t.Parallel()
	f := start(t)
	l := f.create(t, northYard, plain("1")).GetListing()
	req := &fitmentv1.WithdrawListingRequest{Name: l.GetName(), Etag: l.GetEtag(), RequestId: newID()}
	_, err := f.listings.WithdrawListing(as(t, shopA), req)
	wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	got, err := f.listings.WithdrawListing(as(t, northYard), req)
	if err != nil || got.GetListing().GetState() != fitmentv1.Listing_WITHDRAWN {
		t.Fatalf("got %v, %v", got, err)
	}
	_, err = f.listings.HoldListing(as(t, shopA), &fitmentv1.HoldListingRequest{Name: l.GetName(), Minutes: 1, RequestId: newID()})
	wantReason(t, err, fitmentv1.ErrorInfo_LISTING_GONE)
	missing := &fitmentv1.WithdrawListingRequest{Name: "listings/north-yard.9", Etag: "x", RequestId: newID()}
	_, err = f.listings.WithdrawListing(as(t, northYard), missing)
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
}

func TestListIsPaged(t *testing.T) {
	t.Parallel()
	f := start(t)
	for i := range 7 {
		f.create(t, northYard, plain(fmt.Sprintf("s%d", i)))
	}
	f.create(t, "south-yard yard", plain("s0"))
	var got []string
	req := &fitmentv1.ListListingsRequest{Yard: "north-yard", PageSize: 3}
	for pages := 0; ; pages++ {
		answer, err := f.listings.ListListings(as(t, shopA), req)
		if err != nil || pages > 3 {
			t.Fatalf("page %d: %v", pages, err)
		}
		for _, l := range answer.GetListings() {
			got = append(got, l.GetStockNumber())
			if l.GetDonor().GetVin() != "1G4AH59H45G******" || l.GetEtag() == "" || l.GetYard() != "north-yard" {
				t.Errorf("listed %v", l)
			}
		}
		if req.PageToken = answer.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
	}
	if want := []string{"s0", "s1", "s2", "s3", "s4", "s5", "s6"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	first, err := f.listings.ListListings(as(t, northYard), &fitmentv1.ListListingsRequest{PageSize: 3})
	if err != nil || len(first.GetListings()) != 3 {
		t.Fatalf("own yard: %v, %v", first, err)
	}
	for who, bad := range map[string]*fitmentv1.ListListingsRequest{
		northYard: {Yard: "south-yard", PageToken: first.GetNextPageToken()},
		shopA:     {PageToken: first.GetNextPageToken()},
		shopB:     {PageToken: "nonsense"},
	} {
		_, err := f.listings.ListListings(as(t, who), bad)
		wantReason(t, err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	}
	_, err = f.listings.ListListings(as(t, shopA), &fitmentv1.ListListingsRequest{PageSize: -1})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
	_, err = f.listings.ListListings(as(t, shopA), &fitmentv1.ListListingsRequest{Yard: "No Yard"})
	wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestMinRevision(t *testing.T) {
	t.Parallel()
	f := start(t)
	created := f.create(t, northYard, plain("1"))
	name := created.GetListing().GetName()
	place, err := revision.Parse(created.GetRevision())
	if err != nil {
		t.Fatal(err)
	}
	for text, want := range map[string]fitmentv1.ErrorInfo_Reason{
		created.GetRevision():  fitmentv1.ErrorInfo_REASON_UNSPECIFIED,
		"nonsense":             fitmentv1.ErrorInfo_REVISION_INVALID,
		revision.Digest(place): fitmentv1.ErrorInfo_REVISION_INVALID,
		revision.Place(store.Place{Epoch: "other", Version: 1}): fitmentv1.ErrorInfo_REVISION_INVALID,
	} {
		_, err := f.listings.GetListing(as(t, shopA), &fitmentv1.GetListingRequest{Name: name, MinRevision: text})
		wantReason(t, err, want)
		_, err = f.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: name, MinRevision: text})
		wantReason(t, err, want)
		_, err = f.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need(), MinRevision: text})
		wantReason(t, err, want)
	}

	ahead := revision.Place(store.Place{Epoch: place.Epoch, Version: place.Version + 1})
	hurried, cancel := context.WithTimeout(as(t, shopA), 50*time.Millisecond)
	defer cancel()
	_, err = f.decisions.FindDonors(hurried, &fitmentv1.FindDonorsRequest{Need: need(), MinRevision: ahead})
	if code := status.Code(err); code != codes.Unavailable && code != codes.DeadlineExceeded {
		t.Errorf("a place not reached: %v", err)
	}
	done := make(chan error, 1)
	go func() {
		answer, err := f.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need(), MinRevision: ahead})
		if err == nil && len(answer.GetDonors()) != 2 {
			err = fmt.Errorf("%d donors, want 2", len(answer.GetDonors()))
		}
		done <- err
	}()
	f.create(t, northYard, plain("2"))
	if err := <-done; err != nil {
		t.Errorf("waiting for the next write: %v", err)
	}
}

func TestAnIndexThatIsBehindSaysSo(t *testing.T) {
	t.Parallel()
	f := start(t)
	created := f.create(t, northYard, plain("1"))
	place, err := revision.Parse(created.GetRevision())
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(directly(t.Context(), shopA), 50*time.Millisecond)
	defer cancel()
	_, err = f.FindDonors(ctx, &fitmentv1.FindDonorsRequest{
		Need: need(), MinRevision: revision.Place(store.Place{Epoch: place.Epoch, Version: place.Version + 1}),
	})
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_READY)
	if status.Code(err) != codes.Unavailable || !hasRetryInfo(err) {
		t.Errorf("got %v", err)
	}
}

// broken is a store whose reads of the feed fail.
type broken struct{ store.Store }

func (broken) Changes(context.Context, int64, int) ([]store.Record, error) {
	return nil, errors.New("the disk is gone")
}

func TestNothingIsFoundWithoutTheStore(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	blind := serveOn(t, broken{f.store}, f.clock)
	if err := blind.Ready(t.Context()); err == nil {
		t.Error("ready although the store cannot be read")
	}
	if got, err := blind.decisions.FindDonors(as(t, shopA), &fitmentv1.FindDonorsRequest{Need: need()}); err == nil {
		t.Errorf("found %v", got)
	}
	name := "listings/north-yard.fits-1"
	if got, err := blind.decisions.Decide(as(t, shopA), &fitmentv1.DecideRequest{Need: need(), ListingName: name}); err == nil {
		t.Errorf("decided %v", got)
	}
	if err := f.Ready(t.Context()); err != nil {
		t.Errorf("the other is not ready: %v", err)
	}
}
