package server_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/store"
)

func TestTheSameFileTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	for name, run := range map[string]func() (results, error){
		"parts":         func() (results, error) { return f.importParts(t, admin, csv(t, "parts.csv")) },
		"supersessions": func() (results, error) { return f.importSupersessions(t, admin, csv(t, "supersessions.csv")) },
		"recalls": func() (results, error) {
			return f.importRecalls(t, admin, recallsHeader+"coverage,set 1,,2026-06-20,Orbis,,,,invented\n")
		},
		"listings": func() (results, error) {
			return f.importListings(t, northYard, &fitmentv1.ImportOptions{}, csv(t, "listings.csv"))
		},
	} {
		got, err := run()
		if err != nil {
			t.Fatal(err)
		}
		rows := got.sum.GetRows()
		if want := (&fitmentv1.ImportSummary{Rows: rows, Unchanged: rows}); rows == 0 || !proto.Equal(got.sum, want) {
			t.Errorf("%s: %v", name, got.sum)
		}
	}
}

func TestBadRowsAreAnsweredAndGoodOnesStay(t *testing.T) {
	t.Parallel()
	f := start(t)
	got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{}, strings.Join([]string{
		"stock_number,kind,row,side,price,currency,flood",
		"a1,buckle pretensioner,1,right,180.00,USD,no",
		"a2,seat,1,right,180.00,USD,no",
		"a3,buckle pretensioner,1,right,12.345,USD,perhaps",
		"a4,clock spring,,,90,USD,",
		"",
	}, "\n"))
	if err != nil {
		t.Fatal(err)
	}
	if want := (&fitmentv1.ImportSummary{Rows: 4, Created: 2, Rejected: 2}); !proto.Equal(got.sum, want) {
		t.Errorf("summary %v", got.sum)
	}
	want := map[int32][]string{2: nil, 3: {"kind"}, 4: {"flood", "price"}, 5: nil}
	for _, row := range got.rows {
		var fields []string
		for _, p := range row.GetProblems() {
			fields = append(fields, p.GetField())
			if p.GetProblem() == "" || p.GetExpected() == "" {
				t.Errorf("row %d: %v", row.GetRow(), p)
			}
		}
		slices.Sort(fields)
		if !slices.Equal(fields, want[row.GetRow()]) {
			t.Errorf("row %d: problems %v, want %v", row.GetRow(), fields, want[row.GetRow()])
		}
	}
	if l := f.get(t, northYard, "listings/north-yard.a4"); l.GetPrice() != 9000 || l.GetState() != fitmentv1.Listing_AVAILABLE {
		t.Errorf("stored %v", l)
	}
}

func TestAnImportKeepsHoldsAndSales(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	hold := f.hold(t, shopA, fits1, 60)
	noted := strings.ReplaceAll(csv(t, "listings.csv"), "\n", ",second photo\n")
	noted = strings.Replace(noted, ",second photo\n", ",note\n", 1)
	got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{}, noted)
	if err != nil || got.sum.GetUpdated() != got.sum.GetRows() {
		t.Fatalf("%v, %v", got, err)
	}
	// What proves a held part may not be taken back; others' rows go through.
	got, err = f.importListings(t, northYard, &fitmentv1.ImportOptions{}, strings.ReplaceAll(noted, "J. Field", "J. Fielding"))
	if err != nil || got.sum.GetRejected() != 1 || got.sum.GetUpdated() != got.sum.GetRows()-1 {
		t.Fatalf("%v, %v", got, err)
	}
	l := f.get(t, shopA, fits1)
	if l.GetState() != fitmentv1.Listing_HELD || !proto.Equal(l.GetHold(), hold) {
		t.Errorf("after the import: %v", l)
	}
	if err := f.sell(t, shopA, fits1, hold.GetFence()); err != nil {
		t.Fatal(err)
	}
	dearer := strings.ReplaceAll(csv(t, "listings.csv"), "180.00", "190.00")
	got, err = f.importListings(t, northYard, &fitmentv1.ImportOptions{}, dearer)
	if err != nil || got.sum.GetRejected() != 1 {
		t.Fatalf("%v, %v", got.sum, err)
	}
	for _, row := range got.rows {
		if refused := row.GetOutcome() == fitmentv1.RowResult_REJECTED; refused != (row.GetName() == fits1) {
			t.Errorf("row %v", row)
		}
	}
	if l := f.get(t, shopA, fits1); l.GetState() != fitmentv1.Listing_SOLD || l.GetPrice() != 18000 {
		t.Errorf("the sold listing: %v", l)
	}
}

