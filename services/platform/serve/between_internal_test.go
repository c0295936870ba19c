package serve

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hedge"
	"beltwright.example/services/platform/hop"
)

// TestEveryServiceHasABreaker, by the descriptors, and nothing else has.
func TestEveryServiceHasABreaker(t *testing.T) {
	t.Parallel()
	set, err := NewBreakers(hop.Fitment, hop.Quote)
	if err != nil {
		t.Fatal(err)
	}
	has := map[string]bool{}
	for _, status := range set.States() {
		has[status.Breaker] = true
	}
	apart := "fitment.IdentityService.VerifyCredential"
	if !has[apart] {
		t.Errorf("asking whose a credential is has no breaker of its own")
	}
	delete(has, apart)
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		if file.Package() != "beltwright.fitment.v1" && file.Package() != "beltwright.quote.v1" {
			return true
		}
		for i := range file.Services().Len() {
			full := string(file.Services().Get(i).FullName())
			name := hop.Side(full) + "." + string(file.Services().Get(i).Name())
			if !has[name] {
				t.Errorf("%s has no breaker", full)
			}
			delete(has, name)
		}
		return true
	})
	for name := range has {
		t.Errorf("%s has a breaker but does not exist", name)
	}
	if _, err := NewBreakers("elsewhere"); err == nil {
		t.Error("breakers of an unknown side were made")
	}
}

// TestNoWriteIsEverAskedTwice: what is hedged is a unary read, by the descriptors
// (every write takes a request_id) and by the list of reads; no hold, no sale and no
// sign-in is among it. The control adds a hold and must be found.
func TestNoWriteIsEverAskedTwice(t *testing.T) {
	t.Parallel()
	for service, methods := range hedged {
		for _, method := range methods {
			if problem := unsafeToHedge(service, method); problem != "" {
				t.Errorf("%s/%s is hedged, but %s", service, method, problem)
			}
		}
	}
	for _, write := range []string{"HoldListing", "SellListing", "ReleaseListing"} {
		if unsafeToHedge("beltwright.fitment.v1.ListingService", write) == "" {
			t.Errorf("the control: hedging %s would not be noticed, so this test shows nothing", write)
		}
	}
	if unsafeToHedge("beltwright.fitment.v1.IdentityService", "SignIn") == "" {
		t.Error("the control: hedging a sign-in would not be noticed, so this test shows nothing")
	}
}

// unsafeToHedge says why a method must not be asked twice; "" where it may.
func unsafeToHedge(service, method string) string {
	found, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service + "." + method))
	if err != nil {
		return "it does not exist"
	}
	m, ok := found.(protoreflect.MethodDescriptor)
	switch {
	case !ok || m.IsStreamingClient() || m.IsStreamingServer():
		return "it is no unary method"
	case m.Input().Fields().ByName("request_id") != nil:
		return "it takes a request_id, so it writes"
	}
	if !slices.Contains(reads[service], method) {
		return "it is not on the list of reads"
	}
	return ""
}

// failing is a server all of whose methods fail, and which counts how often it is
// asked; onward, where set, is who it asks first.
type failing struct {
	address string
	asked   atomic.Int64
	slow    atomic.Bool
	onward  func(stream grpc.ServerStream) error
}

func serveFailing(t *testing.T, onward func(stream grpc.ServerStream) error) *failing {
	t.Helper()
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	f := &failing{address: listener.Addr().String(), onward: onward}
	server := grpc.NewServer(grpc.WaitForHandlers(true), grpc.UnknownServiceHandler(func(_ any, stream grpc.ServerStream) error {
		f.asked.Add(1)
		switch {
		case f.slow.Load():
			<-stream.Context().Done()
			return stream.Context().Err()
		case f.onward != nil:
			return f.onward(stream)
		}
		return status.Error(codes.Unavailable, "as it was told")
	}))
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); <-done })
	return f
}

