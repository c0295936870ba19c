package rest_test

import (
	"context"
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

// file is what the fake's documents hold: no JSON and no text.
var file = []byte("%PDF-1.3\n\x00\xff")

func (f *fake) RenderTag(ctx context.Context, r *fitmentv1.RenderTagRequest) (*fitmentv1.RenderTagResponse, error) {
	f.note(ctx, r)
	return &fitmentv1.RenderTagResponse{Document: &fitmentv1.Document{ContentType: "application/pdf", FileName: "tag-k.1.pdf", Content: file}}, nil
}

func (f *fake) RenderShippingFacts(ctx context.Context, r *fitmentv1.RenderShippingFactsRequest) (*fitmentv1.RenderShippingFactsResponse, error) {
	f.note(ctx, r)
	return &fitmentv1.RenderShippingFactsResponse{Document: &fitmentv1.Document{ContentType: "application/pdf", FileName: "\"a\r\nb\".pdf", Content: file}}, nil
}

func (f *fake) RenderQuote(ctx context.Context, r *quotev1.RenderQuoteRequest) (*quotev1.RenderQuoteResponse, error) {
	f.note(ctx, r)
	if r.GetName() == "quotes/none" {
		return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "you have no quote")
	}
	return &quotev1.RenderQuoteResponse{Document: &fitmentv1.Document{ContentType: "text/csv; charset=utf-8", FileName: "quote-1.csv", Content: []byte("a,b\r\n1,2")}}, nil
}

func (f *fake) RenderCreditNote(ctx context.Context, r *quotev1.RenderCreditNoteRequest) (*quotev1.RenderCreditNoteResponse, error) {
	f.note(ctx, r)
	return &quotev1.RenderCreditNoteResponse{Document: &fitmentv1.Document{ContentType: "application/pdf", FileName: "entry-1.pdf", Content: file}}, nil
}

func (f *fake) RenderRepairOrder(ctx context.Context, r *quotev1.RenderRepairOrderRequest) (*quotev1.RenderRepairOrderResponse, error) {
	f.note(ctx, r)
	return &quotev1.RenderRepairOrderResponse{Document: &fitmentv1.Document{ContentType: "application/pdf", FileName: "repair-1.pdf", Content: file}}, nil
}

func TestDocumentsAreAnsweredAsTheyAre(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for path, c := range map[string]struct {
		request    proto.Message
		kind, name string
		content    string
	}{
		"/v1/listings/k.1:renderTag?paper=LETTER": {
			&fitmentv1.RenderTagRequest{Name: "listings/k.1", Paper: fitmentv1.Document_LETTER}, "application/pdf", "tag-k.1.pdf", string(file),
		},
		"/v1/listings/k.1:renderShippingFacts?mode=sea&toRecycler=true": {
			&fitmentv1.RenderShippingFactsRequest{Name: "listings/k.1", Mode: "sea", ToRecycler: true}, "application/pdf", "document", string(file),
		},
		"/v1/quotes/Q-1:render?format=CSV": {
			&quotev1.RenderQuoteRequest{Name: "quotes/Q-1", Format: quotev1.RenderQuoteRequest_CSV}, "text/csv; charset=utf-8", "quote-1.csv", "a,b\r\n1,2",
		},
		"/v1/repairOrders/R-1:render?paper=A4": {
			&quotev1.RenderRepairOrderRequest{Name: "repairOrders/R-1", Paper: fitmentv1.Document_A4}, "application/pdf", "repair-1.pdf", string(file),
		},
		"/v1/entries/Q-1.1:render": {&quotev1.RenderCreditNoteRequest{Name: "entries/Q-1.1"}, "application/pdf", "entry-1.pdf", string(file)},
	} {
		got := d.call(http.MethodGet, path, "")
		if got.code != http.StatusOK || got.text != c.content || got.header.Get("Content-Type") != c.kind {
			t.Errorf("%s: %d, %q as %s", path, got.code, got.text, got.header.Get("Content-Type"))
		}
		if want := `attachment; filename="` + c.name + `"`; got.header.Get("Content-Disposition") != want {
			t.Errorf("%s: Content-Disposition %s, want %s", path, got.header.Get("Content-Disposition"), want)
		}
		request, md := d.fake.noted()
		if diff := cmp.Diff(c.request, request, protocmp.Transform()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", path, diff)
		}
		if !slices.Equal(md.Get("authorization"), []string{"Bearer " + goodKey}) {
			t.Errorf("%s: the key did not go along", path)
		}
	}
}

func TestWhatRenderingRefuses(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	d.expect(d.call(http.MethodGet, "/v1/quotes/none:render", ""), http.StatusNotFound, "NOT_FOUND")
	d.expect(d.call(http.MethodGet, "/v1/quotes/Q-1:render?format=doc", ""), http.StatusBadRequest, "FIELD_INVALID")
	d.expect(d.call(http.MethodGet, "/v1/quotes/Q-1:render?size=A4", ""), http.StatusBadRequest, "FIELD_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/quotes/Q-1:render?name=quotes/Q-2", ""), http.StatusBadRequest, "FIELD_INVALID")
	d.expect(d.call(http.MethodGet, "/v1/quotes/Q-1:render", "{}"), http.StatusBadRequest, "MALFORMED_REQUEST")
	d.expect(d.call(http.MethodGet, "/v1/listings/k.1:renderTag", "", noKey), http.StatusUnauthorized, "CREDENTIAL_INVALID")
	d.expect(d.call(http.MethodPost, "/v1/listings/k.1:renderTag", "{}"), http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/listings/k.1:renderCard", ""), http.StatusNotFound, "ROUTE_UNKNOWN")
}

// Every operation that renders is described as what it answers: a file.
func TestOpenAPITellsDocuments(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	var document struct {
		Paths map[string]map[string]struct {
			OperationID string   `json:"operationId"`
			Produces    []string `json:"produces"`
			Responses   map[string]struct {
				Schema struct {
					Type string `json:"type"`
				} `json:"schema"`
			} `json:"responses"`
		} `json:"paths"`
	}
	if err := json.Unmarshal([]byte(d.call(http.MethodGet, "/openapi.json", "", noKey).text), &document); err != nil {
		t.Fatal(err)
	}
	count := 0
	for _, path := range document.Paths {
		for _, operation := range path {
			if !strings.Contains(operation.OperationID, "_Render") {
				continue
			}
			count++
			if !slices.Contains(operation.Produces, "application/pdf") || operation.Responses["200"].Schema.Type != "file" {
				t.Errorf("%s: produces %v, answers %+v", operation.OperationID, operation.Produces, operation.Responses["200"])
			}
		}
	}
	if count != 5 {
		t.Errorf("%d operations render, want 5", count)
	}
}
