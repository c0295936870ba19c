package rest_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

const csvType = "Content-Type: text/csv"

func row(n int32) *fitmentv1.ImportListingsResponse {
	return &fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Row{Row: &fitmentv1.RowResult{
		Row: n, Outcome: fitmentv1.RowResult_CREATED, Name: "listings/k.1",
	}}}
}

func summary(n int32) *fitmentv1.ImportListingsResponse {
	return &fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Summary{Summary: &fitmentv1.ImportSummary{Rows: n, Created: n}}}
}

type listingStream = fitmentv1.ListingService_ImportListingsServer

// drain reads options and file to the end.
func drain(stream listingStream) (options *fitmentv1.ImportOptions, size int, err error) {
	for {
		message, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return options, size, nil
		case err != nil:
			return nil, 0, err
		}
		if message.GetOptions() != nil {
			options = message.GetOptions()
		}
		size += len(message.GetChunk())
	}
}

// upload starts an import and returns the response once its headers are there.
func (d *desk) upload(ctx context.Context, body io.Reader) (*http.Response, error) {
	d.t.Helper()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, d.base+"/v1/listings:import", body)
	if err != nil {
		d.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+goodKey)
	request.Header.Set("Content-Type", "text/csv; charset=UTF-8")
	return d.client.Do(request)
}

func TestImportAnswersWhileTheFileIsRead(t *testing.T) {
	t.Parallel()
	f := &fake{listings: func(stream listingStream) error {
		var lines int32
		for {
			message, err := stream.Recv()
			if errors.Is(err, io.EOF) {
				return stream.Send(summary(lines))
			}
			if err != nil {
				return err
			}
			for range strings.Count(string(message.GetChunk()), "\n") {
				lines++
				if err := stream.Send(row(lines)); err != nil {
					return err
				}
			}
		}
	}}
	d := open(t, f, nil)
	file, end := io.Pipe()
	go func() { _, _ = end.Write([]byte("header\n")) }()
	response, err := d.upload(t.Context(), file)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	if response.StatusCode != http.StatusOK || response.Header.Get("Content-Type") != "application/x-ndjson" {
		t.Errorf("%d %v", response.StatusCode, response.Header)
	}
	lines := bufio.NewReader(response.Body)
	next := func(want string) {
		t.Helper()
		if line, err := lines.ReadString('\n'); err != nil || line != want+"\n" {
			t.Fatalf("%q, %v; want %s", line, err, want)
		}
	}
	// Each line is read before the next one is sent: nothing waits for the end.
	next(`{"row":1,"outcome":"CREATED","name":"listings/k.1"}`)
	_, _ = end.Write([]byte("second\n"))
	next(`{"row":2,"outcome":"CREATED","name":"listings/k.1"}`)
	_ = end.Close()
	next(`{"summary":{"rows":2,"created":2,"dryRun":false}}`)
	if rest, err := io.ReadAll(lines); err != nil || len(rest) > 0 {
		t.Errorf("after the summary: %q, %v", rest, err)
	}
	if _, md := f.noted(); !cmp.Equal(md.Get("authorization"), []string{"Bearer " + goodKey}) {
		t.Errorf("metadata %v", md)
	}
}

func TestImportPassesOptionsAndAWholeLargeFile(t *testing.T) {
	t.Parallel()
	type seen struct {
		options *fitmentv1.ImportOptions
		size    int
	}
	got := make(chan seen, 1)
	f := &fake{listings: func(stream listingStream) error {
		options, size, err := drain(stream)
		if err != nil {
			return err
		}
		got <- seen{options, size}
		return stream.Send(summary(0))
	}}
	d := open(t, f, func(o *rest.Options) { o.MaxBody = 10 })
	const size = 9 << 20
	r := d.call(http.MethodPost, "/v1/listings:import?dryRun=true&owner=kettlewick", strings.Repeat("x,y\n", size/4), csvType)
	if r.code != http.StatusOK || r.text != `{"summary":{"dryRun":false}}` {
		t.Fatalf("%d %s", r.code, r.text)
	}
	s := <-got
	if diff := cmp.Diff(&fitmentv1.ImportOptions{DryRun: true, Owner: "kettlewick"}, s.options, protocmp.Transform()); diff != "" || s.size != size {
		t.Errorf("%d bytes, options (-want +got):\n%s", s.size, diff)
	}
}

