package lanes_test

import (
	"context"
	"errors"
	"io"
	"net"
	"runtime"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/emptypb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/lanes"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	watch = fitmentv1.FitmentService_WatchDonors_FullMethodName
	read  = fitmentv1.ListingService_GetListing_FullMethodName
	free  = healthpb.Health_Check_FullMethodName
)

// world is a server that lets a connection carry few calls, and how many connections
// were opened to it. Its watches last until they are cancelled; its reads until they
// are released, where they are held.
type world struct {
	listener *bufconn.Listener
	held     chan struct{}
	entered  chan struct{}

	mu    sync.Mutex
	conns int
}

// carried is how many calls a connection to the server carries.
const carried = 4

func newWorld(t *testing.T) *world {
	t.Helper()
	w := &world{listener: bufconn.Listen(1 << 16)}
	server := grpc.NewServer(grpc.MaxConcurrentStreams(carried), grpc.WaitForHandlers(true),
		grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
			if err := stream.RecvMsg(&emptypb.Empty{}); err != nil {
				return err
			}
			if method, _ := grpc.MethodFromServerStream(stream); method == watch {
				if err := stream.SendMsg(&emptypb.Empty{}); err != nil {
					return err
				}
				<-stream.Context().Done()
				return nil
			}
			if method, _ := grpc.MethodFromServerStream(stream); w.held != nil && method == read {
				w.entered <- struct{}{}
				<-w.held
			}
			return stream.SendMsg(&emptypb.Empty{})
		}))
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(w.listener) }()
	t.Cleanup(func() { server.Stop(); <-done })
	return w
}

func (w *world) dial() (*grpc.ClientConn, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.conns++
	return grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return w.listener.DialContext(ctx) }))
}

func (w *world) opened() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.conns
}

func (w *world) lanes(t *testing.T, config lanes.Config) *lanes.Lanes {
	t.Helper()
	l, err := lanes.New(config, w.dial)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

// opens begins a watch and waits for its first message.
func opens(ctx context.Context, conn grpc.ClientConnInterface) error {
	stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, watch)
	if err != nil {
		return err
	}
	return errors.Join(stream.SendMsg(&emptypb.Empty{}), stream.CloseSend(), stream.RecvMsg(&emptypb.Empty{}))
}

func asks(ctx context.Context, conn grpc.ClientConnInterface, method string) error {
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	return conn.Invoke(ctx, method, &emptypb.Empty{}, &emptypb.Empty{})
}

// Three times as many watches as one connection carries are open, and everything else
// is answered. The control is one connection: its watches keep everything out.
func TestWatchesDoNotKeepCallsOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	l := w.lanes(t, lanes.Config{Each: carried})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	for n := range 3 * carried {
		if err := opens(ctx, l); err != nil {
			t.Fatalf("watch %d: %v", n, err)
		}
	}
	if err := errors.Join(asks(t.Context(), l, read), asks(t.Context(), l, free)); err != nil {
		t.Errorf("beside the watches: %v", err)
	}
	if got := w.opened(); got != 1+3 {
		t.Errorf("%d connections, want one for calls and three for watches", got)
	}

	conn, err := w.dial()
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	for range carried {
		if err := opens(ctx, conn); err != nil {
			t.Fatal(err)
		}
	}
	if err := asks(t.Context(), conn, read); err == nil {
		t.Error("the control: one connection carries everything, so this test shows nothing")
	}
}

// What no connection has room for is refused and does not wait, except for what is
// never refused. Places come back.
func TestNobodyWaitsUnseen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	l := w.lanes(t, lanes.Config{Each: carried - 1, Most: 2})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const all = 2 * (carried - 1)
	for range all {
		if err := opens(ctx, l); err != nil {
			t.Fatal(err)
		}
	}
	if err := opens(ctx, l); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_OVERLOADED {
		t.Errorf("one watch too many: %v", err)
	}
	cancel()
	again, stop := context.WithCancel(t.Context())
	defer stop()
	for err := opens(again, l); err != nil; err = opens(again, l) { // leaving follows the context's end
		if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_OVERLOADED {
			t.Fatal(err)
		}
		runtime.Gosched()
	}

	w.held, w.entered = make(chan struct{}), make(chan struct{}, all+1)
	var waiting sync.WaitGroup
	for range all {
		waiting.Go(func() {
			if err := l.Invoke(t.Context(), read, &emptypb.Empty{}, &emptypb.Empty{}); err != nil {
				t.Error(err)
			}
		})
	}
	for range all {
		<-w.entered
	}
	if err := asks(t.Context(), l, read); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_OVERLOADED {
		t.Errorf("one call too many: %v", err)
	}
	if err := asks(t.Context(), l, free); err != nil {
		t.Errorf("what is never refused: %v", err)
	}
	close(w.held)
	waiting.Wait()
	if err := asks(t.Context(), l, read); err != nil {
		t.Errorf("after all have been answered: %v", err)
	}
}

// A stream that has ended gives its place back before its context ends.
func TestAnEndedStreamGivesItsPlaceBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	l := w.lanes(t, lanes.Config{Each: 1, Most: 1})
	for n := range 5 {
		stream, err := l.NewStream(t.Context(), &grpc.StreamDesc{ServerStreams: true}, fitmentv1.EvidenceService_DownloadAttachment_FullMethodName)
		if err != nil {
			t.Fatalf("download %d: %v", n, err)
		}
		if err := errors.Join(stream.SendMsg(&emptypb.Empty{}), stream.CloseSend(), stream.RecvMsg(&emptypb.Empty{})); err != nil {
			t.Fatal(err)
		}
		if err := stream.RecvMsg(&emptypb.Empty{}); !errors.Is(err, io.EOF) {
			t.Fatalf("%v, want the end", err)
		}
	}
}

func TestNothingOpensAfterTheEnd(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	l, err := lanes.New(lanes.Config{}, w.dial)
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := asks(t.Context(), l, read); err == nil {
		t.Error("a call passes closed connections")
	}
	if err := opens(t.Context(), l); err == nil || w.opened() != 1 {
		t.Errorf("%v, %d connections", err, w.opened())
	}
	if _, err := lanes.New(lanes.Config{Each: -1}, w.dial); err == nil {
		t.Error("a negative number of calls is accepted")
	}
}
