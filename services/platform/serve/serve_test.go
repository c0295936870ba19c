package serve_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/reflection"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/platform/telemetry"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const key = "good-key"

type verifier struct{}

func (verifier) Verify(_ context.Context, text string) (identity.Principal, error) {
	if text != key {
		return identity.Principal{}, auth.Invalid()
	}
	return identity.Principal{Tenant: "shop-a", KeyID: "k", Roles: []identity.Role{identity.Shop}}, nil
}

// who is a service under test: IdentityService with switches.
type who struct {
	fitmentv1.UnimplementedIdentityServiceServer

	down   atomic.Bool   // not ready
	fail   chan error    // ends Run
	calls  atomic.Int64  // handlers entered
	flaky  atomic.Int64  // so many calls answer UNAVAILABLE
	enter  chan struct{} // where set, told of each call
	finish chan struct{} // where set, each call waits for it
	ended  atomic.Bool   // Run has returned
}

func (w *who) Register(r grpc.ServiceRegistrar) { fitmentv1.RegisterIdentityServiceServer(r, w) }

func (*who) Names() []string { return []string{fitmentv1.IdentityService_ServiceDesc.ServiceName} }

func (w *who) Ready(context.Context) error {
	if w.down.Load() {
		return errors.New("down")
	}
	return nil
}

func (w *who) Run(ctx context.Context) error {
	defer w.ended.Store(true)
	select {
	case <-ctx.Done():
		return nil
	case err := <-w.fail:
		return err
	}
}

func (w *who) VerifyCredential(ctx context.Context, _ *fitmentv1.VerifyCredentialRequest) (*fitmentv1.VerifyCredentialResponse, error) {
	w.calls.Add(1)
	if w.flaky.Add(-1) >= 0 {
		return nil, apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, "not yet")
	}
	if w.enter != nil {
		w.enter <- struct{}{}
	}
	if w.finish != nil {
		select {
		case <-w.finish:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
	}
	if w.ended.Load() {
		return nil, errors.New("background work ended before the call did")
	}
	p, _ := identity.FromContext(ctx)
	return &fitmentv1.VerifyCredentialResponse{Tenant: p.Tenant}, nil
}

// running is a server under test.
type running struct {
	conn *grpc.ClientConn
	stop context.CancelFunc
	done chan error
}

// start serves until the test ends.
func start(t *testing.T, config serve.Config, service serve.Service) running {
	t.Helper()
	config.ReadyEvery = 10 * time.Millisecond
	server, err := serve.New(config, verifier{}, slog.New(slog.DiscardHandler), service)
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	ctx, stop := context.WithCancel(t.Context())
	r := running{stop: stop, done: make(chan error, 1)}
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		r.done <- server.Serve(ctx, memory)
	}()
	r.conn, err = memory.Dial()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := r.conn.Close(); err != nil && status.Code(err) != codes.Canceled {
			t.Error(err)
		}
		stop()
		<-finished
	})
	return r
}

func keyed(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	return auth.WithKey(ctx, key)
}

func verify(ctx context.Context, conn grpc.ClientConnInterface) (*fitmentv1.VerifyCredentialResponse, error) {
	return fitmentv1.NewIdentityServiceClient(conn).VerifyCredential(ctx, &fitmentv1.VerifyCredentialRequest{}, grpc.WaitForReady(true))
}

// awaitHealth reads a watch until the status comes.
func awaitHealth(t *testing.T, watch grpc.ServerStreamingClient[healthpb.HealthCheckResponse], want healthpb.HealthCheckResponse_ServingStatus) {
	t.Helper()
	for {
		answer, err := watch.Recv()
		if err != nil {
			t.Fatalf("waiting for %v: %v", want, err)
		}
		if answer.GetStatus() == want {
			return
		}
	}
}

func watchHealth(t *testing.T, conn grpc.ClientConnInterface, service string) grpc.ServerStreamingClient[healthpb.HealthCheckResponse] {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	t.Cleanup(cancel)
	watch, err := healthpb.NewHealthClient(conn).Watch(ctx, &healthpb.HealthCheckRequest{Service: service})
	if err != nil {
		t.Fatal(err)
	}
	return watch
}