func TestImportOfOffersGoesToTheQuoteSide(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{offers: func(stream quotev1.OfferService_ImportOffersServer) error {
		for {
			if _, err := stream.Recv(); errors.Is(err, io.EOF) {
				return stream.Send(&quotev1.ImportOffersResponse{Content: &quotev1.ImportOffersResponse_Summary{Summary: &fitmentv1.ImportSummary{Rows: 7}}})
			} else if err != nil {
				return err
			}
		}
	}}, nil)
	if r := d.call(http.MethodPost, "/v1/offers:import", "a,b\n", csvType); r.text != `{"summary":{"rows":7,"dryRun":false}}` {
		t.Errorf("%d %s", r.code, r.text)
	}
}

func TestImportRefusesBeforeItReads(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	path := "/v1/listings:import"
	bare := d.expect(d.call(http.MethodPost, path, "a"), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	if want := "the body is not declared as a CSV file; expected Content-Type: text/csv, in UTF-8"; bare.Message != want {
		t.Errorf("message %q, want %q", bare.Message, want)
	}
	d.expect(d.call(http.MethodPost, path, "a", "Content-Type: application/json"), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	d.expect(d.call(http.MethodPost, path, "a", "Content-Type: text/csv; charset=latin1"), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	d.expect(d.call(http.MethodPost, path, "a", csvType, "Content-Encoding: gzip"), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	p := d.expect(d.call(http.MethodPost, path+"?dryrun=true", "a", csvType), http.StatusBadRequest, "FIELD_UNKNOWN")
	if diff := cmp.Diff([]string{"dryrun: is no query parameter of this method; expected one of dryRun, owner"}, p.fields()); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
	d.expect(d.call(http.MethodPost, path+"?dryRun=1", "a", csvType), http.StatusBadRequest, "FIELD_INVALID")
}

func TestImportErrorBeforeTheFirstLineIsAnHTTPError(t *testing.T) {
	t.Parallel()
	refusal := apierr.Invalid(fitmentv1.ErrorInfo_MALFORMED_REQUEST, apierr.Violation{Field: "prise_usd", Problem: "is no column", Expected: "price"})
	// One service ends at once, the other one reads all of the file first.
	at := map[string]func(stream listingStream) error{
		"at once": func(listingStream) error { return refusal },
		"at the end": func(stream listingStream) error {
			if _, _, err := drain(stream); err != nil {
				return err
			}
			return refusal
		},
	}
	for name, listings := range at {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := open(t, &fake{listings: listings}, nil)
			p := d.expect(d.call(http.MethodPost, "/v1/listings:import", strings.Repeat("x,y\n", 500_000), csvType), http.StatusBadRequest, "MALFORMED_REQUEST")
			if diff := cmp.Diff([]string{"prise_usd: is no column; expected price"}, p.fields()); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func TestImportErrorAfterTheFirstLineIsTheLastLine(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		ends   error
		reason string
	}{
		"refused":         {apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, "draining"), "NOT_READY"},
		"broken":          {errBroken, "INTERNAL"},
		"without summary": {nil, "DEPENDENCY_DOWN"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := open(t, &fake{listings: func(stream listingStream) error {
				if _, _, err := drain(stream); err != nil {
					return err
				}
				if err := stream.Send(row(2)); err != nil {
					return err
				}
				return c.ends
			}}, nil)
			r := d.call(http.MethodPost, "/v1/listings:import", "a\nb\n", csvType)
			lines := strings.Split(r.text, "\n")
			if r.code != http.StatusOK || len(lines) != 2 {
				t.Fatalf("%d %s", r.code, r.text)
			}
			var last struct {
				Error problem `json:"error"`
			}
			if err := json.Unmarshal([]byte(lines[1]), &last); err != nil || last.Error.reason() != c.reason {
				t.Errorf("last line %s, %v", lines[1], err)
			}
		})
	}
}

// waits is an import service that answers one row, then waits for its end and
// says what ended it.
func waits(ended chan<- error) *fake {
	return &fake{listings: func(stream listingStream) error {
		if err := stream.Send(row(2)); err != nil {
			return err
		}
		_, _, err := drain(stream)
		ended <- err
		return err
	}}
}

func await(t *testing.T, ended <-chan error) error {
	t.Helper()
	select {
	case err := <-ended:
		return err
	case <-time.After(10 * time.Second):
		t.Fatal("the import goes on")
		return nil
	}
}

func TestImportEndsWithItsClient(t *testing.T) {
	t.Parallel()
	ended := make(chan error, 1)
	d := open(t, waits(ended), nil)
	file, end := io.Pipe()
	defer end.Close() //nolint:errcheck // a pipe
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	response, err := d.upload(ctx, file)
	if err != nil {
		t.Fatal(err)
	}
	cancel()
	_ = response.Body.Close()
	if err := await(t, ended); err == nil {
		t.Error("the service saw an orderly end of a file that was cut off")
	}
}

func TestImportEndsWhenTheUploadStalls(t *testing.T) {
	t.Parallel()
	ended := make(chan error, 1)
	d := open(t, waits(ended), func(o *rest.Options) { o.Stall = time.Second })
	file, end := io.Pipe()
	defer end.Close() //nolint:errcheck // a pipe
	response, err := d.upload(t.Context(), file)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	if err := await(t, ended); err == nil {
		t.Error("the service saw an orderly end of a file that was cut off")
	}
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	var last struct {
		Error problem `json:"error"`
	}
	lines := strings.Split(strings.TrimSpace(string(raw)), "\n")
	if err := json.Unmarshal([]byte(lines[len(lines)-1]), &last); err != nil || !strings.HasPrefix(last.Error.Message, "the upload stalled") {
		t.Errorf("%s, %v", raw, err)
	}
}

// A service that works for longer than the stall time on a file that was sent
// whole is no stall.
func TestImportWaitsForASlowService(t *testing.T) {
	t.Parallel()
	const stall = 150 * time.Millisecond
	d := open(t, &fake{listings: func(stream listingStream) error {
		if _, _, err := drain(stream); err != nil {
			return err
		}
		for n := range int32(2) {
			select {
			case <-time.After(2 * stall): // work
			case <-stream.Context().Done():
				return stream.Context().Err()
			}
			if err := stream.Send(row(n + 2)); err != nil {
				return err
			}
		}
		return stream.Send(summary(2))
	}}, func(o *rest.Options) { o.Stall = stall })
	r := d.call(http.MethodPost, "/v1/listings:import", "a\nb\nc\nd\n", csvType)
	if !strings.HasSuffix(r.text, `{"summary":{"rows":2,"created":2,"dryRun":false}}`) || strings.Count(r.text, "\n") != 2 {
		t.Errorf("%d %s", r.code, r.text)
	}
}

func TestImportEndsWhenNobodyTakesTheAnswer(t *testing.T) {
	t.Parallel()
	ended := make(chan error, 1)
	large := row(2)
	large.GetRow().Name = strings.Repeat("n", 100_000)
	d := open(t, &fake{listings: func(stream listingStream) error {
		for {
			if err := stream.Send(proto.CloneOf(large)); err != nil {
				ended <- err
				return err
			}
		}
	}}, func(o *rest.Options) { o.Stall = 100 * time.Millisecond })
	response, err := d.upload(t.Context(), strings.NewReader("a\n"))
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // deliberately not read
	if err := await(t, ended); err == nil {
		t.Error("no error")
	}
}

// The connection of an import that was answered whole is used again.
func TestImportLeavesTheConnectionUsable(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{listings: func(stream listingStream) error {
		if _, _, err := drain(stream); err != nil {
			return err
		}
		return stream.Send(summary(0))
	}}, nil)
	for range 3 {
		if r := d.call(http.MethodPost, "/v1/listings:import", "a\n", csvType); r.text != `{"summary":{"dryRun":false}}` || r.header.Get("Connection") == "close" {
			t.Errorf("%d %v %s", r.code, r.header, r.text)
		}
	}
}