// dialed is a connection to addresses by the project's own rules, or, for controls,
// without the budget of retries.
func dialed(t *testing.T, addresses string, budget bool, more ...grpc.DialOption) fitmentv1.ListingServiceClient {
	t.Helper()
	more = append(more, grpc.WithDisableHealthCheck())
	if !budget {
		more = append(more, grpc.WithDefaultServiceConfig(withoutBudget(t)))
	}
	conn, err := Dial(addresses, more...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return fitmentv1.NewListingServiceClient(conn)
}

// withoutBudget is our service config with nothing that bounds retries.
func withoutBudget(t *testing.T) string {
	t.Helper()
	text, err := serviceConfig()
	if err != nil {
		t.Fatal(err)
	}
	var config map[string]any
	if err := json.Unmarshal([]byte(text), &config); err != nil {
		t.Fatal(err)
	}
	if config["retryThrottling"] == nil {
		t.Fatal("there is no budget to be taken away")
	}
	delete(config, "retryThrottling")
	raw, err := json.Marshal(config)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// storm is how many reads are made of a failing service: a minute of 1,000 a second
// with BELTWRIGHT_LONG.
func storm() int {
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		return 60_000
	}
	return 2_000
}

// The rates of a storm and of its control, in reads a hundredth of a second. How
// often each is made does not depend on it, and without the budget a rate as high is
// more than a busy machine has room for.
const (
	stormRate   = 10
	controlRate = 1
)

// amplified makes reads at a rate, for as long as the storm takes, and returns how
// often the server was asked for each.
func amplified(t *testing.T, client fitmentv1.ListingServiceClient, rate int, asked *atomic.Int64) float64 {
	t.Helper()
	asked.Store(0)
	var group sync.WaitGroup
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	rounds := storm() / stormRate
	if rate == controlRate {
		rounds = min(rounds, 500)
	}
	for range rounds {
		for range rate {
			group.Go(func() {
				_, err := client.GetListing(t.Context(), &fitmentv1.GetListingRequest{Name: "listings/kettlewick.1"})
				if status.Code(err) != codes.Unavailable {
					t.Errorf("%v, want UNAVAILABLE", err)
				}
			})
		}
		<-tick.C
	}
	group.Wait()
	return float64(asked.Load()) / float64(rounds*rate)
}

// TestRetriesStayWithinTheirBudget: against a service of which every call fails, at
// 1,000 reads a second, retries add at most 10 %, over one hop and over two. With
// breakers hardly any call reaches it. The controls are the same without the budget.
func TestRetriesStayWithinTheirBudget(t *testing.T) {
	t.Parallel()
	t.Run("one hop", func(t *testing.T) {
		t.Parallel()
		backend := serveFailing(t, nil)
		with := amplified(t, dialed(t, backend.address, true), stormRate, &backend.asked)
		without := amplified(t, dialed(t, backend.address, false), controlRate, &backend.asked)
		set, err := NewBreakers(hop.Fitment)
		if err != nil {
			t.Fatal(err)
		}
		guarded := amplified(t, dialed(t, backend.address, true, Between(set)...), stormRate, &backend.asked)
		t.Logf("%d reads of a failing service: asked %.4f times each with the budget, %.4f with breakers too, %.4f without either", storm(), with, guarded, without)
		if with > 1.1 || guarded > 0.1 {
			t.Errorf("asked %.4f times each, want at most 1.1; with breakers %.4f, want at most 0.1", with, guarded)
		}
		if without < 2.9 {
			t.Errorf("the control: asked %.4f times each without the budget, so this test shows nothing", without)
		}
	})
	t.Run("two hops", func(t *testing.T) {
		t.Parallel()
		backend := serveFailing(t, nil)
		for rate, budget := range map[int]bool{stormRate: true, controlRate: false} {
			behind := dialed(t, backend.address, budget)
			middle := serveFailing(t, func(stream grpc.ServerStream) error {
				_, err := behind.GetListing(stream.Context(), &fitmentv1.GetListingRequest{})
				return err
			})
			times := amplified(t, dialed(t, middle.address, budget), rate, &backend.asked)
			t.Logf("over two hops, with the budget %v: asked %.4f times each", budget, times)
			if budget && times > 1.1 {
				t.Errorf("asked %.4f times each, want at most 1.1", times)
			}
			if !budget && times < 8.5 {
				t.Errorf("the control: asked %.4f times each without the budget, so this test shows nothing", times)
			}
		}
	})
}

// TestRetriesDoHappen: the budget is not met by never trying again.
func TestRetriesDoHappen(t *testing.T) {
	t.Parallel()
	var first atomic.Bool
	backend := serveFailing(t, func(stream grpc.ServerStream) error {
		if first.CompareAndSwap(false, true) {
			return status.Error(codes.Unavailable, "once")
		}
		if err := stream.RecvMsg(&fitmentv1.GetListingRequest{}); err != nil {
			return err
		}
		return stream.SendMsg(&fitmentv1.GetListingResponse{})
	})
	client := dialed(t, backend.address, true)
	if _, err := client.GetListing(t.Context(), &fitmentv1.GetListingRequest{}); err != nil {
		t.Errorf("a read that failed once: %v", err)
	}
	first.Store(false)
	if _, err := client.HoldListing(t.Context(), &fitmentv1.HoldListingRequest{}); status.Code(err) != codes.Unavailable {
		t.Errorf("a hold that failed once: %v, want the failure", err)
	}
	if n := backend.asked.Load(); n != 3 {
		t.Errorf("asked %d times, want 3", n)
	}
}

// TestACallRefusedEarlyKeepsAStatus: what grpc returns of one that it tried again is
// the end of a stream, in one form or another.
func TestACallRefusedEarlyKeepsAStatus(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]struct {
		err  error
		code codes.Code
	}{
		"good": {nil, codes.OK}, "bare": {io.EOF, codes.Unavailable}, "exhausted": {fmt.Errorf("max retries exhausted: %w", io.EOF), codes.Unavailable},
		"a status": {status.Error(codes.NotFound, "x"), codes.NotFound}, "a status, exhausted": {fmt.Errorf("max retries exhausted: %w", status.Error(codes.Unavailable, "x")), codes.Unavailable},
		"a status beside it": {errors.Join(status.Error(codes.NotFound, "x"), io.EOF), codes.NotFound}, "another error": {errors.New("x"), codes.Unknown},
	} {
		err := answered(t.Context(), "", nil, nil, nil, func(context.Context, string, any, any, *grpc.ClientConn, ...grpc.CallOption) error { return c.err })
		if status.Code(err) != c.code {
			t.Errorf("%s: %v, want %v", what, err, c.code)
		}
	}
}

