package serve_test

import (
	"context"
	"io"
	"log/slog"
	"net"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	_ "google.golang.org/grpc/encoding/gzip" // as the program is linked with it
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/serve"
)

// bomb is a request that is a thousand times smaller on its way.
func bomb() *fitmentv1.SignInRequest {
	return &fitmentv1.SignInRequest{Login: strings.Repeat("a", 900<<10)}
}

func (w *who) SignIn(context.Context, *fitmentv1.SignInRequest) (*fitmentv1.SignInResponse, error) {
	w.calls.Add(1)
	return &fitmentv1.SignInResponse{}, nil
}

// Nothing that is compressed is unpacked, whoever sends it, although the program is
// linked with what could. The control is a server that grpc makes by itself.
func TestNothingIsUnpacked(t *testing.T) {
	t.Parallel()
	service := &who{}
	conn, _ := plainly(t, serve.Config{}, service)
	client := fitmentv1.NewIdentityServiceClient(conn)
	if _, err := client.SignIn(keyed(t), bomb()); err != nil || service.calls.Load() != 1 {
		t.Fatalf("as it is: %v", err)
	}
	for name, ctx := range map[string]context.Context{"with a key": keyed(t), "without": t.Context()} {
		_, err := client.SignIn(ctx, bomb(), grpc.UseCompressor("gzip"))
		if status.Code(err) != codes.Unimplemented || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_MALFORMED_REQUEST || service.calls.Load() != 1 {
			t.Errorf("%s: %v, %d calls", name, err, service.calls.Load())
		}
	}
	bare := grpc.NewServer()
	control := &who{}
	fitmentv1.RegisterIdentityServiceServer(bare, control)
	other, err := grpc.NewClient(serveBare(t, bare), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = other.Close() }()
	if _, err := fitmentv1.NewIdentityServiceClient(other).SignIn(t.Context(), bomb(), grpc.UseCompressor("gzip")); err != nil || control.calls.Load() != 1 {
		t.Errorf("the control: %v; nothing was compressed here", err)
	}
}

// serveBare serves on a free port until the test ends.
func serveBare(t *testing.T, server *grpc.Server) string {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); <-done })
	return listener.Addr().String()
}

// A connection on which nobody says anything is closed when the time for its setting
// up is over. The control, with grpc's own two minutes, is still open then.
func TestSilentConnectionsAreClosed(t *testing.T) {
	t.Parallel()
	server, err := serve.New(serve.Config{HandshakeTimeout: 100 * time.Millisecond}, verifier{}, slog.New(slog.DiscardHandler), &who{})
	if err != nil {
		t.Fatal(err)
	}
	listener, err := serve.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- server.Serve(ctx, listener) }()
	defer func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}()
	if !closed(t, listener.Addr().String(), 10*time.Second) {
		t.Error("a silent connection is kept")
	}
	if closed(t, serveBare(t, grpc.NewServer()), 500*time.Millisecond) {
		t.Error("the control closes it too")
	}
}

// closed tells whether a server closes a silent connection within a time.
func closed(t *testing.T, address string, within time.Duration) bool {
	t.Helper()
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if err := conn.SetReadDeadline(time.Now().Add(within)); err != nil {
		t.Fatal(err)
	}
	_, err = io.Copy(io.Discard, conn) // the server says its settings first
	return err == nil || !strings.Contains(err.Error(), "timeout")
}

// One caller over the network has the budgets of a credential and the bound on wrong
// ones; callers from the same process, which is where the gateway's come from, were
// counted there.
func TestCallersOverTheNetworkAreCounted(t *testing.T) {
	t.Parallel()
	limits, err := limit.New(limit.Config{
		Rates: map[limit.Class]limit.Speed{limit.Write: {PerSecond: 1e-3, Burst: 5}}, Doors: limit.DoorConfig{Burst: 5},
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		config serve.Config
		want   int
	}{
		"counted":          {serve.Config{Limits: limits}, 5},
		"control: nothing": {serve.Config{}, 20},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			service := &who{}
			conn, _ := plainly(t, c.config, service)
			client := fitmentv1.NewIdentityServiceClient(conn)
			good, wrong := 0, 0
			for range 20 {
				switch _, err := client.ChangePassword(keyed(t), &fitmentv1.ChangePasswordRequest{}, grpc.WaitForReady(true)); {
				case status.Code(err) == codes.Unimplemented: // it got as far as the handler
					good++
				case apierr.ReasonOf(err) != fitmentv1.ErrorInfo_RATE_LIMITED:
					t.Fatal(err)
				}
				switch _, err := verify(auth.WithKey(t.Context(), "wrong"), conn); {
				case status.Code(err) == codes.Unauthenticated:
					wrong++
				case apierr.ReasonOf(err) != fitmentv1.ErrorInfo_RATE_LIMITED:
					t.Fatal(err)
				}
			}
			if good != c.want || wrong != c.want {
				t.Errorf("%d calls and %d wrong credentials of 20 each were let through, want %d", good, wrong, c.want)
			}
		})
	}
}