// TestAnImportJudgesHoldsByTheStoresTime, which here is not the process's.
func TestAnImportJudgesHoldsByTheStoresTime(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	f.hold(t, shopA, fits1, 60)
	dearer := strings.ReplaceAll(csv(t, "listings.csv"), "180.00", "190.00")
	got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{}, dearer)
	if err != nil || got.sum.GetRejected() != 1 {
		t.Fatalf("while it is held: %v, %v", got.sum, err)
	}
	f.clock.Advance(time.Hour)
	got, err = f.importListings(t, northYard, &fitmentv1.ImportOptions{}, dearer)
	if err != nil || got.sum.GetUpdated() != 1 || got.sum.GetRejected() != 0 {
		t.Fatalf("after the hold: %v, %v", got.sum, err)
	}
	if l := f.get(t, northYard, fits1); l.GetPrice() != 19000 || !l.GetUpdateTime().AsTime().Equal(f.clock.Now()) {
		t.Errorf("stored %v", l)
	}
}

func TestWhoMayImport(t *testing.T) {
	t.Parallel()
	f := start(t)
	for _, who := range []string{northYard, shopA, "office books"} {
		_, err := f.importParts(t, who, csv(t, "parts.csv"))
		wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
		_, err = f.importSupersessions(t, who, csv(t, "supersessions.csv"))
		wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
		_, err = f.importRecalls(t, who, recallsHeader)
		wantReason(t, err, fitmentv1.ErrorInfo_PERMISSION_MISSING)
	}
	one := "stock_number,kind,price,currency\n1,clock spring,1,USD\n"
	f.business(t, "bookshop", "books", "admin")
	for _, c := range []struct {
		who, owner string
		want       fitmentv1.ErrorInfo_Reason
	}{
		{northYard, "", fitmentv1.ErrorInfo_REASON_UNSPECIFIED},
		{northYard, "north-yard", fitmentv1.ErrorInfo_REASON_UNSPECIFIED},
		{northYard, "south-yard", fitmentv1.ErrorInfo_PERMISSION_MISSING},
		{shopA, "", fitmentv1.ErrorInfo_PERMISSION_MISSING},
		{admin, "south-yard", fitmentv1.ErrorInfo_REASON_UNSPECIFIED},
		{admin, "South Yard", fitmentv1.ErrorInfo_FIELD_INVALID},
		{admin, "suoth-yard", fitmentv1.ErrorInfo_FIELD_INVALID},
		{admin, "bookshop", fitmentv1.ErrorInfo_FIELD_INVALID},
		{admin, "common", fitmentv1.ErrorInfo_FIELD_INVALID},
		{admin, "office", fitmentv1.ErrorInfo_REASON_UNSPECIFIED},
	} {
		_, err := f.importListings(t, c.who, &fitmentv1.ImportOptions{Owner: c.owner}, one)
		wantReason(t, err, c.want)
	}
	f.get(t, admin, "listings/south-yard.1")
	for yard, want := range map[string]string{"suoth-yard": "there is no business", "bookshop": "has no desk yard"} {
		_, err := f.importListings(t, admin, &fitmentv1.ImportOptions{Owner: yard}, one)
		if s := status.Convert(err); !strings.HasPrefix(s.Message(), "options.owner: ") || !strings.Contains(s.Message(), want) {
			t.Errorf("%s: %v", yard, err)
		}
		part := plain("7")
		part.Yard = yard
		_, err = f.listings.CreateListing(as(t, admin), &fitmentv1.CreateListingRequest{Listing: part, RequestId: newID()})
		wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
		if s := status.Convert(err); !strings.HasPrefix(s.Message(), "listing.yard: ") || !strings.Contains(s.Message(), want) {
			t.Errorf("%s: %v", yard, err)
		}
		if kept, err := f.store.List(t.Context(), yard, listing.Kind, "", 1); err != nil || len(kept) > 0 {
			t.Errorf("%s has %d listings, %v", yard, len(kept), err)
		}
	}
	stream, err := f.listings.ImportListings(t.Context())
	_, err = upload(t, stream, err, &fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Options{Options: &fitmentv1.ImportOptions{}}})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}

