package breaker_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/sony/gobreaker/v2"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hop"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const (
	listings = "beltwright.fitment.v1.ListingService"
	get      = fitmentv1.ListingService_GetListing_FullMethodName
	verify   = fitmentv1.IdentityService_VerifyCredential_FullMethodName
	name     = "fitment.ListingService"
)

func config() breaker.Config {
	return breaker.Config{Services: []string{listings, "beltwright.fitment.v1.IdentityService"}, Apart: []string{verify}}
}

// line is a guarded connection to a service that answers as it is told.
type line struct {
	*breaker.Set

	chain  grpc.UnaryClientInterceptor
	stream grpc.StreamClientInterceptor
}

func open(t *testing.T, config breaker.Config) line {
	t.Helper()
	set, err := breaker.New(config)
	if err != nil {
		t.Fatal(err)
	}
	unary, stream := breaker.Interceptors(set)
	return line{Set: set, chain: unary, stream: stream}
}

// call makes one call that is answered by the function.
func (l line) call(ctx context.Context, method string, answer func(ctx context.Context) error) error {
	return l.chain(ctx, method, nil, nil, nil, func(ctx context.Context, _ string, _, _ any, _ *grpc.ClientConn, _ ...grpc.CallOption) error {
		return answer(ctx)
	})
}

// answers returns an answer that is always the same.
func answers(code codes.Code) func(context.Context) error {
	return func(context.Context) error { return status.Error(code, "as it was told") }
}

// pass lets time pass, that of a bubble where one is around.
func pass(wait time.Duration) { <-time.After(wait) }

// hangs answers when the caller's time is over.
func hangs(ctx context.Context) error {
	<-ctx.Done()
	return status.FromContextError(ctx.Err()).Err()
}

// state returns a breaker's state.
func (l line) state(t *testing.T, name string) breaker.State {
	t.Helper()
	for _, status := range l.States() {
		if status.Breaker == name {
			return status.State
		}
	}
	t.Fatalf("there is no breaker %s in %v", name, l.States())
	return breaker.Closed
}

func (l line) must(t *testing.T, name string, want breaker.State) {
	t.Helper()
	if got := l.state(t, name); got != want {
		t.Fatalf("%s is %s, want %s", name, got, want)
	}
}

// fail lets so many calls fail.
func (l line) fail(t *testing.T, n int) {
	t.Helper()
	for range n {
		if err := l.call(t.Context(), get, answers(codes.Unavailable)); err == nil {
			t.Fatal("a failure was hidden")
		}
	}
}

// refused tells whether a call was not made because the breaker is open.
func refused(err error) bool {
	return status.Code(err) == codes.Unavailable && apierr.ServiceDown(err) == hop.Fitment
}

func TestOpensByShareOnceThereAreEnoughCalls(t *testing.T) {
	t.Parallel()
	l := open(t, config())
	l.fail(t, 19)
	l.must(t, name, breaker.Closed) // all failed, but they are too few to speak of a share
	l.fail(t, 1)
	l.must(t, name, breaker.Open)
	reached := false
	err := l.call(t.Context(), get, func(context.Context) error { reached = true; return nil })
	if !refused(err) || reached {
		t.Errorf("an open breaker: %v, reached %v; want UNAVAILABLE DEPENDENCY_DOWN at once", err, reached)
	}
	if wait := retryDelay(err); wait <= 4*time.Second || wait > 5*time.Second {
		t.Errorf("trying again after %v, want what is left of 5 s", wait)
	}
	// The others are not shut off with it, nor are those that have no breaker.
	for _, method := range []string{verify, fitmentv1.IdentityService_SignIn_FullMethodName, "/grpc.health.v1.Health/Check"} {
		if err := l.call(t.Context(), method, answers(codes.OK)); err != nil {
			t.Errorf("%s: %v", method, err)
		}
	}
}

func retryDelay(err error) time.Duration {
	for _, detail := range status.Convert(err).Details() {
		if retry, ok := detail.(*errdetails.RetryInfo); ok {
			return retry.GetRetryDelay().AsDuration()
		}
	}
	return 0
}

