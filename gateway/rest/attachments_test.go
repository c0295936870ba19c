package rest_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

type (
	uploadStream   = fitmentv1.EvidenceService_UploadAttachmentServer
	downloadStream = fitmentv1.EvidenceService_DownloadAttachmentServer
)

func (f *fake) UploadAttachment(stream uploadStream) error {
	f.note(stream.Context(), nil)
	return f.upload(stream)
}

func (f *fake) DownloadAttachment(r *fitmentv1.DownloadAttachmentRequest, stream downloadStream) error {
	f.note(stream.Context(), r)
	return f.download(r, stream)
}

func (f *fake) WatchEvidenceRequests(r *fitmentv1.WatchEvidenceRequestsRequest, stream fitmentv1.EvidenceService_WatchEvidenceRequestsServer) error {
	f.note(stream.Context(), r)
	return stream.Send(&fitmentv1.WatchEvidenceRequestsResponse{EvidenceRequest: &fitmentv1.EvidenceRequest{Name: "evidenceRequests/k.1"}, Revision: "r1"})
}

// taken is what an upload brought.
type taken struct {
	options *fitmentv1.AttachmentOptions
	content bytes.Buffer
	largest int
}

// take takes an upload to its end; each piece is told.
func (k *taken) take(stream uploadStream, told func(all int)) error {
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return stream.SendAndClose(&fitmentv1.UploadAttachmentResponse{Attachment: &fitmentv1.Attachment{
				Name: "attachments/shop.ab", ContentType: k.options.GetContentType(), Size: int64(k.content.Len()),
			}})
		}
		if err != nil {
			return err
		}
		if m.GetOptions() != nil {
			k.options = m.GetOptions()
			continue
		}
		k.largest = max(k.largest, len(m.GetChunk()))
		k.content.Write(m.GetChunk())
		if told != nil {
			told(k.content.Len())
		}
	}
}

// send sends an upload whose body is a stream.
func (d *desk) send(t *testing.T, path, kind string, body io.Reader) (*http.Response, error) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, d.base+path, body)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+goodKey)
	request.Header.Set("Content-Type", kind)
	return d.client.Do(request)
}

// TestAnUploadIsStreamed holds the body's second half back until the service has
// the first.
func TestAnUploadIsStreamed(t *testing.T) {
	t.Parallel()
	var got taken
	half := make(chan struct{})
	content := bytes.Repeat([]byte("0123456789"), 500_000)
	d := open(t, &fake{upload: func(stream uploadStream) error {
		return got.take(stream, func(all int) {
			if all == len(content)/2 {
				close(half)
			}
		})
	}}, nil)
	from, to := io.Pipe()
	go func() {
		_, err := to.Write(content[:len(content)/2])
		<-half
		if err == nil {
			_, err = to.Write(content[len(content)/2:])
		}
		to.CloseWithError(err) // nil is the end
	}()
	response, err := d.send(t, "/v1/attachments?sha256=abc", "image/jpeg; q=1", from)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusOK {
		t.Fatalf("%d %s, %v", response.StatusCode, raw, err)
	}
	if want := `{"attachment":{"name":"attachments/shop.ab","contentType":"image/jpeg","size":"5000000"}}` + "\n"; string(raw) != want {
		t.Errorf("answered %s, want %s", raw, want)
	}
	if !bytes.Equal(got.content.Bytes(), content) || got.largest > 64<<10 {
		t.Errorf("%d bytes came, in pieces of at most %d", got.content.Len(), got.largest)
	}
	if want := (&fitmentv1.AttachmentOptions{ContentType: "image/jpeg", Sha256: "abc"}); !cmp.Equal(got.options, want, protocmp.Transform()) {
		t.Errorf("options %v", got.options)
	}
}