// business admits a business with some desks only.
func (f *fixture) business(t *testing.T, id string, desks ...string) {
	t.Helper()
	value, err := businesses.Encode(&fitmentv1.Business{Id: id, DisplayName: id, Roles: desks})
	if err != nil {
		t.Fatal(err)
	}
	applied, err := f.store.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: businesses.KeyOf(id), Expect: store.Absent, Value: value}}})
	if err != nil || applied[0].Err != nil {
		t.Fatal(err, applied)
	}
}

func TestADryRunStoresNothing(t *testing.T) {
	t.Parallel()
	f := start(t)
	got, err := f.importListings(t, northYard, &fitmentv1.ImportOptions{DryRun: true}, csv(t, "listings.csv"))
	if err != nil || !got.sum.GetDryRun() || got.sum.GetCreated() != got.sum.GetRows() || got.sum.GetRows() == 0 {
		t.Fatalf("%v, %v", got.sum, err)
	}
	list, err := f.listings.ListListings(as(t, northYard), &fitmentv1.ListListingsRequest{})
	if err != nil || len(list.GetListings()) != 0 {
		t.Errorf("stored %v, %v", list, err)
	}
}

func TestTheCatalogueIsListed(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	part, err := f.catalogue.GetPart(as(t, shopA), &fitmentv1.GetPartRequest{Name: "parts/orbis.K1"})
	if err != nil || part.GetPart().GetNumber() != "K-1" || part.GetPart().GetEtag() == "" || part.GetRevision() == "" {
		t.Errorf("got %v, %v", part, err)
	}
	_, err = f.catalogue.GetPart(as(t, shopA), &fitmentv1.GetPartRequest{Name: "parts/orbis.NONE"})
	wantReason(t, err, fitmentv1.ErrorInfo_NOT_FOUND)
	for _, bad := range []string{"", "parts/", "parts/x", "parts/.x", "listings/orbis.K1", "parts/" + strings.Repeat("x", 300) + ".1"} {
		_, err = f.catalogue.GetPart(as(t, shopA), &fitmentv1.GetPartRequest{Name: bad})
		wantReason(t, err, fitmentv1.ErrorInfo_FIELD_INVALID)
	}
	var numbers []string
	req := &fitmentv1.ListPartsRequest{PageSize: 2}
	for range 3 {
		page, err := f.catalogue.ListParts(as(t, shopA), req)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range page.GetParts() {
			numbers = append(numbers, p.GetNumber())
		}
		if req.PageToken = page.GetNextPageToken(); req.GetPageToken() == "" {
			break
		}
	}
	if !slices.Equal(numbers, []string{"K-1", "K-2", "X-1"}) {
		t.Errorf("parts %v", numbers)
	}
	supersessions, err := f.catalogue.ListSupersessions(as(t, shopA), &fitmentv1.ListSupersessionsRequest{})
	if err != nil || len(supersessions.GetSupersessions()) != 1 || supersessions.GetSupersessions()[0].GetNewNumber() != "K-2" {
		t.Errorf("supersessions %v, %v", supersessions, err)
	}
	recalls, err := f.catalogue.ListRecalls(as(t, shopA), &fitmentv1.ListRecallsRequest{})
	if err != nil || len(recalls.GetRecalls()) != 1 || recalls.GetRecalls()[0].GetType() != fitmentv1.Recall_COVERAGE {
		t.Errorf("recalls %v, %v", recalls, err)
	}
	_, err = f.catalogue.ListRecalls(as(t, shopA), &fitmentv1.ListRecallsRequest{PageToken: "x"})
	wantReason(t, err, fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID)
	_, err = f.catalogue.ListParts(t.Context(), &fitmentv1.ListPartsRequest{})
	wantReason(t, err, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}
