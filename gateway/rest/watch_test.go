package rest_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
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

type watchStream = fitmentv1.FitmentService_WatchDonorsServer

func change(revision string) *fitmentv1.WatchDonorsResponse {
	return &fitmentv1.WatchDonorsResponse{
		Change: fitmentv1.WatchDonorsResponse_NEW, Donor: &fitmentv1.Donor{Listing: &fitmentv1.Listing{Name: "listings/k.1"}}, Revision: revision,
	}
}

// watching is the client's end of a watch.
type watching struct {
	t        *testing.T
	response *http.Response
	lines    *bufio.Scanner
	leave    context.CancelFunc
}

func watchAt(t *testing.T, client *http.Client, url string) *watching {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+goodKey)
	response, err := client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = response.Body.Close()
	})
	return &watching{t: t, response: response, lines: bufio.NewScanner(response.Body), leave: cancel}
}

func (w *watching) line() string {
	w.t.Helper()
	if !w.lines.Scan() {
		w.t.Fatalf("no further line: %v", w.lines.Err())
	}
	return w.lines.Text()
}

func (w *watching) ends() {
	w.t.Helper()
	if w.lines.Scan() {
		w.t.Errorf("another line: %s", w.lines.Text())
	}
	if err := w.lines.Err(); err != nil {
		w.t.Errorf("it broke off: %v", err)
	}
}

// TestAWatchIsALineAChange, as they come, for as long as the client stays.
func TestAWatchIsALineAChange(t *testing.T) {
	t.Parallel()
	next, left := make(chan string), make(chan struct{})
	d := open(t, &fake{watch: func(_ *fitmentv1.WatchDonorsRequest, stream watchStream) error {
		defer close(left)
		for {
			select {
			case revision := <-next:
				if err := stream.Send(change(revision)); err != nil {
					return err
				}
			case <-stream.Context().Done():
				return stream.Context().Err()
			}
		}
	}}, nil)
	go func() { next <- "r1" }()
	w := watchAt(t, d.client, d.base+"/v1/needs/n1:watch?revision=r0&includeProveFirst=true")
	if w.response.StatusCode != http.StatusOK || w.response.Header.Get("Content-Type") != "application/x-ndjson" || w.response.Header.Get("Cache-Control") != "no-store" {
		t.Errorf("%d, %v", w.response.StatusCode, w.response.Header)
	}
	for i := range 3 {
		want := fmt.Sprintf(`{"change":"NEW","donor":{"listing":{"name":"listings/k.1"}},"revision":"r%d"}`, i+1)
		if got := w.line(); got != want {
			t.Errorf("line %s, want %s", got, want)
		}
		if i < 2 {
			next <- fmt.Sprintf("r%d", i+2) // only now: the line before has arrived
		}
	}
	asked, md := d.fake.noted()
	if want := (&fitmentv1.WatchDonorsRequest{Name: "needs/n1", Revision: "r0", IncludeProveFirst: true}); !cmp.Equal(asked, want, protocmp.Transform()) {
		t.Errorf("asked %v", asked)
	}
	if got := md.Get("authorization"); len(got) != 1 || got[0] != "Bearer "+goodKey {
		t.Errorf("with %v", got)
	}
	w.leave()
	<-left
}

func TestHowAWatchEnds(t *testing.T) {
	t.Parallel()
	gone := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "your business has no needs/n1")
	run := func(t *testing.T, sends int, end error) *watching {
		t.Helper()
		d := open(t, &fake{watch: func(_ *fitmentv1.WatchDonorsRequest, stream watchStream) error {
			for range sends {
				if err := stream.Send(change("r")); err != nil {
					return err
				}
			}
			return end
		}}, nil)
		return watchAt(t, d.client, d.base+"/v1/needs/n1:watch")
	}
	t.Run("in good order", func(t *testing.T) {
		t.Parallel()
		w := run(t, 1, nil)
		_ = w.line()
		w.ends()
	})
	t.Run("with an error", func(t *testing.T) {
		t.Parallel()
		w := run(t, 1, gone)
		_ = w.line()
		if got := w.line(); !strings.HasPrefix(got, `{"error":{"code":5,"message":"your business has no needs/n1"`) || !strings.Contains(got, `"reason":"NOT_FOUND"`) {
			t.Errorf("the last line: %s", got)
		}
		w.ends()
	})
	t.Run("before it begins", func(t *testing.T) {
		t.Parallel()
		w := run(t, 0, gone)
		raw, err := io.ReadAll(w.response.Body)
		if err != nil || w.response.StatusCode != http.StatusNotFound || w.response.Header.Get("Content-Type") != "application/json" || !strings.Contains(string(raw), "NOT_FOUND") {
			t.Errorf("%d %s, %v", w.response.StatusCode, raw, err)
		}
	})
}

