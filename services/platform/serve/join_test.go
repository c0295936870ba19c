package serve_test

import (
	"context"
	"errors"
	"io"
	"net"
	"syscall"
	"testing"

	"beltwright.example/services/platform/serve"
)

func TestJoinAcceptsFromEveryListener(t *testing.T) {
	t.Parallel()
	first, err := serve.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	all := serve.Join(first, memory)
	if all.Addr() != first.Addr() {
		t.Errorf("address %v, want that of the first listener", all.Addr())
	}
	dials := map[string]func(ctx context.Context) (net.Conn, error){
		"network": func(ctx context.Context) (net.Conn, error) {
			return new(net.Dialer).DialContext(ctx, "tcp", first.Addr().String())
		},
		"memory": memory.DialContext,
	}
	for name, dial := range dials {
		met := make(chan error, 1)
		go func() {
			conn, err := all.Accept()
			if err == nil {
				_, err = io.WriteString(conn, "hello")
				err = errors.Join(err, conn.Close())
			}
			met <- err
		}()
		conn, err := dial(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if text, err := io.ReadAll(conn); string(text) != "hello" {
			t.Errorf("%s: read %q, %v", name, text, err)
		}
		if err := errors.Join(<-met, conn.Close()); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := all.Close(); err != nil {
		t.Error(err)
	}
	if _, err := all.Accept(); !errors.Is(err, net.ErrClosed) {
		t.Errorf("a closed listener accepts: %v", err)
	}
	if err := all.Close(); err != nil {
		t.Errorf("closing twice: %v", err)
	}
}

// starved is a listener that fails once for lack of descriptors, then works.
type starved struct {
	net.Listener

	fail chan error
}

func (s starved) Accept() (net.Conn, error) {
	select {
	case err := <-s.fail:
		return nil, err
	default:
		return s.Listener.Accept()
	}
}

func TestJoinOutlivesPassingErrors(t *testing.T) {
	t.Parallel()
	memory := serve.NewMemory()
	fail := make(chan error, 1)
	fail <- syscall.EMFILE
	all := serve.Join(starved{Listener: memory, fail: fail})
	if _, err := all.Accept(); !errors.Is(err, syscall.EMFILE) {
		t.Fatalf("%v, want EMFILE", err)
	}
	dialed := make(chan error, 1)
	go func() {
		conn, err := memory.DialContext(t.Context())
		if err == nil {
			err = conn.Close()
		}
		dialed <- err
	}()
	conn, err := all.Accept()
	if err != nil {
		t.Fatalf("after a passing error: %v", err)
	}
	if err := errors.Join(conn.Close(), <-dialed, all.Close()); err != nil {
		t.Error(err)
	}
}
