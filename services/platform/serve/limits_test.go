package serve_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/serve"
)

func TestHeadersAreBounded(t *testing.T) {
	t.Parallel()
	service := &who{}
	conn, _ := plainly(t, serve.Config{}, service)
	for size, good := range map[int]bool{8 << 10: true, 20 << 10: false} {
		ctx := metadata.AppendToOutgoingContext(keyed(t), "x-padding", strings.Repeat("a", size))
		if _, err := verify(ctx, conn); (err == nil) != good {
			t.Errorf("%d bytes of headers: %v", size, err)
		}
	}
	if got := service.calls.Load(); got != 1 {
		t.Errorf("%d calls reached the handler, want the good one", got)
	}
}

func TestCallsOfOneConnectionAreBounded(t *testing.T) {
	t.Parallel()
	service := &who{enter: make(chan struct{}, 3), finish: make(chan struct{})}
	conn, _ := plainly(t, serve.Config{MaxStreams: 2}, service)
	answered := make(chan error, 2)
	// The client learns the bound with the server's first frames.
	for range 2 {
		go func() {
			_, err := verify(keyed(t), conn)
			answered <- err
		}()
		<-service.enter
	}
	third, cancel := context.WithTimeout(auth.WithKey(t.Context(), key), 100*time.Millisecond)
	defer cancel()
	if _, err := verify(third, conn); status.Code(err) != codes.DeadlineExceeded || service.calls.Load() != 2 {
		t.Errorf("a third call: %v, with %d in handlers; want it to wait for its turn", err, service.calls.Load())
	}
	close(service.finish)
	for range 2 {
		if err := <-answered; err != nil {
			t.Error(err)
		}
	}
}
