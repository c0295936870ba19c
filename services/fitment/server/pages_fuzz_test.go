package server_test

import (
	"context"
	"encoding/json"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/storetest"
)

// stocked is a server with six listings of two yards, called without a connection.
func stocked(f *testing.F) *server.Server {
	f.Helper()
	c := storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))
	st, err := embedded.Open(f.TempDir(), embedded.Options{Now: c.Now, NoSync: true})
	if err != nil {
		f.Fatal(err)
	}
	shelf, err := files.Open(f.TempDir())
	if err != nil {
		f.Fatal(err)
	}
	s, err := server.New(server.Options{Store: st, Files: shelf, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		f.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() {
		if err := s.Run(ctx); err != nil {
			f.Errorf("Run: %v", err)
		}
	})
	f.Cleanup(func() {
		cancel()
		running.Wait()
		if err := st.Close(); err != nil {
			f.Errorf("close the store: %v", err)
		}
	})
	for _, yard := range []string{"north-yard", "south-yard"} {
		for _, stock := range []string{"a-1", "b-2", "c-3"} {
			_, err := s.CreateListing(directly(f.Context(), yard+" yard"), &fitmentv1.CreateListingRequest{RequestId: newID(), Listing: &fitmentv1.Listing{
				StockNumber: stock, Kind: need().GetKind(), Position: need().GetPosition(), Donor: need().GetVehicle(), Price: 4500, CurrencyCode: "USD", Jurisdiction: "US-WA",
			}})
			if err != nil {
				f.Fatal(err)
			}
		}
	}
	return s
}

// FuzzPageTokens gives lists and searches tokens with arbitrary cursors that bear
// the right request and caller, as whoever knows how they are made can make them,
// and arbitrary tokens: a token is refused with its one reason, or it chooses
// where a page starts and nothing else.
func FuzzPageTokens(f *testing.F) {
	s := stocked(f)
	for _, seed := range []string{
		`{"after":"a-1"}`, `{"after":"\u0000"}`, `{"after":"../common"}`, `{"after":7}`, `{}`, `null`, `[]`, `"x"`, `{"After":"b-2","after":"a-1"}`,
		`{"rank":1,"minutes":1e308,"price":-9223372036854775808,"name":"listings/x.y","epoch":"","catalogue":0,"day":"2026-06-30"}`,
		`{"rank":-1,"day":"9999-99-99"}`, `{"rank":99999999999999999999}`,
	} {
		f.Add(seed, true)
		f.Add(seed, false)
	}
	first, err := s.FindDonors(directly(f.Context(), shopA), &fitmentv1.FindDonorsRequest{Need: need(), PageSize: 1})
	if err != nil || first.GetNextPageToken() == "" {
		f.Fatalf("no second page to ask for: %v, %v", first, err)
	}
	f.Add(first.GetNextPageToken(), false)
	f.Fuzz(func(t *testing.T, text string, made bool) {
		ctx := directly(t.Context(), shopA)
		token := func(request proto.Message) string {
			if !made || !json.Valid([]byte(text)) {
				return text
			}
			token, err := page.Encode("shop-a", request, json.RawMessage(text))
			if err != nil {
				t.Fatal(err)
			}
			return token
		}
		list := &fitmentv1.ListListingsRequest{Yard: "north-yard"}
		list.PageToken = token(list)
		listed, err := s.ListListings(ctx, list)
		refused(t, err)
		for i, l := range listed.GetListings() {
			if l.GetYard() != "north-yard" || (i > 0 && l.GetStockNumber() <= listed.GetListings()[i-1].GetStockNumber()) {
				t.Fatalf("%q lists %v", text, listed.GetListings())
			}
		}
		find := &fitmentv1.FindDonorsRequest{Need: need()}
		find.PageToken = token(find)
		found, err := s.FindDonors(ctx, find)
		refused(t, err)
		var names []string
		for _, d := range found.GetDonors() {
			names = append(names, d.GetListing().GetName())
		}
		slices.Sort(names)
		if len(slices.Compact(slices.Clone(names))) != len(names) || len(names) > 6 {
			t.Fatalf("%q finds %v", text, names)
		}
	})
}

// refused accepts success and the one reason of a bad token.
func refused(t *testing.T, err error) {
	t.Helper()
	if err != nil && (apierr.ReasonOf(err) != fitmentv1.ErrorInfo_PAGE_TOKEN_INVALID || !strings.Contains(err.Error(), "page_token")) {
		t.Fatalf("%v", err)
	}
}