// plainly connects without our client's policy, so that the server's own
// answers are seen even while its health says no.
func plainly(t *testing.T, config serve.Config, service serve.Service) (*grpc.ClientConn, running) {
	t.Helper()
	config.ReadyEvery = 10 * time.Millisecond
	server, err := serve.New(config, verifier{}, slog.New(slog.DiscardHandler), service)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := serve.Listen(t.Context(), "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	r := running{conn: conn, stop: stop, done: make(chan error, 1)}
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		r.done <- server.Serve(ctx, listener)
	}()
	t.Cleanup(func() {
		if err := conn.Close(); err != nil && status.Code(err) != codes.Canceled {
			t.Error(err)
		}
		stop()
		<-finished
	})
	return conn, r
}

func TestHealthFollowsReadinessInBothDirections(t *testing.T) {
	t.Parallel()
	service := &who{}
	conn, _ := plainly(t, serve.Config{}, service)
	for _, name := range []string{"", service.Names()[0]} {
		watch := watchHealth(t, conn, name)
		for range 2 {
			awaitHealth(t, watch, healthpb.HealthCheckResponse_SERVING)
			service.down.Store(true)
			awaitHealth(t, watch, healthpb.HealthCheckResponse_NOT_SERVING)
			service.down.Store(false)
		}
		awaitHealth(t, watch, healthpb.HealthCheckResponse_SERVING)
	}
}

func TestClientsLeaveAServerThatIsNotReady(t *testing.T) {
	t.Parallel()
	service := &who{}
	service.down.Store(true)
	r := start(t, serve.Config{}, service)
	_, err := fitmentv1.NewIdentityServiceClient(r.conn).VerifyCredential(keyed(t), &fitmentv1.VerifyCredentialRequest{})
	if status.Code(err) != codes.Unavailable || service.calls.Load() != 0 {
		t.Errorf("%v after %d calls; want UNAVAILABLE without one", err, service.calls.Load())
	}
	service.down.Store(false)
	if _, err := verify(keyed(t), r.conn); err != nil {
		t.Errorf("once ready: %v", err)
	}
}

func TestWhoIsLetIn(t *testing.T) {
	t.Parallel()
	conn, _ := plainly(t, serve.Config{}, &who{})
	methods := map[string]func(context.Context) error{
		"unary": func(ctx context.Context) error { _, err := verify(ctx, conn); return err },
		"unknown method": func(ctx context.Context) error {
			return conn.Invoke(ctx, "/beltwright.fitment.v1.IdentityService/None", &fitmentv1.VerifyCredentialRequest{}, &fitmentv1.VerifyCredentialResponse{})
		},
		"unknown service": func(ctx context.Context) error {
			return conn.Invoke(ctx, "/none.Service/None", &fitmentv1.VerifyCredentialRequest{}, &fitmentv1.VerifyCredentialResponse{})
		},
		"health": func(ctx context.Context) error {
			_, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
			return err
		},
	}
	credentials := map[string][]string{
		"none": nil, "good": {"Bearer " + key}, "wrong": {"Bearer bad"}, "two": {"Bearer " + key, "Bearer bad"},
		"basic": {"Basic " + key}, "bare": {key},
	}
	for name, invoke := range methods {
		for kind, headers := range credentials {
			t.Run(name+"/"+kind, func(t *testing.T) {
				t.Parallel()
				ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
				defer cancel()
				ctx = metadata.NewOutgoingContext(ctx, metadata.MD{auth.Header: headers})
				want, reason := codes.OK, fitmentv1.ErrorInfo_REASON_UNSPECIFIED
				switch {
				case name == "health":
				case kind != "good":
					want, reason = codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID
				case strings.HasPrefix(name, "unknown"):
					want, reason = codes.Unimplemented, fitmentv1.ErrorInfo_ROUTE_UNKNOWN
				}
				if err := invoke(ctx); status.Code(err) != want || apierr.ReasonOf(err) != reason {
					t.Errorf("%v, want %v %v", err, want, reason)
				}
			})
		}
	}
}

