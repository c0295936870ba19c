package serve_test

import (
	"context"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/serve"
)

// TestHealthTellsOfBreakers under names of their own; the server's health is not
// theirs.
func TestHealthTellsOfBreakers(t *testing.T) {
	t.Parallel()
	set, err := serve.NewBreakers(hop.Fitment)
	if err != nil {
		t.Fatal(err)
	}
	r := start(t, serve.Config{Breakers: set}, &who{})
	health := healthpb.NewHealthClient(r.conn)
	awaits := func(name string, want healthpb.HealthCheckResponse_ServingStatus) {
		t.Helper()
		stream, err := health.Watch(keyed(t), &healthpb.HealthCheckRequest{Service: name})
		if err != nil {
			t.Fatal(err)
		}
		for {
			answer, err := stream.Recv()
			if err != nil {
				t.Fatalf("%q never turned %v: %v", name, want, err)
			}
			if answer.GetStatus() == want {
				return
			}
		}
	}
	const listings, parts = "breaker/fitment.ListingService", "breaker/fitment.CatalogueService"
	awaits(listings, healthpb.HealthCheckResponse_SERVING)

	gone, err := serve.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := gone.Close(); err != nil { // nobody listens there any more
		t.Fatal(err)
	}
	down, err := serve.Dial(gone.Addr().String(), serve.Between(set)...)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := down.Close(); err != nil {
			t.Error(err)
		}
	}()
	for range 20 {
		ctx := keyed(t)
		if _, err := fitmentv1.NewListingServiceClient(down).HoldListing(ctx, &fitmentv1.HoldListingRequest{}); status.Code(err) == codes.OK {
			t.Fatal("nobody answered a call")
		}
	}
	awaits(listings, healthpb.HealthCheckResponse_NOT_SERVING)
	awaits(parts, healthpb.HealthCheckResponse_SERVING)
	awaits("", healthpb.HealthCheckResponse_SERVING)
}

// blaming is a service that another one lets down, or that is down itself.
type blaming struct {
	who

	other atomic.Bool
}

func (b *blaming) Register(r grpc.ServiceRegistrar) { fitmentv1.RegisterIdentityServiceServer(r, b) }

func (b *blaming) VerifyCredential(context.Context, *fitmentv1.VerifyCredentialRequest) (*fitmentv1.VerifyCredentialResponse, error) {
	b.calls.Add(1)
	if b.other.Load() {
		return nil, apierr.Down(codes.Unavailable, hop.Fitment, time.Second, "somebody else is down")
	}
	return nil, status.Error(codes.Unavailable, "down myself")
}

// TestOnlyTheHopNextToAFailureTriesAgain: what failed because of another service is
// not tried again by whoever is one hop further away. The control is a failure of the
// server's own, which is tried three times.
func TestOnlyTheHopNextToAFailureTriesAgain(t *testing.T) {
	t.Parallel()
	for other, want := range map[bool]int64{true: 1, false: 3} {
		service := &blaming{}
		service.other.Store(other)
		r := start(t, serve.Config{}, service)
		_, err := fitmentv1.NewIdentityServiceClient(r.conn).VerifyCredential(keyed(t), &fitmentv1.VerifyCredentialRequest{}, grpc.WaitForReady(true))
		if status.Code(err) != codes.Unavailable {
			t.Errorf("another service is down %v: %v", other, err)
		}
		if n := service.calls.Load(); n != want {
			t.Errorf("another service is down %v: asked %d times, want %d", other, n, want)
		}
	}
}