func TestWhatAWatchRefuses(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{watch: func(*fitmentv1.WatchDonorsRequest, watchStream) error {
		return errors.New("it reached the service")
	}}, nil)
	d.expect(d.call(http.MethodGet, "/v1/needs/n1:watch?since=r1", ""), http.StatusBadRequest, "FIELD_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/needs/n1:watch?includeProveFirst=maybe", ""), http.StatusBadRequest, "FIELD_INVALID")
	d.expect(d.call(http.MethodGet, "/v1/needs/n1:watch", "body"), http.StatusBadRequest, "MALFORMED_REQUEST")
	d.expect(d.call(http.MethodGet, "/v1/needs/n1:watch", "", noKey), http.StatusUnauthorized, "CREDENTIAL_INVALID")
	d.expect(d.call(http.MethodPost, "/v1/needs/n1:watch", "{}"), http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/listings/n1:watch", ""), http.StatusNotFound, "ROUTE_UNKNOWN")
	d.expect(d.call(http.MethodGet, "/v1/needs/a/b:watch", ""), http.StatusNotFound, "ROUTE_UNKNOWN")
	if asked, _ := d.fake.noted(); asked != nil {
		t.Errorf("the service was asked %v", asked)
	}
}

// TestTheLongestRevisionFits into the request line, beside the other headers.
func TestTheLongestRevisionFits(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{watch: func(_ *fitmentv1.WatchDonorsRequest, stream watchStream) error { return stream.Send(change("r")) }}, nil)
	longest := strings.Repeat("w", 24<<10)
	if r := d.call(http.MethodGet, "/v1/needs/n1:watch?revision="+longest, ""); r.code != http.StatusOK {
		t.Errorf("%d %s", r.code, r.text)
	}
	asked, _ := d.fake.noted()
	if r, ok := asked.(*fitmentv1.WatchDonorsRequest); !ok || r.GetRevision() != longest {
		t.Error("the revision did not arrive whole")
	}
}

// TestAWatchOutlivesTheServersTimes, and ends when it is shut down.
func TestAWatchOutlivesTheServersTimes(t *testing.T) {
	t.Parallel()
	next := make(chan string)
	d := open(t, &fake{watch: func(_ *fitmentv1.WatchDonorsRequest, stream watchStream) error {
		for {
			select {
			case revision := <-next:
				if err := stream.Send(change(revision)); err != nil {
					return err
				}
			case <-stream.Context().Done():
				return stream.Context().Err()
			}
		}
	}}, nil)
	tight := rest.Server("", d.handler)
	tight.ReadTimeout, tight.WriteTimeout = 100*time.Millisecond, 150*time.Millisecond
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- tight.Serve(listener) }()
	go func() { next <- "r1" }()
	w := watchAt(t, d.client, "http://"+listener.Addr().String()+"/v1/needs/n1:watch")
	_ = w.line()
	late := time.After(400 * time.Millisecond)
	<-late
	next <- "r2"
	if got := w.line(); !strings.Contains(got, `"r2"`) {
		t.Errorf("after the server's times: %s", got)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := tight.Shutdown(ctx); err != nil {
		t.Errorf("the watch goes on: %v", err)
	}
	w.ends()
	if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
		t.Error(err)
	}
}
