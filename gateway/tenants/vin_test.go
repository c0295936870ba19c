package tenants_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// TestAHoldThatHasEndedLeavesNoVIN: while a business holds a listing it sees the
// donor's VIN, wherever that is asked for. What it has kept of that time, quotes and
// decisions and evidence requests, does not tell the VIN any more once the hold is over.
func TestAHoldThatHasEndedLeavesNoVIN(t *testing.T) {
	t.Parallel()
	w := newWorld(t, build{lean: true})
	x := w.things[alder]
	key := w.keys[alder]
	prepared := w.must(key, "QuoteService/PrepareQuote", w.preparing(x, false)).(*quotev1.PrepareQuoteResponse).GetQuote()
	held := prepared.GetHeldListing()
	get := &fitmentv1.GetListingRequest{Name: held}
	vin := w.must(key, "ListingService/GetListing", get).(*fitmentv1.GetListingResponse).GetListing().GetDonor().GetVin()
	if strings.Contains(vin, "*") || vin == "" {
		t.Fatalf("the holder sees the VIN %q", vin)
	}
	again := w.preparing(x, false)
	again.RequestId = ""
	revised := w.must(key, "QuoteService/ReviseQuote", &quotev1.ReviseQuoteRequest{Name: prepared.GetName(), Prepare: again, RequestId: w.id()}).(*quotev1.ReviseQuoteResponse).GetQuote()
	if revised.GetHeldListing() != held {
		t.Fatalf("the version after it holds %s, not %s", revised.GetHeldListing(), held)
	}
	kept := w.must(key, "FitmentService/KeepDecision", &fitmentv1.KeepDecisionRequest{Need: need(""), ListingName: held, RequestId: w.id()}).(*fitmentv1.KeepDecisionResponse)
	if got := w.call(bearer(key), "FitmentService/GetKeptDecision", &fitmentv1.GetKeptDecisionRequest{Name: kept.GetKeptDecision().GetName()}); !strings.Contains(got.text, vin) {
		t.Errorf("the holder's own decision does not show the VIN: the test would find nothing")
	}
	w.must(key, "QuoteService/DeclineQuote", &quotev1.DeclineQuoteRequest{Name: revised.GetName(), RequestId: w.id()})
	for method, message := range map[string]proto.Message{
		"ListingService/GetListing":        get,
		"QuoteService/GetQuote":            &quotev1.GetQuoteRequest{Name: revised.GetName()},
		"QuoteService/ListQuotes":          &quotev1.ListQuotesRequest{},
		"QuoteService/RenderQuote":         &quotev1.RenderQuoteRequest{Name: revised.GetName(), Format: quotev1.RenderQuoteRequest_JSON},
		"FitmentService/GetKeptDecision":   &fitmentv1.GetKeptDecisionRequest{Name: kept.GetKeptDecision().GetName()},
		"FitmentService/RecomputeDecision": &fitmentv1.RecomputeDecisionRequest{Name: kept.GetKeptDecision().GetName()},
		"FitmentService/FindDonors":        &fitmentv1.FindDonorsRequest{Need: need(""), IncludeUnsuitable: true},
		"FitmentService/Decide":            &fitmentv1.DecideRequest{Need: need(""), ListingName: held},
	} {
		if got := w.call(bearer(key), method, message); got.status.Err() != nil || strings.Contains(got.text, vin) {
			at := max(0, strings.Index(got.text, vin)-80)
			t.Errorf("%s after the hold: %v, %.200q", method, got.status, got.text[at:])
		}
	}
}