// TestACallCountsOnceForTheBreaker, however often it was tried: twenty reads open it,
// not seven that were tried three times each.
func TestACallCountsOnceForTheBreaker(t *testing.T) {
	t.Parallel()
	backend := serveFailing(t, nil)
	set, err := NewBreakers(hop.Fitment)
	if err != nil {
		t.Fatal(err)
	}
	client := dialed(t, backend.address, false, Between(set)...)
	opened := func() bool {
		for _, status := range set.States() {
			if status.Breaker == "fitment.ListingService" {
				return status.State == breaker.Open
			}
		}
		return false
	}
	for i := range 20 {
		if opened() {
			t.Fatalf("it opened by %d calls", i)
		}
		_, err := client.GetListing(t.Context(), &fitmentv1.GetListingRequest{})
		if status.Code(err) != codes.Unavailable {
			t.Fatal(err)
		}
	}
	if n := backend.asked.Load(); !opened() || n != 60 {
		t.Errorf("open %v after 20 calls that were made %d times, want open and 60", opened(), n)
	}
	if _, err := client.GetListing(t.Context(), &fitmentv1.GetListingRequest{}); apierr.ServiceDown(err) != hop.Fitment || backend.asked.Load() != 60 {
		t.Errorf("through an open breaker: %v, asked %d times", err, backend.asked.Load())
	}
}

