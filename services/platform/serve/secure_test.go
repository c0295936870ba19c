package serve_test

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/mtls/authority"
	"beltwright.example/services/platform/serve"
)

// identities makes identities of one authority.
func identities(t *testing.T, names ...string) map[string]*mtls.Identity {
	t.Helper()
	now := time.Now()
	ca, err := authority.New(now, 24*time.Hour, authority.Hosts{})
	if err != nil {
		t.Fatal(err)
	}
	made := map[string]*mtls.Identity{}
	for _, name := range names {
		cert, key, err := ca.Issue(authority.For(name, authority.Hosts{}, now, time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		dir := t.TempDir()
		for file, raw := range map[string][]byte{mtls.CAFile: ca.CertificatePEM(), mtls.CertFile: cert, mtls.KeyFile: key} {
			if err := os.WriteFile(filepath.Join(dir, file), raw, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if made[name], err = mtls.Open(dir, slog.New(slog.DiscardHandler), time.Now); err != nil {
			t.Fatal(err)
		}
	}
	return made
}

// A certificate lets a program connect and says nothing about whom it calls for.
func TestCertificateAloneGetsNothing(t *testing.T) {
	t.Parallel()
	all := identities(t, mtls.Fitment, mtls.Gateway, mtls.Quote)
	service := &who{}
	server, err := serve.New(serve.Config{TLS: all[mtls.Fitment], Allow: []string{mtls.Gateway}, ReadyEvery: 10 * time.Millisecond},
		verifier{}, slog.New(slog.DiscardHandler), service)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := serve.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	ctx, stop := context.WithCancel(t.Context())
	served := make(chan error, 1)
	go func() { served <- server.Serve(ctx, serve.Join(listener, memory)) }()
	defer func() {
		stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	}()
	address := listener.Addr().String()
	dial := func(conn *grpc.ClientConn, err error) *grpc.ClientConn {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return conn
	}
	gateway := dial(serve.DialAs(all[mtls.Gateway], mtls.FitmentServers(), address))
	if answer, err := verify(keyed(t), gateway); err != nil || answer.GetTenant() != "shop-a" {
		t.Errorf("certificate and key: %v, %v", answer, err)
	}
	if _, err := verify(t.Context(), gateway); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a certificate without a key: %v", err)
	}
	if _, err := verify(auth.WithKey(t.Context(), "wrong"), gateway); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a certificate with a wrong key: %v", err)
	}
	if answer, err := healthpb.NewHealthClient(gateway).Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil {
		t.Errorf("health: %v, %v", answer, err)
	}
	// Inside the process there is nobody else, and no certificate.
	if _, err := verify(keyed(t), dial(memory.Dial())); err != nil {
		t.Errorf("inside the process: %v", err)
	}
	before := service.calls.Load()
	for what, conn := range map[string]*grpc.ClientConn{
		"not on the list": dial(serve.DialAs(all[mtls.Quote], mtls.FitmentServers(), address)),
		"without TLS":     dial(grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))),
		"wants another":   dial(serve.DialAs(all[mtls.Gateway], mtls.QuoteServers(), address)),
	} {
		short, cancel := context.WithTimeout(auth.WithKey(t.Context(), key), 300*time.Millisecond)
		if _, err := verify(short, conn); err == nil {
			t.Errorf("%s: answered", what)
		}
		cancel()
	}
	if got := service.calls.Load(); got != before {
		t.Errorf("%d calls of those that are refused reached the handler", got-before)
	}
}

func TestAddressesAndTLS(t *testing.T) {
	t.Parallel()
	all := identities(t, mtls.Fitment)
	if _, err := serve.New(serve.Config{Allow: []string{mtls.Gateway}}, verifier{}, nil, &who{}); err == nil {
		t.Error("names without a certificate to tell them by were taken")
	}
	if _, err := serve.New(serve.Config{TLS: all[mtls.Fitment]}, verifier{}, nil, &who{}); err == nil {
		t.Error("a server that lets nobody in was made")
	}
	for address, good := range map[string]bool{"192.0.2.1:9091": true, "fitment.example:9091": true, "127.0.0.1:9091,fitment.example:9091": true, "fitment.example": false} {
		conn, err := serve.DialAs(all[mtls.Fitment], mtls.FitmentServers(), address)
		if (err == nil) != good {
			t.Errorf("%s with a certificate: %v", address, err)
		}
		if err == nil {
			_ = conn.Close()
		}
		if _, err := serve.DialAs(nil, mtls.FitmentServers(), address); err == nil {
			t.Errorf("%s without: taken, though it is not on loopback", address)
		}
	}
	for address, good := range map[string]bool{"0.0.0.0:0": true, "127.0.0.1:0": true, "x": false} {
		listener, err := serve.ListenSecured(t.Context(), address, serve.Connections{})
		if (err == nil) != good {
			t.Errorf("%s: %v", address, err)
		}
		if err == nil {
			_ = listener.Close()
		}
	}
}
