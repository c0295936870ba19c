package server_test

import (
	"fmt"
	"slices"
	"strconv"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/store"
)

// TestPagesFitAnAnswer: listings and evidence requests that name as many photos as
// they may are paged through whatever the size of page asked for. Without a bound
// in bytes the page of 400 would come to some 20 MB, more than servers send.
func TestPagesFitAnAnswer(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	const many = 400
	var given []*fitmentv1.Evidence
	for i := range listing.MaxEvidence {
		e := labelPhoto()
		for j := range listing.MaxAttachments {
			e.Attachments = append(e.Attachments, listing.AttachmentName("north-yard", fmt.Sprintf("%064x", i*listing.MaxAttachments+j)))
		}
		given = append(given, e)
	}
	var change store.Change
	put := func(key store.Key, value []byte, err error) {
		if err != nil {
			t.Fatal(err)
		}
		change.Puts = append(change.Puts, store.Put{Key: key, Expect: store.Absent, Value: value})
	}
	like := f.get(t, northYard, claimed)
	asked := f.mustAsk(t, shopA)
	wantListings, wantRequests := []string{}, []string{asked.GetName()}
	for i := range many {
		l := proto.CloneOf(like)
		l.StockNumber = "large-" + strconv.Itoa(i)
		l.Name, l.Evidence = "listings/north-yard."+l.GetStockNumber(), given
		value, err := listing.Encode(l)
		put(store.Key{Tenant: "north-yard", Kind: listing.Kind, ID: l.GetStockNumber()}, value, err)
		wantListings = append(wantListings, l.GetName())

		r := proto.CloneOf(asked)
		id := newID()
		r.Name, r.Evidence, r.State, r.UpdateTime = inquiry.Name("north-yard", id), given, fitmentv1.EvidenceRequest_ANSWERED, timestamppb.New(f.clock.Now())
		value, err = inquiry.Encode(r)
		put(inquiry.Key("north-yard", id), value, err)
		wantRequests = append(wantRequests, r.GetName())
	}
	for part := range slices.Chunk(change.Puts, 100) {
		if _, err := f.store.Apply(t.Context(), store.Change{Puts: part}); err != nil {
			t.Fatal(err)
		}
	}
	sent := grpc.MaxCallRecvMsgSize(16 << 20)
	var listings, requests []string
	for token, first := "", true; first || token != ""; first = false {
		page, err := f.listings.ListListings(as(t, northYard), &fitmentv1.ListListingsRequest{Yard: "north-yard", PageSize: 1000, PageToken: token}, sent)
		if err != nil {
			t.Fatal(err)
		}
		token = page.GetNextPageToken()
		for _, l := range page.GetListings() {
			if len(l.GetEvidence()) == listing.MaxEvidence {
				listings = append(listings, l.GetName())
			}
		}
	}
	for token, first := "", true; first || token != ""; first = false {
		page, err := f.evidence.ListEvidenceRequests(as(t, shopA), &fitmentv1.ListEvidenceRequestsRequest{PageSize: 1000, PageToken: token}, sent)
		if err != nil {
			t.Fatal(err)
		}
		token = page.GetNextPageToken()
		for _, r := range page.GetEvidenceRequests() {
			requests = append(requests, r.GetName())
		}
	}
	slices.Sort(wantListings)
	slices.Sort(wantRequests)
	if !slices.Equal(listings, wantListings) || !slices.Equal(requests, wantRequests) {
		t.Errorf("%d listings and %d requests, want %d and %d in order, each once", len(listings), len(requests), len(wantListings), len(wantRequests))
	}
}
