package rest_test

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

type ledgerStream = quotev1.BooksService_ExportLedgerServer

func (f *fake) ExportLedger(r *quotev1.ExportLedgerRequest, stream ledgerStream) error {
	f.note(stream.Context(), r)
	return f.ledger(r, stream)
}

// sendsPieces sends these pieces and then ends with err.
func sendsPieces(err error, pieces ...string) func(*quotev1.ExportLedgerRequest, ledgerStream) error {
	return func(_ *quotev1.ExportLedgerRequest, stream ledgerStream) error {
		for _, piece := range pieces {
			if err := stream.Send(&quotev1.ExportLedgerResponse{Chunk: []byte(piece)}); err != nil {
				return err
			}
		}
		return err
	}
}

func TestLedgerComesAsTheFileThatItIs(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{ledger: sendsPieces(nil, "day,entry\r\n", "", strings.Repeat("x", 100_000))}, nil)
	r := d.call(http.MethodGet, "/v1/books:exportLedger?fromDay=2026-01-01&toDay=2026-12-31", "")
	if r.code != http.StatusOK || r.text != "day,entry\r\n"+strings.Repeat("x", 100_000) {
		t.Fatalf("%d, %d bytes: %.60q", r.code, len(r.text), r.text)
	}
	// RFC 4180, section 3: the media type and its parameters.
	if got := r.header.Get("Content-Type"); got != "text/csv; charset=utf-8; header=present" {
		t.Errorf("content type %q", got)
	}
	if got := r.header.Get("Content-Disposition"); got != `attachment; filename="ledger.csv"` {
		t.Errorf("content disposition %q", got)
	}
	asked, md := d.fake.noted()
	request, ok := asked.(*quotev1.ExportLedgerRequest)
	if !ok || request.GetFromDay() != "2026-01-01" || request.GetToDay() != "2026-12-31" || len(md.Get("authorization")) != 1 {
		t.Errorf("asked %v with %v", asked, md)
	}
}

func TestLedgerThatCannotBegin(t *testing.T) {
	t.Parallel()
	refusal := apierr.Invalid(1, apierr.Violation{Field: "from_day", Problem: "is no date"})
	for name, c := range map[string]struct {
		answer func(*quotev1.ExportLedgerRequest, ledgerStream) error
		path   string
		code   int
		says   string
	}{
		"refused":       {sendsPieces(refusal), "/v1/books:exportLedger?fromDay=x", http.StatusBadRequest, `"field":"fromDay"`},
		"empty":         {sendsPieces(nil), "/v1/books:exportLedger", http.StatusServiceUnavailable, "DEPENDENCY_DOWN"},
		"unknown query": {sendsPieces(nil, "day\r\n"), "/v1/books:exportLedger?from=2026-01-01", http.StatusBadRequest, "FIELD_UNKNOWN"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := open(t, &fake{ledger: c.answer}, nil)
			r := d.call(http.MethodGet, c.path, "")
			if r.code != c.code || !strings.Contains(r.text, c.says) || r.header.Get("Content-Type") != "application/json" {
				t.Errorf("%d %s %s", r.code, r.header.Get("Content-Type"), r.text)
			}
		})
	}
}

// TestLedgerThatBreaksOffIsNoWholeFile: the client's library tells that the end is
// missing.
func TestLedgerThatBreaksOffIsNoWholeFile(t *testing.T) {
	t.Parallel()
	broke := apierr.New(codes.Unavailable, 18, "the store is gone")
	d := open(t, &fake{ledger: sendsPieces(broke, "day,entry\r\n")}, nil)
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.base+"/v1/books:exportLedger", nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+goodKey)
	response, err := d.client.Do(request)
	if err != nil {
		return // cut before the first byte was read: no file either
	}
	defer func() { _ = response.Body.Close() }()
	if raw, err := io.ReadAll(response.Body); err == nil {
		t.Errorf("the client took %q for the whole ledger", raw)
	}
}

func TestLedgerIsOnlyRead(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	if r := d.call(http.MethodPost, "/v1/books:exportLedger", "{}"); r.code != http.StatusMethodNotAllowed || r.header.Get("Allow") != http.MethodGet {
		t.Errorf("POST: %d %s", r.code, r.text)
	}
}