// TestPublicPortsTellNothingOfTheInside: what is for those who run a server is on
// another port, whoever asks. The control has one of these services put there.
func TestPublicPortsTellNothingOfTheInside(t *testing.T) {
	t.Parallel()
	inside := []string{
		reflectionpb.ServerReflection_ServerReflectionInfo_FullMethodName,
		"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo",
		"/grpc.channelz.v1.Channelz/GetServers",
		"/grpc.channelz.v1.Channelz/GetTopChannels",
	}
	ask := func(conn *grpc.ClientConn, method string) error {
		stream, err := conn.NewStream(keyed(t), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true}, method, grpc.ForceCodec(raw{}))
		if err != nil {
			t.Fatal(err)
		}
		list := []byte{0x3a, 0} // list_services
		if err := stream.SendMsg(&list); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
		return stream.RecvMsg(new([]byte))
	}
	conn, _ := plainly(t, serve.Config{}, &who{})
	for _, method := range inside {
		if err := ask(conn, method); status.Code(err) != codes.Unimplemented {
			t.Errorf("%s: %v, want UNIMPLEMENTED", method, err)
		}
	}
	open, _ := plainly(t, serve.Config{}, &reflecting{})
	if err := ask(open, inside[0]); err != nil {
		t.Errorf("where it is there: %v, so this test finds nothing", err)
	}
}

// TestCallsAreCountedAndTraced where the configuration says by what.
func TestCallsAreCountedAndTraced(t *testing.T) {
	t.Parallel()
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	exporter := tracetest.NewInMemoryExporter()
	traces, err := telemetry.Open(t.Context(), telemetry.Config{Exporter: exporter})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := traces.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	}()
	conn, _ := plainly(t, serve.Config{Metrics: set, Traces: traces}, &who{})
	if _, err := verify(keyed(t), conn); err != nil {
		t.Fatal(err)
	}
	// Neither of these is anybody's business.
	_, _ = healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{})
	_ = conn.Invoke(keyed(t), "/none.Service/5ZTSSB4K15A000003", &fitmentv1.VerifyCredentialRequest{}, &fitmentv1.VerifyCredentialResponse{})
	families, err := set.Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	counted := ""
	for _, family := range families {
		if family.GetName() == "beltwright_rpc_requests_total" {
			counted = family.String()
		}
	}
	if !strings.Contains(counted, "IdentityService/VerifyCredential") || !strings.Contains(counted, "other") || strings.Contains(counted, "5ZTSSB4K15A000003") {
		t.Errorf("counted %s", counted)
	}
	want := []string{"beltwright.fitment.v1.IdentityService/VerifyCredential"}
	var names []string
	for deadline := time.Now().Add(20 * time.Second); len(names) == 0 && time.Now().Before(deadline); { // a span ends after its answer
		if err := traces.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		for _, span := range exporter.GetSpans() {
			names = append(names, span.Name)
		}
	}
	if !slices.Equal(names, want) {
		t.Errorf("spans %v, want %v", names, want)
	}
}

// TestHealthTellsOfAllServices, and whether they can all do their work.
func TestHealthTellsOfAllServices(t *testing.T) {
	t.Parallel()
	service := &who{}
	service.down.Store(true)
	server, err := serve.New(serve.Config{ReadyEvery: 10 * time.Millisecond}, verifier{}, slog.New(slog.DiscardHandler), service)
	if err != nil {
		t.Fatal(err)
	}
	memory := serve.NewMemory()
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- server.Serve(ctx, memory) }()
	await := func(want bool) {
		t.Helper()
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for range 20_000 {
			serving, states := server.Health(t.Context())
			state := states["beltwright.fitment.v1.IdentityService"]
			if serving == want && state != "" && (state == "SERVING") == want {
				return
			}
			<-tick.C
		}
		t.Errorf("never %v", want)
	}
	await(false)
	service.down.Store(false)
	await(true)
	if _, ok := server.GetServiceInfo()["beltwright.fitment.v1.IdentityService"]; !ok {
		t.Errorf("services %v", server.GetServiceInfo())
	}
	stop()
	if err := <-done; err != nil {
		t.Error(err)
	}
}

// reflecting is a service that has a stream from the caller: it offers reflection
// too.
type reflecting struct{ who }

func (r *reflecting) Register(registrar grpc.ServiceRegistrar) {
	r.who.Register(registrar)
	reflectionpb.RegisterServerReflectionServer(registrar, reflection.NewServerV1(reflection.ServerOptions{Services: grpc.NewServer()}))
}

// raw sends bytes as they are.
type raw struct{}

func (raw) Marshal(v any) ([]byte, error) { return *v.(*[]byte), nil }
func (raw) Unmarshal([]byte, any) error   { return nil }
func (raw) Name() string                  { return "proto" }