// TestHalfOfTheCallsFailing: whatever the order of successes and failures, half and
// half opens within 20 calls after the least count; a little less never does.
// gobreaker's own rule (six failures on end) never sees a failure in every second
// call: that is the control.
func TestHalfOfTheCallsFailing(t *testing.T) {
	t.Parallel()
	const least = 20
	rapid.Check(t, func(rt *rapid.T) {
		block := rapid.IntRange(1, 10).Draw(rt, "so many successes, then so many failures")
		goodFirst := rapid.Bool().Draw(rt, "successes first")
		l := open(t, config())
		calls := 0
		for ; l.state(t, name) == breaker.Closed && calls < 1000; calls++ {
			code := codes.Unavailable
			if (calls/block%2 == 0) == goodFirst {
				code = codes.OK
			}
			_ = l.call(t.Context(), get, answers(code))
		}
		if calls > least+20 {
			rt.Errorf("blocks of %d: %d calls until it opened, want at most %d", block, calls, least+20)
		}
	})
	l := open(t, config())
	for i := range 10_000 { // 49 failures in each hundred, evenly
		code := codes.OK
		if i*49/100 != (i+1)*49/100 && i > 100 {
			code = codes.Unavailable
		}
		_ = l.call(t.Context(), get, answers(code))
	}
	l.must(t, name, breaker.Closed)
	plain := gobreaker.NewCircuitBreaker[struct{}](gobreaker.Settings{})
	for i := range 10_000 {
		_, _ = plain.Execute(func() (struct{}, error) {
			if i%2 == 0 {
				return struct{}{}, errors.New("failed")
			}
			return struct{}{}, nil
		})
	}
	if plain.State() != gobreaker.StateClosed {
		t.Error("the control: gobreaker's own rule opened at a failure in every second call, so this test shows nothing")
	}
}

func long() bool { return os.Getenv("BELTWRIGHT_LONG") != "" }

// cancels is how many calls are given up by their callers: acceptance size with
// BELTWRIGHT_LONG.
func cancels() int {
	if long() {
		return 1_000_000
	}
	return 100_000
}

// TestGivingUpNeverOpens, however many do it, nor while the service is dead, and
// what the service says in those moments does not count either. The control is
// gobreaker with its own settings: six cancelled calls open it.
func TestGivingUpNeverOpens(t *testing.T) {
	t.Parallel()
	l := open(t, config())
	var group sync.WaitGroup
	const workers = 8
	for w := range workers {
		group.Go(func() {
			for i := range cancels() / workers {
				ctx, cancel := context.WithCancel(t.Context())
				_ = l.call(ctx, get, func(ctx context.Context) error {
					cancel()
					if (i+w)%2 == 0 {
						return status.Error(codes.Unavailable, "gone meanwhile")
					}
					return hangs(ctx)
				})
			}
		})
	}
	group.Wait()
	l.must(t, name, breaker.Closed)
	l.fail(t, 20) // it still opens by what counts
	l.must(t, name, breaker.Open)

	plain := gobreaker.NewCircuitBreaker[struct{}](gobreaker.Settings{})
	for range 6 {
		_, _ = plain.Execute(func() (struct{}, error) { return struct{}{}, context.Canceled })
	}
	if plain.State() != gobreaker.StateOpen {
		t.Error("the control: gobreaker's own settings did not open by cancelled calls, so this test shows nothing")
	}
}