func TestWhatAnUploadRefuses(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{upload: func(uploadStream) error { return errors.New("it reached the service") }}, nil)
	post := func(path string, headers ...string) reply {
		return d.call(http.MethodPost, path, "%PDF-", append([]string{"Content-Type: application/pdf"}, headers...)...)
	}
	d.expect(post("/v1/attachments", "Content-Type: "), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	d.expect(post("/v1/attachments", "Content-Type: a/b/c"), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	d.expect(post("/v1/attachments", "Content-Encoding: gzip"), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
	d.expect(post("/v1/attachments?sha=1"), http.StatusBadRequest, "FIELD_UNKNOWN")
	d.expect(post("/v1/attachments?sha256=1&sha256=2"), http.StatusBadRequest, "FIELD_INVALID")
	d.expect(post("/v1/attachments?contentType=image/png"), http.StatusBadRequest, "FIELD_INVALID")
	d.expect(post("/v1/attachments", noKey), http.StatusUnauthorized, "CREDENTIAL_INVALID")
	d.expect(d.call(http.MethodGet, "/v1/attachments", ""), http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
	if _, md := d.fake.noted(); md != nil {
		t.Error("the service was called")
	}
}

// TestAnUploadsErrorsNameWhatTheClientKnows: the service's fields are headers and
// parameters here.
func TestAnUploadsErrorsNameWhatTheClientKnows(t *testing.T) {
	t.Parallel()
	for field, want := range map[string]struct {
		name   string
		status int
		reason apierr.Reason
	}{
		"options.content_type": {"Content-Type", http.StatusBadRequest, fitmentv1.ErrorInfo_FIELD_INVALID},
		"options.sha256":       {"sha256", http.StatusBadRequest, fitmentv1.ErrorInfo_FIELD_INVALID},
		"chunk":                {"body", http.StatusRequestEntityTooLarge, fitmentv1.ErrorInfo_REQUEST_TOO_LARGE},
	} {
		d := open(t, &fake{upload: func(uploadStream) error {
			return apierr.Invalid(want.reason, apierr.Violation{Field: field, Problem: "is wrong", Expected: "better"})
		}}, nil)
		// More than is read after a refusal that comes early: the answer arrives all
		// the same, or the connection is closed on a client that goes on sending.
		r := d.call(http.MethodPost, "/v1/attachments", strings.Repeat("x", 3<<20), "Content-Type: image/png")
		p := d.expect(r, want.status, want.reason.String())
		if got := p.fields(); !slices.Equal(got, []string{want.name + ": is wrong; expected better"}) || !strings.HasPrefix(p.Message, want.name+":") {
			t.Errorf("%s: %v, %s", field, got, p.Message)
		}
	}
}

func TestAnUploadThatStalls(t *testing.T) {
	t.Parallel()
	ended := make(chan error, 1)
	d := open(t, &fake{upload: func(stream uploadStream) error {
		var k taken
		err := k.take(stream, nil)
		ended <- err
		return err
	}}, func(o *rest.Options) { o.Stall = 100 * time.Millisecond })
	from, to := io.Pipe()
	defer to.Close() //nolint:errcheck // a pipe
	go func() { _, _ = to.Write([]byte("%PDF-")) }()
	response, err := d.send(t, "/v1/attachments", "application/pdf", from)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(response.Body)
	if err != nil || response.StatusCode != http.StatusGatewayTimeout || !strings.Contains(string(raw), "nothing was stored") {
		t.Errorf("%d %s, %v", response.StatusCode, raw, err)
	}
	if err := <-ended; err == nil {
		t.Error("to the service it looked whole")
	}
}

func TestAnUploadThatBreaksOff(t *testing.T) {
	t.Parallel()
	begun, ended := make(chan struct{}), make(chan error, 1)
	d := open(t, &fake{upload: func(stream uploadStream) error {
		var k taken
		err := k.take(stream, func(int) { close(begun) })
		ended <- err
		return err
	}}, nil)
	from, to := io.Pipe()
	go func() {
		_, _ = to.Write([]byte("%PDF-"))
		<-begun
		to.CloseWithError(errors.New("the file cannot be read on")) // the client then closes the connection
	}()
	if response, err := d.send(t, "/v1/attachments", "application/pdf", from); err == nil {
		_ = response.Body.Close()
		t.Errorf("answered %d", response.StatusCode)
	}
	if err := <-ended; err == nil {
		t.Error("to the service it looked whole")
	}
}

// sends is a download of the content in pieces, with an error behind it.
func sends(content []byte, announced int, end error) func(*fitmentv1.DownloadAttachmentRequest, downloadStream) error {
	return func(r *fitmentv1.DownloadAttachmentRequest, stream downloadStream) error {
		err := stream.Send(&fitmentv1.DownloadAttachmentResponse{Content: &fitmentv1.DownloadAttachmentResponse_Attachment{Attachment: &fitmentv1.Attachment{
			Name: r.GetName(), ContentType: "image/jpeg", Size: int64(announced),
		}}})
		for piece := range slices.Chunk(content, 1000) {
			if err == nil {
				err = stream.Send(&fitmentv1.DownloadAttachmentResponse{Content: &fitmentv1.DownloadAttachmentResponse_Chunk{Chunk: piece}})
			}
		}
		if err != nil {
			return err
		}
		return end
	}
}

func TestADownload(t *testing.T) {
	t.Parallel()
	content := bytes.Repeat([]byte("0123456789"), 100_000)
	d := open(t, &fake{download: sends(content, len(content), nil)}, nil)
	r := d.call(http.MethodGet, "/v1/attachments/yard.ab?listing=listings/yard.1", "")
	if r.code != http.StatusOK || r.text != string(content) {
		t.Errorf("%d, %d of %d bytes", r.code, len(r.text), len(content))
	}
	for name, want := range map[string]string{
		"Content-Type": "image/jpeg", "Content-Length": fmt.Sprint(len(content)), "Content-Disposition": `attachment; filename="ab.jpg"`,
		"X-Content-Type-Options": "nosniff", "Content-Security-Policy": promised["Content-Security-Policy"], "Cache-Control": "no-store",
	} {
		if got := r.header.Get(name); got != want {
			t.Errorf("%s: %q, want %q", name, got, want)
		}
	}
	asked, _ := d.fake.noted()
	if want := (&fitmentv1.DownloadAttachmentRequest{Name: "attachments/yard.ab", Listing: "listings/yard.1"}); !cmp.Equal(asked, want, protocmp.Transform()) {
		t.Errorf("asked %v", asked)
	}
}

// TestADownloadThatBreaksOff is not to be taken for the whole.
func TestADownloadThatBreaksOff(t *testing.T) {
	t.Parallel()
	content := bytes.Repeat([]byte("0123456789"), 20_000)
	lost := apierr.New(codes.DataLoss, fitmentv1.ErrorInfo_INTERNAL, "attachments/yard.ab is damaged")
	for name, c := range map[string]struct {
		announced int
		end       error
	}{
		"damaged":   {len(content) + 1, lost},
		"short":     {len(content) + 1, nil},
		"too long":  {len(content) - 1, nil},
		"far short": {10 << 20, lost},
	} {
		d := open(t, &fake{download: sends(content, c.announced, c.end)}, nil)
		request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.base+"/v1/attachments/yard.ab", nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Authorization", "Bearer "+goodKey)
		response, err := d.client.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		raw, err := io.ReadAll(response.Body)
		_ = response.Body.Close()
		if !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%s: %d bytes, %v", name, len(raw), err)
		}
	}
}

func TestWhatADownloadRefuses(t *testing.T) {
	t.Parallel()
	gone := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no attachments/yard.ab")
	d := open(t, &fake{download: func(*fitmentv1.DownloadAttachmentRequest, downloadStream) error { return gone }}, nil)
	d.expect(d.call(http.MethodGet, "/v1/attachments/yard.ab", ""), http.StatusNotFound, "NOT_FOUND")
	d.expect(d.call(http.MethodGet, "/v1/attachments/yard.ab?list=1", ""), http.StatusBadRequest, "FIELD_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/attachments/yard.ab?name=x", ""), http.StatusBadRequest, "FIELD_INVALID")
	d.expect(d.call(http.MethodGet, "/v1/attachments/yard.ab", "body"), http.StatusBadRequest, "MALFORMED_REQUEST")
	d.expect(d.call(http.MethodGet, "/v1/attachments/yard.ab", "", noKey), http.StatusUnauthorized, "CREDENTIAL_INVALID")
	d.expect(d.call(http.MethodPost, "/v1/attachments/yard.ab", "{}"), http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/attachments/a/b", ""), http.StatusNotFound, "ROUTE_UNKNOWN")
	silent := open(t, &fake{download: func(*fitmentv1.DownloadAttachmentRequest, downloadStream) error { return nil }}, nil)
	silent.expect(silent.call(http.MethodGet, "/v1/attachments/yard.ab", ""), http.StatusServiceUnavailable, "DEPENDENCY_DOWN")
}

func TestEvidenceRequestsAreWatched(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	r := d.call(http.MethodGet, "/v1/evidenceRequests:watch?revision=r0", "")
	if want := `{"evidenceRequest":{"name":"evidenceRequests/k.1"},"revision":"r1"}`; r.code != http.StatusOK || r.text != want || r.header.Get("Content-Type") != "application/x-ndjson" {
		t.Errorf("%d %s, want %s", r.code, r.text, want)
	}
	asked, _ := d.fake.noted()
	if want := (&fitmentv1.WatchEvidenceRequestsRequest{Revision: "r0"}); !cmp.Equal(asked, want, protocmp.Transform()) {
		t.Errorf("asked %v", asked)
	}
	d.expect(d.call(http.MethodGet, "/v1/evidenceRequests:watch?name=x", ""), http.StatusBadRequest, "FIELD_UNKNOWN")
	d.expect(d.call(http.MethodPost, "/v1/evidenceRequests:watch", "{}"), http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
}
