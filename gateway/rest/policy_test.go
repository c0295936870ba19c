package rest_test

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/policy"
)

// sealed is a body that tells whether anybody read it.
type sealed struct {
	io.Reader

	opened atomic.Bool
}

// Read notes that it was asked for.
func (s *sealed) Read(into []byte) (int, error) {
	s.opened.Store(true)
	return s.Reader.Read(into)
}

// Whose desks may not send something is refused before it is looked at: of JSON not a
// byte is read, and a file, of which a little is taken off the line so that its sender
// sees the answer, reaches no service. Whose may has it read.
func TestDesksAreAskedBeforeABodyIsRead(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ method, path, kind, body string }{
		{fitmentv1.FitmentService_Decide_FullMethodName, "/v1/fitment:decide", "application/json", `{"listingName":"listings/a.b"}`},
		{fitmentv1.ListingService_ImportListings_FullMethodName, "/v1/listings:import", "text/csv", "stock_number\n1\n"},
		{quotev1.OfferService_ImportOffers_FullMethodName, "/v1/offers:import", "text/csv", "item\n1\n"},
		{fitmentv1.EvidenceService_UploadAttachment_FullMethodName, "/v1/attachments", "image/png", "\x89PNG\r\n\x1a\n"},
	} {
		for _, shut := range []bool{true, false} {
			table := policy.Default()
			if shut {
				table[c.method] = policy.Rule{}
			}
			var arrived atomic.Bool
			f := &fake{
				listings: func(stream fitmentv1.ListingService_ImportListingsServer) error {
					return toTheEnd(&arrived, stream.Recv)
				},
				offers: func(stream quotev1.OfferService_ImportOffersServer) error { return toTheEnd(&arrived, stream.Recv) },
				upload: func(stream fitmentv1.EvidenceService_UploadAttachmentServer) error {
					return toTheEnd(&arrived, stream.Recv)
				},
			}
			d := open(t, f, func(o *rest.Options) { o.Policy = table })
			body := &sealed{Reader: strings.NewReader(c.body)}
			request := httptest.NewRequestWithContext(t.Context(), http.MethodPost, c.path, body)
			request.Header.Set("Authorization", "Bearer "+goodKey)
			request.Header.Set("Content-Type", c.kind)
			answer := httptest.NewRecorder()
			d.handler.ServeHTTP(answer, request)
			refused := answer.Code == http.StatusForbidden && strings.Contains(answer.Body.String(), "PERMISSION_MISSING")
			seen := arrived.Load()
			if c.kind == "application/json" {
				seen = body.opened.Load()
			}
			if refused != shut || seen == shut {
				t.Errorf("%s, shut %v: %d, read %v: %s", c.path, shut, answer.Code, seen, answer.Body)
			}
		}
	}
}

// toTheEnd notes that a stream arrived and reads it to its end.
func toTheEnd[M any](arrived *atomic.Bool, receive func() (M, error)) error {
	arrived.Store(true)
	for {
		if _, err := receive(); err != nil {
			return nil //nolint:nilerr // the end of the stream is the end
		}
	}
}