// TestAHungProbeFreesItsPlace within its deadline and 100 ms, though its caller set
// none. The control is gobreaker, which waits for the probe for as long as it hangs.
func TestAHungProbeFreesItsPlace(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := open(t, config())
		l.fail(t, 20)
		pass(5*time.Second + time.Millisecond)
		var probes sync.WaitGroup
		began := time.Now()
		for range 3 {
			probes.Go(func() {
				err := l.call(context.Background(), get, hangs)
				if status.Code(err) != codes.DeadlineExceeded {
					t.Errorf("a hung probe ended with %v", err)
				}
			})
		}
		synctest.Wait()
		l.must(t, name, breaker.HalfOpen)
		if err := l.call(t.Context(), get, answers(codes.OK)); !refused(err) {
			t.Errorf("a fourth call beside three probes: %v", err)
		}
		probes.Wait()
		if took := time.Since(began); took > 5*time.Second+100*time.Millisecond {
			t.Errorf("the probes kept their places for %v", took)
		}
		l.must(t, name, breaker.Open) // they failed
		pass(5*time.Second + time.Millisecond)
		for range 3 {
			if err := l.call(t.Context(), get, answers(codes.OK)); err != nil {
				t.Errorf("a probe of a service that is back: %v", err)
			}
		}
		l.must(t, name, breaker.Closed)
	})
	synctest.Test(t, func(t *testing.T) {
		plain := gobreaker.NewTwoStepCircuitBreaker[struct{}](gobreaker.Settings{Timeout: 5 * time.Second})
		for range 6 {
			done, err := plain.Allow()
			if err != nil {
				t.Fatal(err)
			}
			done(errors.New("failed"))
		}
		pass(5*time.Second + time.Millisecond)
		if _, err := plain.Allow(); err != nil { // the probe, which hangs
			t.Fatal(err)
		}
		pass(time.Hour)
		if _, err := plain.Allow(); err == nil {
			t.Error("the control: gobreaker let a second call pass beside a hung probe, so this test shows nothing")
		}
	})
}

// TestACancelledProbeClosesNothing: its place is free at once, and it speaks neither
// for nor against a service that is still dead. The control counts it as a success,
// as a breaker does that is told to spare cancelled calls by IsSuccessful.
func TestACancelledProbeClosesNothing(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := open(t, config())
		l.fail(t, 20)
		pass(5*time.Second + time.Millisecond)
		for range 1000 {
			ctx, cancel := context.WithCancel(t.Context())
			_ = l.call(ctx, get, func(ctx context.Context) error { cancel(); return hangs(ctx) })
		}
		l.must(t, name, breaker.HalfOpen)
		l.fail(t, 1)
		l.must(t, name, breaker.Open)
	})
	synctest.Test(t, func(t *testing.T) {
		plain := gobreaker.NewCircuitBreaker[struct{}](gobreaker.Settings{
			Timeout: 5 * time.Second, IsSuccessful: func(err error) bool { return err == nil || errors.Is(err, context.Canceled) },
		})
		fail := func(err error) { _, _ = plain.Execute(func() (struct{}, error) { return struct{}{}, err }) }
		for range 6 {
			fail(errors.New("failed"))
		}
		pass(5*time.Second + time.Millisecond)
		fail(context.Canceled)
		if plain.State() != gobreaker.StateClosed {
			t.Error("the control: a cancelled probe that counts as a success did not close, so this test shows nothing")
		}
	})
}

// TestOnlyFailuresOfTheServiceCount.
func TestOnlyFailuresOfTheServiceCount(t *testing.T) {
	t.Parallel()
	down := func(service string, code codes.Code) func(context.Context) error {
		return func(context.Context) error { return apierr.Down(code, service, time.Second, "%s is down", service) }
	}
	late := func(wait time.Duration) func(ctx context.Context) error {
		return func(context.Context) error {
			pass(wait)
			return status.Error(codes.DeadlineExceeded, "late")
		}
	}
	for what, c := range map[string]struct {
		answer func(context.Context) error
		opens  bool
	}{
		"unavailable":                     {answers(codes.Unavailable), true},
		"late after a fair time":          {late(time.Second), true},
		"late for an impatient caller":    {late(999 * time.Millisecond), false},
		"a context's own error, late":     {func(context.Context) error { pass(2 * time.Second); return context.DeadlineExceeded }, true},
		"itself down":                     {down(hop.Fitment, codes.Unavailable), true},
		"another service is down":         {down(hop.Quote, codes.Unavailable), false},
		"another service is late":         {down(hop.Quote, codes.DeadlineExceeded), false},
		"good":                            {answers(codes.OK), false},
		"not found":                       {answers(codes.NotFound), false},
		"wrong argument":                  {answers(codes.InvalidArgument), false},
		"precondition":                    {answers(codes.FailedPrecondition), false},
		"aborted":                         {answers(codes.Aborted), false},
		"overloaded":                      {answers(codes.ResourceExhausted), false},
		"broken inside":                   {answers(codes.Internal), false},
		"a credential that is refused":    {answers(codes.Unauthenticated), false},
		"cancelled by nobody that we are": {answers(codes.Canceled), false},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				l := open(t, breaker.Config{Services: []string{listings}, Window: time.Minute})
				for range 20 {
					_ = l.call(t.Context(), get, c.answer)
				}
				if opened := l.state(t, name) == breaker.Open; opened != c.opens {
					t.Errorf("it opened: %v, want %v", opened, c.opens)
				}
			})
		})
	}
}