func TestRequestsThatCannotBeReadAreAnsweredWithAReason(t *testing.T) {
	t.Parallel()
	service := &who{}
	conn, _ := plainly(t, serve.Config{}, service)
	send := func(ctx context.Context, body []byte) error {
		var answer []byte
		return conn.Invoke(ctx, fitmentv1.IdentityService_VerifyCredential_FullMethodName, &body, &answer,
			grpc.ForceCodec(raw{}), grpc.WaitForReady(true))
	}
	stranger, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	large := bytes.Repeat([]byte{0x0a, 0}, 1<<19+1)
	for name, c := range map[string]struct {
		ctx    context.Context //nolint:containedctx // a case's input
		body   []byte
		code   codes.Code
		reason apierr.Reason
	}{
		"good":                {keyed(t), nil, codes.OK, 0},
		"no protobuf":         {keyed(t), []byte{0xff}, codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST},
		"unknown field":       {keyed(t), []byte{0x98, 0x06, 1}, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_UNKNOWN},
		"too large":           {keyed(t), large, codes.ResourceExhausted, 0}, // grpc's own answer
		"stranger's garbage":  {stranger, []byte{0xff}, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID},
		"stranger, too large": {stranger, large, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID},
	} {
		if err := send(c.ctx, c.body); status.Code(err) != c.code || apierr.ReasonOf(err) != c.reason {
			t.Errorf("%s: %v, want %v %v", name, err, c.code, c.reason)
		}
	}
	if got := service.calls.Load(); got != 1 {
		t.Errorf("%d requests reached the handler, want the good one", got)
	}
}

func TestDrainLetsCallsFinishAndTakesNoMore(t *testing.T) {
	t.Parallel()
	service := &who{enter: make(chan struct{}, 1), finish: make(chan struct{})}
	conn, r := plainly(t, serve.Config{}, service)
	watch := watchHealth(t, conn, "")
	awaitHealth(t, watch, healthpb.HealthCheckResponse_SERVING)
	answered := make(chan error, 1)
	go func() {
		_, err := verify(keyed(t), conn)
		answered <- err
	}()
	<-service.enter
	r.stop()
	awaitHealth(t, watch, healthpb.HealthCheckResponse_NOT_SERVING)
	select {
	case err := <-r.done:
		t.Fatalf("the server ended (%v) with a call under way", err)
	case err := <-answered:
		t.Fatalf("the call ended early: %v", err)
	default:
	}
	close(service.finish)
	if err := <-answered; err != nil {
		t.Errorf("the call under way: %v", err)
	}
	if err := <-r.done; err != nil {
		t.Errorf("an orderly end: %v", err)
	}
	if !service.ended.Load() {
		t.Error("background work still runs")
	}
}

func TestDrainIsBounded(t *testing.T) {
	t.Parallel()
	service := &who{enter: make(chan struct{}, 1), finish: make(chan struct{})}
	conn, r := plainly(t, serve.Config{DrainTimeout: 50 * time.Millisecond}, service)
	answered := make(chan error, 1)
	go func() {
		_, err := verify(keyed(t), conn)
		answered <- err
	}()
	<-service.enter
	r.stop()
	if err := <-r.done; err != nil {
		t.Errorf("%v", err)
	}
	if err := <-answered; err == nil {
		t.Error("the call that never ends was answered")
	}
}

// A watch of health lasts as long as the connection; it must not hold up the end.
func TestHealthWatchDoesNotHoldUpTheEnd(t *testing.T) {
	t.Parallel()
	service := &who{}
	conn, r := plainly(t, serve.Config{DrainTimeout: time.Hour}, service)
	watch := watchHealth(t, conn, "")
	awaitHealth(t, watch, healthpb.HealthCheckResponse_SERVING)
	r.stop()
	select {
	case err := <-r.done:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(10 * time.Second):
		t.Error("the server waits for a watch of its health")
	}
}

func TestBackgroundFailureEndsTheServer(t *testing.T) {
	t.Parallel()
	service := &who{fail: make(chan error, 1)}
	r := start(t, serve.Config{}, service)
	broken := errors.New("the feed broke")
	service.fail <- broken
	if err := <-r.done; !errors.Is(err, broken) {
		t.Errorf("%v, want %v", err, broken)
	}
}

func TestForwardPassesTheCallersKeyOn(t *testing.T) {
	t.Parallel()
	r := start(t, serve.Config{}, &who{})
	served := metadata.NewIncomingContext(t.Context(), metadata.Pairs(auth.Header, "Bearer "+key, "x-other", "1"))
	if answer, err := verify(served, r.conn); err != nil || answer.GetTenant() != "shop-a" {
		t.Errorf("on behalf of a caller: %v, %v", answer, err)
	}
	if _, err := verify(auth.WithKey(served, "another"), r.conn); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a call with a key of its own: %v", err)
	}
	if _, err := verify(t.Context(), r.conn); status.Code(err) != codes.Unauthenticated {
		t.Errorf("on nobody's behalf: %v", err)
	}
}

