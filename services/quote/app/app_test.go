package app_test

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	fitmentapp "beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/quote/app"
	"beltwright.example/services/store"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// side is one side being served in memory.
type side struct {
	conn *grpc.ClientConn
	end  func()
}

func serveSide(t *testing.T, name string, verifier auth.Verifier, services []serve.Service, closeApp func() error) side {
	t.Helper()
	config := serve.Config{Name: name, ReadyEvery: 20 * time.Millisecond, DrainTimeout: time.Second}
	server, err := serve.New(config, verifier, slog.New(slog.DiscardHandler), services...)
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	conn, err := memory.Dial()
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := errors.Join(server.Serve(ctx, memory), closeApp()); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}()
	end := func() {
		stop()
		<-done
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		end()
	})
	return side{conn: conn, end: end}
}

func TestQuoteSideAcceptsNobodyThatFitmentDoesNotVouchFor(t *testing.T) {
	t.Parallel()
	dir, log := t.TempDir(), slog.New(slog.DiscardHandler)
	fitment, err := fitmentapp.Open(t.Context(), fitmentapp.Config{
		Data: filepath.Join(dir, "fitment"), Log: log, First: []keys.First{fitmentapp.OperatorKey(filepath.Join(dir, "key"))},
	})
	if err != nil {
		t.Fatal(err)
	}
	known := fitment.First[0]
	unseen, err := fitment.Keys.Create(t.Context(), "shop-b", []identity.Role{identity.Shop, identity.Books})
	if err != nil {
		t.Fatal(err)
	}
	f := serveSide(t, "fitment", fitment.Verifier, fitment.Services, fitment.Close)
	quote, err := app.Open(t.Context(), app.Config{Data: filepath.Join(dir, "quote"), Fitment: f.conn, Log: log})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := app.Open(t.Context(), app.Config{Data: filepath.Join(dir, "quote"), Fitment: f.conn, Log: log}); !errors.Is(err, store.ErrInUse) {
		t.Errorf("a second one on the same directory: %v, want ErrInUse", err)
	}
	q := serveSide(t, "quote", quote.Verifier, quote.Services, quote.Close)
	list := func(key string) error {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		_, err := quotev1.NewQuoteServiceClient(q.conn).ListQuotes(auth.WithKey(ctx, key), &quotev1.ListQuotesRequest{}, grpc.WaitForReady(true))
		return err
	}
	if err := list(known); err != nil {
		t.Errorf("a good key: %v", err)
	}
	if err := list("bw_shop-b_abcdefghij23_x"); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a wrong key: %v", err)
	}

	health, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	watch, err := healthpb.NewHealthClient(q.conn).Watch(health, &healthpb.HealthCheckRequest{Service: quotev1.QuoteService_ServiceDesc.ServiceName})
	if err != nil {
		t.Fatal(err)
	}
	f.end()
	_, err = quote.Verifier.Verify(t.Context(), unseen)
	if status.Code(err) != codes.Unavailable || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN {
		t.Errorf("a good key that was never seen, with the fitment service gone: %v, want UNAVAILABLE DEPENDENCY_DOWN", err)
	}
	for {
		answer, err := watch.Recv()
		if err != nil {
			t.Fatalf("health never turned: %v", err)
		}
		if answer.GetStatus() == healthpb.HealthCheckResponse_NOT_SERVING {
			break
		}
	}
	// It can still answer, if only to say who does not.
	own, err := healthpb.NewHealthClient(q.conn).Check(health, &healthpb.HealthCheckRequest{})
	if err != nil || own.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("the quote side's own health with the fitment service gone: %v, %v", own, err)
	}
}