// TestFailuresAgeOut of the window.
func TestFailuresAgeOut(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := open(t, config())
		for range 100 {
			l.fail(t, 19)
			pass(11 * time.Second)
		}
		l.must(t, name, breaker.Closed)
	})
}

// TestAPanicInACallCounts, and is passed on.
func TestAPanicInACallCounts(t *testing.T) {
	t.Parallel()
	l := open(t, config())
	for range 20 {
		func() {
			defer func() {
				if recover() == nil {
					t.Error("the panic was swallowed")
				}
			}()
			_ = l.call(t.Context(), get, func(context.Context) error { panic("on purpose") }) //nolint:forbidigo // what is tested
		}()
	}
	l.must(t, name, breaker.Open)
}

// told is a stream whose answers are told one after the other.
type told struct {
	grpc.ClientStream

	answers chan error
}

func (s told) RecvMsg(any) error { return <-s.answers }

func (l line) opened(ctx context.Context, stream grpc.ClientStream, err error) (grpc.ClientStream, error) {
	return l.stream(ctx, &grpc.StreamDesc{ServerStreams: true}, nil, get, func(context.Context, *grpc.StreamDesc, *grpc.ClientConn, string, ...grpc.CallOption) (grpc.ClientStream, error) {
		return stream, err
	})
}

// TestAStreamCountsByItsFirstAnswer.
func TestAStreamCountsByItsFirstAnswer(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]struct {
		answers []error
		opens   bool
	}{
		"a message, then broken": {[]error{nil, status.Error(codes.Unavailable, "broken")}, false},
		"an orderly end":         {[]error{io.EOF}, false},
		"refused":                {[]error{status.Error(codes.NotFound, "no such")}, false},
		"broken":                 {[]error{status.Error(codes.Unavailable, "broken")}, true},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			l := open(t, config())
			for range 20 {
				answers := make(chan error, len(c.answers))
				for _, err := range c.answers {
					answers <- err
				}
				stream, err := l.opened(t.Context(), told{answers: answers}, nil)
				if err != nil {
					t.Fatal(err)
				}
				for range c.answers {
					_ = stream.RecvMsg(nil)
				}
			}
			if opened := l.state(t, name) == breaker.Open; opened != c.opens {
				t.Errorf("it opened: %v, want %v", opened, c.opens)
			}
		})
	}
	l := open(t, config())
	for range 20 {
		if _, err := l.opened(t.Context(), nil, status.Error(codes.Unavailable, "nobody there")); err == nil {
			t.Fatal("a failure was hidden")
		}
	}
	if _, err := l.opened(t.Context(), told{}, nil); !refused(err) {
		t.Errorf("opening a stream through an open breaker: %v", err)
	}
}

// TestASilentStreamDoesNotKeepAProbesPlace, and is not cut either.
func TestASilentStreamDoesNotKeepAProbesPlace(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := open(t, config())
		l.fail(t, 20)
		pass(5*time.Second + time.Millisecond)
		silent := make(chan error, 1)
		streams := make([]grpc.ClientStream, 3)
		for i := range streams {
			var err error
			if streams[i], err = l.opened(t.Context(), told{answers: silent}, nil); err != nil {
				t.Fatal(err)
			}
		}
		if err := l.call(t.Context(), get, answers(codes.OK)); !refused(err) {
			t.Errorf("a fourth call beside three probes: %v", err)
		}
		pass(5*time.Second + time.Millisecond)
		synctest.Wait()
		l.must(t, name, breaker.HalfOpen)
		for range 3 {
			if err := l.call(t.Context(), get, answers(codes.OK)); err != nil {
				t.Errorf("after the streams' time as probes: %v", err)
			}
		}
		l.must(t, name, breaker.Closed)
		silent <- nil
		if err := streams[0].RecvMsg(nil); err != nil {
			t.Errorf("the stream was cut: %v", err)
		}
	})
}