func TestReadsAreTriedAgainWhereUnavailable(t *testing.T) {
	t.Parallel()
	for failures, want := range map[int64]codes.Code{2: codes.OK, 3: codes.Unavailable} {
		service := &who{}
		r := start(t, serve.Config{}, service)
		service.flaky.Store(failures)
		if _, err := verify(keyed(t), r.conn); status.Code(err) != want || service.calls.Load() != 3 {
			t.Errorf("%d failures: %v after %d calls", failures, err, service.calls.Load())
		}
	}
}

func TestOnlyLoopback(t *testing.T) {
	t.Parallel()
	for address, good := range map[string]bool{
		"127.0.0.1:0": true, "localhost:0": true, "127.9.9.9:0": true,
		"0.0.0.0:0": false, ":0": false, "[::]:0": false, "192.0.2.1:0": false, "example.org:0": false, "127.0.0.1": false, "": false,
	} {
		listener, err := serve.Listen(t.Context(), address)
		if (err == nil) != good {
			t.Errorf("listen on %q: %v", address, err)
		}
		if err == nil {
			if err := listener.Close(); err != nil {
				t.Error(err)
			}
		}
		conn, err := serve.Dial(address)
		if (err == nil) != good {
			t.Errorf("dial %q: %v", address, err)
		}
		if err == nil {
			if err := conn.Close(); err != nil {
				t.Error(err)
			}
		}
	}
	server, err := serve.New(serve.Config{}, verifier{}, slog.New(slog.DiscardHandler), &who{})
	if err != nil {
		t.Fatal(err)
	}
	open, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "0.0.0.0:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(t.Context(), serve.Join(serve.NewMemory(), open)); err == nil {
		t.Error("served on every interface")
	}
}

func TestNewRefusesWhatCannotWork(t *testing.T) {
	t.Parallel()
	log := slog.New(slog.DiscardHandler)
	for name, build := range map[string]func() (*serve.Server, error){
		"no service":   func() (*serve.Server, error) { return serve.New(serve.Config{}, verifier{}, log) },
		"no verifier":  func() (*serve.Server, error) { return serve.New(serve.Config{}, nil, log, &who{}) },
		"twice":        func() (*serve.Server, error) { return serve.New(serve.Config{}, verifier{}, log, &who{}, &who{}) },
		"out of range": func() (*serve.Server, error) { return serve.New(serve.Config{MaxStreams: -1}, verifier{}, log, &who{}) },
		"too long": func() (*serve.Server, error) {
			return serve.New(serve.Config{DrainTimeout: 24 * time.Hour}, verifier{}, log, &who{})
		},
	} {
		if _, err := build(); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestMessagesOfAStreamAreJudgedOneByOne(t *testing.T) {
	t.Parallel()
	conn, _ := plainly(t, serve.Config{}, &reflecting{})
	for name, c := range map[string]struct {
		second []byte
		reason apierr.Reason
	}{
		"no protobuf":   {[]byte{0xff}, fitmentv1.ErrorInfo_MALFORMED_REQUEST},
		"unknown field": {[]byte{0x98, 0x06, 1}, fitmentv1.ErrorInfo_FIELD_UNKNOWN},
	} {
		stream, err := conn.NewStream(keyed(t), &grpc.StreamDesc{ClientStreams: true, ServerStreams: true},
			reflectionpb.ServerReflection_ServerReflectionInfo_FullMethodName, grpc.ForceCodec(raw{}))
		if err != nil {
			t.Fatal(err)
		}
		list := []byte{0x3a, 0} // list_services
		var answer []byte
		for _, message := range [][]byte{list, c.second} {
			if err := stream.SendMsg(&message); err != nil {
				t.Fatal(err)
			}
		}
		if err := stream.RecvMsg(&answer); err != nil {
			t.Errorf("%s: the good message before it: %v", name, err)
		}
		if err := stream.RecvMsg(&answer); status.Code(err) != codes.InvalidArgument || apierr.ReasonOf(err) != c.reason {
			t.Errorf("%s: %v, want INVALID_ARGUMENT %v", name, err, c.reason)
		}
	}
}
