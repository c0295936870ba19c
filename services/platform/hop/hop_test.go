package hop_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/hop"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const get = fitmentv1.ListingService_GetListing_FullMethodName

func TestPathsAndSides(t *testing.T) {
	t.Parallel()
	for path, want := range map[string][2]string{
		get: {"beltwright.fitment.v1.ListingService", "fitment"},
		"/beltwright.quote.v1.QuoteService/GetQuote":  {"beltwright.quote.v1.QuoteService", "quote"},
		"/grpc.health.v1.Health/Check":                {"grpc.health.v1.Health", ""},
		"/beltwright.other.v1.Service/Method":         {"beltwright.other.v1.Service", ""},
		"beltwright.fitment.v1.ListingService":        {"", "fitment"},
		"/beltwright.fitment.v1.ListingService/":      {"", "fitment"},
		"beltwright.fitment.v1.ListingService/Method": {"", "fitment"},
		"/": {"", ""}, "": {"", ""}, "/beltwright.": {"", ""},
	} {
		if got := [2]string{hop.Service(path), hop.Side(path)}; got != want {
			t.Errorf("%q: %q, want %q", path, got, want)
		}
	}
}

// TestOnlyTheTransportsWordsAreReplaced: what a service says itself stays as it is.
func TestOnlyTheTransportsWordsAreReplaced(t *testing.T) {
	t.Parallel()
	own := apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, "the index is being read")
	for name, c := range map[string]struct {
		err    error
		names  string
		code   codes.Code
		reason apierr.Reason
	}{
		"nobody listens":   {status.Error(codes.Unavailable, "dial tcp 10.0.0.7:9091"), "fitment", codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"late":             {status.Error(codes.DeadlineExceeded, "10.0.0.7"), "fitment", codes.DeadlineExceeded, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"a context's end":  {fmt.Errorf("wrapped: %w", context.DeadlineExceeded), "fitment", codes.DeadlineExceeded, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"cancelled":        {status.Error(codes.Canceled, "x"), "", codes.Canceled, 0},
		"its own reason":   {own, "", codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY},
		"blames another":   {apierr.Down(codes.Unavailable, "quote", 0, "x"), "quote", codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"a plain refusal":  {status.Error(codes.NotFound, "x"), "", codes.NotFound, 0},
		"the stream's end": {io.EOF, "", codes.Unknown, 0},
	} {
		got := hop.Named(get, c.err)
		if status.Code(got) != c.code || apierr.ReasonOf(got) != c.reason || apierr.ServiceDown(got) != c.names {
			t.Errorf("%s: %v, reason %v, names %q; want %v %v %q", name, got, apierr.ReasonOf(got), apierr.ServiceDown(got), c.code, c.reason, c.names)
		}
		if c.names == "fitment" {
			for _, inside := range []string{"10.0.0.7", "wrapped"} {
				if text := got.Error(); errors.Is(got, c.err) || len(text) > 200 || strings.Contains(text, inside) {
					t.Errorf("%s: %s leaves", name, text)
				}
			}
		}
	}
	if hop.Named(get, nil) != nil {
		t.Error("no error became one")
	}
	if err := status.Error(codes.Unavailable, "x"); !errors.Is(hop.Named("/grpc.health.v1.Health/Check", err), err) {
		t.Error("an error of a service of others was replaced")
	}
}

// TestAConnectionNamesWhoIsNotThere, for calls and for streams.
func TestAConnectionNamesWhoIsNotThere(t *testing.T) {
	t.Parallel()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := grpc.NewServer(grpc.WaitForHandlers(true), grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
		<-stream.Context().Done()
		return stream.Context().Err()
	}))
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(listener) }()
	conn, err := grpc.NewClient(listener.Addr().String(), append(hop.Name(), grpc.WithTransportCredentials(insecure.NewCredentials()))...)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	_, err = fitmentv1.NewListingServiceClient(conn).GetListing(ctx, &fitmentv1.GetListingRequest{})
	late(t, "a call", err, codes.DeadlineExceeded)
	stream, err := fitmentv1.NewFitmentServiceClient(conn).WatchDonors(ctx, &fitmentv1.WatchDonorsRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	late(t, "a stream", err, codes.DeadlineExceeded)
	server.Stop()
	<-done
	_, err = fitmentv1.NewListingServiceClient(conn).GetListing(t.Context(), &fitmentv1.GetListingRequest{})
	late(t, "a call to nobody", err, codes.Unavailable)
	_, err = fitmentv1.NewFitmentServiceClient(conn).WatchDonors(t.Context(), &fitmentv1.WatchDonorsRequest{})
	late(t, "a stream to nobody", err, codes.Unavailable)
}

func late(t *testing.T, what string, err error, code codes.Code) {
	t.Helper()
	if status.Code(err) != code || apierr.ServiceDown(err) != hop.Fitment {
		t.Errorf("%s: %v; want %v that names the fitment service", what, err, code)
	}
	for _, detail := range status.Convert(err).Details() {
		if retry, ok := detail.(*errdetails.RetryInfo); ok && retry.GetRetryDelay().AsDuration() > 0 {
			return
		}
	}
	t.Errorf("%s: it does not say when to try again", what)
}