// TestAStreamThatDoesNotEvenOpenIsAFailedProbe: opening may wait for a connection
// without end, which is no stream's right, and must not keep a probe's place.
func TestAStreamThatDoesNotEvenOpenIsAFailedProbe(t *testing.T) {
	t.Parallel()
	for what, ends := range map[string]func(ctx context.Context) error{
		"hangs": hangs,
		"panics": func(context.Context) error {
			panic("on purpose") //nolint:forbidigo // what is tested
		},
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				l := open(t, config())
				l.fail(t, 20)
				pass(5*time.Second + time.Millisecond)
				ctx, cancel := context.WithCancel(t.Context())
				var probes sync.WaitGroup
				for range 3 {
					probes.Go(func() {
						defer func() { _ = recover() }()
						_, _ = l.stream(ctx, &grpc.StreamDesc{ServerStreams: true}, nil, get, func(ctx context.Context, _ *grpc.StreamDesc, _ *grpc.ClientConn, _ string, _ ...grpc.CallOption) (grpc.ClientStream, error) {
							return nil, ends(ctx)
						})
					})
				}
				pass(5*time.Second + 100*time.Millisecond)
				l.must(t, name, breaker.Open)
				pass(5*time.Second + time.Millisecond)
				for range 3 {
					if err := l.call(t.Context(), get, answers(codes.OK)); err != nil {
						t.Errorf("a probe of a service that is back: %v", err)
					}
				}
				l.must(t, name, breaker.Closed)
				cancel()
				probes.Wait()
				l.must(t, name, breaker.Closed)
			})
		})
	}
}

// TestWatchersAreToldAndNeverWaitedFor: one that asks the breakers itself while it is
// told, and one that never returns. The control is the same done in gobreaker's
// callback, which is called under its lock.
func TestWatchersAreToldAndNeverWaitedFor(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := open(t, config())
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var seen []string
		var watching sync.WaitGroup
		watching.Go(func() {
			l.Watch(ctx, func(s breaker.Status) {
				_ = l.States()
				if s.Breaker == name {
					_ = l.call(ctx, verify, answers(codes.OK))
					seen = append(seen, s.State.String())
				}
			})
		})
		watching.Go(func() { l.Watch(ctx, func(breaker.Status) { <-ctx.Done() }) })
		synctest.Wait()
		for range 100 { // more changes than a watcher's backlog
			l.fail(t, 20)
			pass(5*time.Second + time.Millisecond)
			for range 3 {
				if err := l.call(t.Context(), get, answers(codes.OK)); err != nil {
					t.Fatal(err)
				}
			}
			synctest.Wait()
		}
		if len(seen) != 301 || seen[0] != "closed" || seen[1] != "open" || seen[2] != "half-open" || seen[300] != "closed" {
			t.Errorf("%d states were told: %.80v", len(seen), seen)
		}
		cancel()
		watching.Wait()
	})
	if !stuckInItsOwnCallback() {
		t.Error("the control: gobreaker can be asked from its own callback, so this test shows nothing")
	}
}

// stuckInItsOwnCallback tells whether gobreaker's callback waits for the breaker for
// as long as it likes. A mutex is no bubble's matter, so real time passes here.
func stuckInItsOwnCallback() bool {
	var plain *gobreaker.CircuitBreaker[struct{}]
	asked, stuck := make(chan struct{}), false
	plain = gobreaker.NewCircuitBreaker[struct{}](gobreaker.Settings{OnStateChange: func(string, gobreaker.State, gobreaker.State) {
		go func() { _ = plain.State(); close(asked) }()
		select {
		case <-asked:
		case <-time.After(100 * time.Millisecond):
			stuck = true
		}
	}})
	for range 6 {
		_, _ = plain.Execute(func() (struct{}, error) { return struct{}{}, errors.New("failed") })
	}
	<-asked // once the callback has returned
	return stuck
}