// TestSeveralServersTakeTurns, and where one of them stalls, reads are answered by
// the other while a write waits for its own.
func TestSeveralServersTakeTurns(t *testing.T) {
	t.Parallel()
	answer := func(stream grpc.ServerStream) error {
		if err := stream.RecvMsg(&fitmentv1.GetListingRequest{}); err != nil {
			return err
		}
		return stream.SendMsg(&fitmentv1.GetListingResponse{})
	}
	a, b := serveFailing(t, answer), serveFailing(t, answer)
	var told [4]atomic.Int64
	client := dialed(t, a.address+", "+b.address, true, TellHedges(func(event hedge.Event) { told[event].Add(1) }))
	read := func(wait time.Duration) error {
		ctx, cancel := context.WithTimeout(t.Context(), wait)
		defer cancel()
		_, err := client.GetListing(ctx, &fitmentv1.GetListingRequest{}, grpc.WaitForReady(true))
		return err
	}
	many := func() {
		for range 400 {
			if err := read(time.Minute); err != nil {
				t.Fatal(err)
			}
		}
	}
	many()
	if least := min(a.asked.Load(), b.asked.Load()); least < 100 {
		t.Errorf("of 400 reads the servers got %d and %d", a.asked.Load(), b.asked.Load())
	}
	// A busy machine may have used the budget up, which is then earned again.
	saved := false
	for range 10 {
		a.slow.Store(true)
		before := a.asked.Load()
		err := errors.Join(read(2*time.Second), read(2*time.Second)) // one of them is a's
		saved = err == nil && a.asked.Load() > before
		a.slow.Store(false)
		if saved {
			break
		}
		many()
	}
	if !saved {
		t.Error("no read that came to a server that stalls was answered by the other one")
	}
	if made, repeated, won := told[hedge.Made].Load(), told[hedge.Repeated].Load(), told[hedge.Won].Load(); made < 402 || repeated == 0 || won == 0 || repeated*20 > made {
		t.Errorf("told of %d reads, %d repeated, of which %d won; want all, some, at most one in twenty", made, repeated, won)
	}
	a.slow.Store(true)
	before := a.asked.Load() + b.asked.Load()
	failed := 0
	for range 4 {
		ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
		if _, err := client.HoldListing(ctx, &fitmentv1.HoldListingRequest{}); err != nil {
			failed++
		}
		cancel()
	}
	if asked := a.asked.Load() + b.asked.Load() - before; failed == 0 || asked > 4 {
		t.Errorf("of 4 holds %d waited in vain, and the servers were asked %d times; want some, and each asked once", failed, asked)
	}
}

