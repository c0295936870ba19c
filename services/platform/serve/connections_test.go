package serve_test

import (
	"context"
	"io"
	"net"
	"testing"
	"time"

	"beltwright.example/services/platform/serve"
)

// held opens connections from an address and counts those that are kept.
func held(t *testing.T, to net.Listener, from string, wanted int) (kept int, open []net.Conn) {
	t.Helper()
	dialer := net.Dialer{LocalAddr: &net.TCPAddr{IP: net.ParseIP(from)}}
	for range wanted {
		conn, err := dialer.DialContext(t.Context(), "tcp", to.Addr().String())
		if err != nil {
			continue // closed so fast that connecting failed
		}
		t.Cleanup(func() { _ = conn.Close() })
		_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
		var one [1]byte
		if _, err := io.ReadFull(conn, one[:]); err == nil { // greeted
			kept++
			open = append(open, conn)
		}
	}
	return kept, open
}

// greet accepts, greets and keeps each connection until the other side leaves.
func greet(t *testing.T, listener net.Listener) {
	t.Helper()
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			go func() {
				defer func() { _ = conn.Close() }()
				if _, err := conn.Write([]byte{1}); err == nil {
					_, _ = io.Copy(io.Discard, conn)
				}
			}()
		}
	}()
	t.Cleanup(func() {
		_ = listener.Close()
		<-ended
	})
}

func bare(t *testing.T) net.Listener {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(context.WithoutCancel(t.Context()), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return listener
}

func TestConnectionsAreBounded(t *testing.T) {
	t.Parallel()
	limited := serve.Limit(bare(t), serve.Connections{Total: 6, PerAddress: 4})
	greet(t, limited)
	kept, open := held(t, limited, "127.0.0.9", 10)
	if kept != 4 {
		t.Errorf("%d connections of one address are kept, want 4", kept)
	}
	if kept, _ := held(t, limited, "127.0.0.10", 10); kept != 2 {
		t.Errorf("%d of another are kept, want the 2 that are left", kept)
	}
	// A place that was given up is taken by the next.
	if err := open[0].Close(); err != nil {
		t.Fatal(err)
	}
	deadline := time.Now().Add(10 * time.Second)
	for kept = 0; kept == 0 && time.Now().Before(deadline); {
		kept, _ = held(t, limited, "127.0.0.11", 1)
	}
	if kept != 1 {
		t.Error("the place of a closed connection was not given back")
	}
	// The control: the same without bounds.
	free := bare(t)
	greet(t, free)
	if kept, _ := held(t, free, "127.0.0.9", 10); kept != 10 {
		t.Errorf("%d are kept without bounds, want all 10", kept)
	}
}

func TestBehindAProxyOneAddressMayHaveAll(t *testing.T) {
	t.Parallel()
	limited := serve.Limit(bare(t), serve.Connections{Total: 6, PerAddress: -1})
	greet(t, limited)
	if kept, _ := held(t, limited, "127.0.0.9", 10); kept != 6 {
		t.Errorf("%d are kept, want 6", kept)
	}
}