// TestAWatcherThatFellBehindLearnsHowThingsStand.
func TestAWatcherThatFellBehindLearnsHowThingsStand(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := open(t, config())
		hold, last := make(chan struct{}), breaker.Closed
		told := 0
		stop := l.Go(func(s breaker.Status) {
			if s.Breaker != name {
				return
			}
			if told == 0 {
				<-hold
			}
			last, told = s.State, told+1
		})
		synctest.Wait()
		for range 50 {
			l.fail(t, 20)
			pass(5*time.Second + time.Millisecond)
			for range 3 {
				_ = l.call(t.Context(), get, answers(codes.OK))
			}
		}
		l.fail(t, 20)
		close(hold)
		synctest.Wait()
		if last != breaker.Open || told > 100 {
			t.Errorf("told %d states, the last one %s; want open", told, last)
		}
		stop()
	})
}

// TestManyAtOnce: no deadlock and no lost place among calls that succeed, fail,
// hang, panic and are given up, with watchers coming and going.
func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	l := open(t, breaker.Config{
		Services: []string{listings}, Window: 100 * time.Millisecond, Open: time.Millisecond,
		ProbeTimeout: time.Millisecond, Patience: time.Millisecond,
	})
	rounds := 2_000
	if long() {
		rounds = 20_000
	}
	opened := atomic.Int64{}
	stop := l.Go(func(s breaker.Status) {
		if s.State == breaker.Open {
			opened.Add(1)
		}
	})
	var group sync.WaitGroup
	for seed := range uint64(16) {
		group.Go(func() {
			random := rand.New(rand.NewPCG(seed, 16))
			for range rounds {
				l.whatever(t, random)
			}
		})
	}
	group.Wait()
	stop()
	if opened.Load() == 0 {
		t.Error("it never opened, so nothing was tried")
	}
	// Whatever happened, it closes again before a service that is well.
	for range 10_000 {
		_ = l.call(t.Context(), get, answers(codes.OK))
		if l.state(t, name) == breaker.Closed {
			return
		}
		pass(time.Millisecond)
	}
	t.Errorf("it stays %s before a service that is well", l.state(t, name))
}

// whatever makes one call of some kind.
func (l line) whatever(t *testing.T, random *rand.Rand) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Duration(random.IntN(2000))*time.Microsecond)
	defer cancel()
	switch random.IntN(8) {
	case 0:
		cancel()
		_ = l.call(ctx, get, hangs)
	case 1:
		_ = l.call(ctx, get, hangs)
	case 2:
		defer func() { _ = recover() }()
		_ = l.call(ctx, get, func(context.Context) error { panic("on purpose") }) //nolint:forbidigo // what is tested
	case 3:
		answers := make(chan error, 1)
		answers <- status.Error(codes.Unavailable, "broken")
		if stream, err := l.opened(ctx, told{answers: answers}, nil); err == nil {
			_ = stream.RecvMsg(nil)
		}
	case 4, 5:
		_ = l.call(ctx, get, answers(codes.Unavailable))
	default:
		_ = l.call(ctx, get, answers(codes.OK))
	}
}

func TestWrongConfigurationsAreRefused(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]breaker.Config{
		"a service of others":     {Services: []string{"grpc.health.v1.Health"}},
		"a service twice":         {Services: []string{listings, listings}},
		"no method path":          {Apart: []string{listings}},
		"a window without length": {Window: -1},
		"a share above all":       {Percent: 101},
		"no calls at all":         {Least: -1},
		"no probes":               {Probes: -1},
		"a probe too short":       {ProbeTimeout: time.Second, Patience: 2 * time.Second},
	} {
		if _, err := breaker.New(c); err == nil {
			t.Errorf("%s was accepted", what)
		}
	}
	for _, state := range []breaker.State{breaker.Closed, breaker.HalfOpen, breaker.Open, 7} {
		if text := state.String(); text != map[breaker.State]string{0: "closed", 1: "half-open", 2: "open"}[state] && text != fmt.Sprintf("state %d", int(state)) {
			t.Errorf("state %d is called %s", int(state), text)
		}
	}
}