// TestNoMoreThanTheProbesReachAService: each attempt of a hedged read asks the breaker
// for itself, so that four reads which would all be made twice are three attempts of
// a half-open breaker. The control is a closed one.
func TestNoMoreThanTheProbesReachAService(t *testing.T) {
	t.Parallel()
	answer := func(stream grpc.ServerStream) error {
		if err := stream.RecvMsg(&fitmentv1.GetListingRequest{}); err != nil {
			return err
		}
		return stream.SendMsg(&fitmentv1.GetListingResponse{})
	}
	for _, half := range []bool{true, false} {
		a, b := serveFailing(t, answer), serveFailing(t, answer)
		set, err := breaker.New(breaker.Config{Services: []string{"beltwright.fitment.v1.ListingService"}, Open: 50 * time.Millisecond, Patience: time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		client := dialed(t, a.address+","+b.address, true, Between(set)...)
		read := func(wait time.Duration) error {
			ctx, cancel := context.WithTimeout(t.Context(), wait)
			defer cancel()
			_, err := client.GetListing(ctx, &fitmentv1.GetListingRequest{}, grpc.WaitForReady(true))
			return err
		}
		for range 500 {
			if err := read(time.Minute); err != nil {
				t.Fatal(err)
			}
		}
		a.slow.Store(true)
		b.slow.Store(true)
		if half {
			open := func() bool { return set.States()[0].State == breaker.Open }
			for range 2000 { // the good ones are in the window, too
				if open() {
					break
				}
				_ = read(5 * time.Millisecond)
			}
			for began := time.Now(); open() && time.Since(began) < 10*time.Second; {
				ctx, cancel := context.WithCancel(t.Context())
				cancel()
				_, _ = client.GetListing(ctx, &fitmentv1.GetListingRequest{}) // says nothing, but may turn it half-open
			}
		}
		before := a.asked.Load() + b.asked.Load()
		asked := func() int64 { return a.asked.Load() + b.asked.Load() - before }
		wait := 300 * time.Millisecond
		if !half {
			wait = time.Minute // however long it takes until all have arrived
		}
		ctx, cancel := context.WithTimeout(t.Context(), wait)
		var reading sync.WaitGroup
		for range 4 {
			reading.Go(func() { _, _ = client.GetListing(ctx, &fitmentv1.GetListingRequest{}, grpc.WaitForReady(true)) })
		}
		for tick := time.Tick(time.Millisecond); ctx.Err() == nil && (half || asked() < 4); {
			<-tick
		}
		cancel()
		reading.Wait()
		if half && asked() > 3 || !half && asked() < 4 {
			t.Errorf("half-open %v: four reads reached the servers %d times, want at most 3 of a half-open breaker and at least 4 of a closed one", half, asked())
		}
	}
}

// TestNobodyIsLetInBehindAnOpenBreaker: where the fitment service fails, a credential
// is not accepted, and once the breaker is open nobody is even asked.
func TestNobodyIsLetInBehindAnOpenBreaker(t *testing.T) {
	t.Parallel()
	backend := serveFailing(t, nil)
	set, err := NewBreakers(hop.Fitment)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := Dial(backend.address, append(Between(set), grpc.WithDisableHealthCheck())...)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	verifier := auth.Remote(fitmentv1.NewIdentityServiceClient(conn), auth.MaxTTL)
	for i := range 100 {
		p, err := verifier.Verify(t.Context(), fmt.Sprintf("bw_shop_%d_x", i))
		if err == nil || p.Tenant != "" || status.Code(err) != codes.Unavailable || apierr.ServiceDown(err) != hop.Fitment {
			t.Fatalf("a credential that nobody could verify: %v, %v; want UNAVAILABLE that names the fitment service", p, err)
		}
	}
	for _, s := range set.States() {
		if want := s.Breaker == "fitment.IdentityService.VerifyCredential"; (s.State == breaker.Open) != want {
			t.Errorf("%s is %s", s.Breaker, s.State)
		}
	}
	asked := backend.asked.Load()
	if _, err := verifier.Verify(t.Context(), "bw_shop_other_x"); err == nil || backend.asked.Load() != asked {
		t.Errorf("through an open breaker: %v, asked %d times more", err, backend.asked.Load()-asked)
	}
}

// TestWrongListsAreRefused by the address that is wrong.
func TestWrongListsAreRefused(t *testing.T) {
	t.Parallel()
	for _, c := range [][2]string{
		{"127.0.0.1:1,", `""`}, {"127.0.0.1:1,192.0.2.1:2", "192.0.2.1:2"}, {"127.0.0.1:1,,127.0.0.1:2", `""`}, {"", `""`},
	} {
		conn, err := Dial(c[0])
		if err == nil {
			t.Errorf("%q was accepted", c[0])
			_ = conn.Close()
			continue
		}
		if !strings.Contains(err.Error(), c[1]) {
			t.Errorf("%q: %v; want it to name %s", c[0], err, c[1])
		}
	}
	if target, options, err := target(" 127.0.0.1:1 ", checkLoopback); target != "127.0.0.1:1" || options != nil || err != nil {
		t.Errorf("one address: %s, %d options, %v", target, len(options), err)
	}
}
