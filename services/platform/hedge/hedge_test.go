package hedge_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/hedge"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const get = fitmentv1.ListingService_GetListing_FullMethodName

// answer is what a server does with one call: attempt counts from 1 over all calls.
type answer func(ctx context.Context, attempt int64, reply *fitmentv1.GetListingResponse, options []grpc.CallOption) error

// reader calls one method through a hedger.
type reader struct {
	*hedge.Hedger

	chain    grpc.UnaryClientInterceptor
	attempts atomic.Int64
	answer   answer
}

func open(t *testing.T, config hedge.Config, answer answer) *reader {
	t.Helper()
	h, err := hedge.New(config)
	if err != nil {
		t.Fatal(err)
	}
	return &reader{Hedger: h, chain: hedge.Interceptor(h), answer: answer}
}

func (r *reader) call(ctx context.Context, method string, options ...grpc.CallOption) (*fitmentv1.GetListingResponse, error) {
	reply := &fitmentv1.GetListingResponse{}
	err := r.chain(ctx, method, &fitmentv1.GetListingRequest{}, reply, nil,
		func(ctx context.Context, _ string, _, into any, _ *grpc.ClientConn, options ...grpc.CallOption) error {
			return r.answer(ctx, r.attempts.Add(1), into.(*fitmentv1.GetListingResponse), options)
		}, options...)
	return reply, err
}

// listing is an answer's content.
func fill(reply *fitmentv1.GetListingResponse, stock string) {
	reply.Listing = &fitmentv1.Listing{StockNumber: stock, Evidence: []*fitmentv1.Evidence{{}}}
}

// takes waits like a server that takes its time.
func takes(ctx context.Context, wait time.Duration) error {
	timer := time.NewTimer(wait)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return status.FromContextError(ctx.Err()).Err()
	case <-timer.C:
		return nil
	}
}

// warm measures so many calls that hedging can begin and has a budget.
func (r *reader) warm(t *testing.T) {
	t.Helper()
	for range 100 {
		if _, err := r.call(t.Context(), get); err != nil {
			t.Fatal(err)
		}
	}
}

// stallsNow is a server that stalls for the first attempt of calls while on is true,
// as one of two servers does that is stopped.
func stallsNow(on *atomic.Bool) answer {
	return func(ctx context.Context, attempt int64, reply *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
		wait := 9 * time.Millisecond
		if on.Load() && attempt%2 == 1 {
			wait = time.Hour
		}
		if err := takes(ctx, wait); err != nil {
			return err
		}
		fill(reply, fmt.Sprint(attempt))
		return nil
	}
}

// TestAStalledServerHoldsUpNobodyForLong: the second attempt answers. The control is
// the same without a hedge, which waits for its deadline.
func TestAStalledServerHoldsUpNobodyForLong(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var stalled atomic.Bool
		for name, methods := range map[string][]string{"hedged": {get}, "control": nil} {
			stalled.Store(false)
			told := map[hedge.Event]int{} // no lock: one call at a time, told within it
			r := open(t, hedge.Config{Methods: methods, Least: 10 * time.Millisecond, Tell: func(e hedge.Event) { told[e]++ }}, stallsNow(&stalled))
			r.warm(t) // an even number of attempts
			stalled.Store(true)
			ctx, cancel := context.WithTimeout(t.Context(), time.Second)
			began := time.Now()
			reply, err := r.call(ctx, get)
			took := time.Since(began)
			cancel()
			if name == "control" {
				if status.Code(err) != codes.DeadlineExceeded {
					t.Errorf("the control: %v; so this test shows nothing", err)
				}
				continue
			}
			if err != nil || reply.GetListing().GetStockNumber() != "102" || len(reply.GetListing().GetEvidence()) != 1 {
				t.Errorf("%v, %v; want the second attempt's answer", reply, err)
			}
			if took != 19*time.Millisecond { // the wait, and the second attempt
				t.Errorf("it took %v, want 19ms", took)
			}
			if c := r.Counts(); c != (hedge.Counts{Calls: 101, Hedges: 1, Wins: 1}) {
				t.Errorf("counts %+v", c)
			}
			if diff := cmp.Diff(map[hedge.Event]int{hedge.Made: 101, hedge.Repeated: 1, hedge.Won: 1}, told); diff != "" {
				t.Errorf("events (-want +got):\n%s", diff)
			}
		}
	})
}

// TestOnlyWhatIsListedIsAskedTwice.
func TestOnlyWhatIsListedIsAskedTwice(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := open(t, hedge.Config{Methods: []string{get}}, func(ctx context.Context, attempt int64, _ *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
			if attempt > 100 {
				return takes(ctx, time.Minute)
			}
			return nil
		})
		r.warm(t)
		for _, method := range []string{fitmentv1.ListingService_SellListing_FullMethodName, fitmentv1.ListingService_HoldListing_FullMethodName} {
			if _, err := r.call(t.Context(), method); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := r.call(t.Context(), get, grpc.OnFinish(func(error) {})); err != nil {
			t.Fatal(err)
		}
		if n := r.attempts.Load(); n != 103 || r.Counts().Hedges != 0 {
			t.Errorf("%d attempts, %+v; want 103 and no hedge", n, r.Counts())
		}
	})
}

// TestTheBudgetBounds extra calls to 5 % whatever the latencies are: a service that
// is slow as a whole gets no more than that on top.
func TestTheBudgetBounds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		seed, percent := rapid.Uint64().Draw(rt, "seed"), rapid.IntRange(1, 20).Draw(rt, "percent")
		calls, slow := rapid.IntRange(1, 2000).Draw(rt, "calls"), rapid.IntRange(0, 100).Draw(rt, "percent slow")
		synctest.Test(t, func(t *testing.T) {
			random := rand.New(rand.NewPCG(seed, 1))
			var mu sync.Mutex
			r := open(t, hedge.Config{Methods: []string{get}, Percent: percent}, func(ctx context.Context, _ int64, _ *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
				mu.Lock()
				wait := time.Duration(random.IntN(10_000)) * time.Microsecond
				if random.IntN(100) < slow {
					wait *= 100
				}
				mu.Unlock()
				return takes(ctx, wait)
			})
			for range calls {
				if _, err := r.call(t.Context(), get); err != nil {
					rt.Fatal(err)
				}
			}
			counts := r.Counts()
			if counts.Hedges+counts.Unpaid > counts.Calls || counts.Calls != int64(calls) || counts.Hedges*100 > counts.Calls*int64(percent) || r.attempts.Load() != counts.Calls+counts.Hedges || counts.Wins > counts.Hedges {
				rt.Errorf("%+v of %d calls, %d attempts; want hedges within %d %%", counts, calls, r.attempts.Load(), percent)
			}
		})
	})
}

// TestWhatTheBudgetKeepsBackIsCounted: with every call slow, those that were earned
// are asked again and all others are counted as unpaid.
func TestWhatTheBudgetKeepsBackIsCounted(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		r := open(t, hedge.Config{Methods: []string{get}, Percent: 1, Least: time.Millisecond}, func(ctx context.Context, attempt int64, _ *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
			if attempt <= 100 {
				return nil
			}
			return takes(ctx, time.Second)
		})
		r.warm(t)
		for range 10 {
			if _, err := r.call(t.Context(), get); err != nil {
				t.Fatal(err)
			}
		}
		if c := r.Counts(); c != (hedge.Counts{Calls: 110, Hedges: 1, Unpaid: 9}) {
			t.Errorf("counts %+v, want one hedge and nine that were not paid for", c)
		}
	})
}

// TestTheTailGetsShort where one call in fifty stalls: the p99 with hedging is that
// of a good call, without (the control) that of a stalled one.
func TestTheTailGetsShort(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		tail := func(methods []string) (p99 time.Duration, extra float64) {
			random := rand.New(rand.NewPCG(7, 1))
			var mu sync.Mutex
			r := open(t, hedge.Config{Methods: methods}, func(ctx context.Context, _ int64, _ *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
				mu.Lock()
				wait := 5*time.Millisecond + time.Duration(random.IntN(1000))*time.Microsecond
				if random.IntN(50) == 0 {
					wait = 2 * time.Second
				}
				mu.Unlock()
				return takes(ctx, wait)
			})
			var took []time.Duration
			for range 10_000 {
				began := time.Now()
				if _, err := r.call(t.Context(), get); err != nil {
					t.Fatal(err)
				}
				took = append(took, time.Since(began))
			}
			slices.Sort(took)
			return took[len(took)*99/100], float64(r.attempts.Load())/10_000 - 1
		}
		hedged, extra := tail([]string{get})
		plain, _ := tail(nil)
		if hedged > 20*time.Millisecond || extra > 0.05 {
			t.Errorf("p99 %v with %.1f %% more calls, want at most 20ms with 5 %%", hedged, extra*100)
		}
		if plain < 2*time.Second {
			t.Errorf("the control: p99 %v without hedging, so this test shows nothing", plain)
		}
	})
}

// TestWhichAnswerCounts where the attempts differ.
func TestWhichAnswerCounts(t *testing.T) {
	t.Parallel()
	type outcome struct {
		after time.Duration
		code  codes.Code
	}
	for name, c := range map[string]struct {
		first, second outcome
		want          codes.Code
		stock         string
		took          time.Duration
	}{
		"the first, in time for the hedge":        {outcome{15 * time.Millisecond, codes.OK}, outcome{time.Minute, codes.OK}, codes.OK, "first", 15 * time.Millisecond},
		"the second":                              {outcome{time.Minute, codes.OK}, outcome{5 * time.Millisecond, codes.OK}, codes.OK, "second", 15 * time.Millisecond},
		"a refusal by the second":                 {outcome{time.Minute, codes.OK}, outcome{5 * time.Millisecond, codes.NotFound}, codes.NotFound, "", 15 * time.Millisecond},
		"the second is down, the first comes":     {outcome{time.Second, codes.OK}, outcome{0, codes.Unavailable}, codes.OK, "first", time.Second},
		"the second is full, the first comes":     {outcome{time.Second, codes.OK}, outcome{0, codes.ResourceExhausted}, codes.OK, "first", time.Second},
		"the first is down, the second comes":     {outcome{12 * time.Millisecond, codes.Unavailable}, outcome{time.Second, codes.OK}, codes.OK, "second", 1010 * time.Millisecond},
		"both are down":                           {outcome{12 * time.Millisecond, codes.Unavailable}, outcome{5 * time.Millisecond, codes.Unavailable}, codes.Unavailable, "", 15 * time.Millisecond},
		"the first is down before it is time":     {outcome{time.Millisecond, codes.Unavailable}, outcome{0, codes.OK}, codes.Unavailable, "", time.Millisecond},
		"the first refuses before it is time":     {outcome{time.Millisecond, codes.NotFound}, outcome{0, codes.OK}, codes.NotFound, "", time.Millisecond},
		"the first refuses while the second runs": {outcome{12 * time.Millisecond, codes.NotFound}, outcome{time.Minute, codes.OK}, codes.NotFound, "", 12 * time.Millisecond},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				r := open(t, hedge.Config{Methods: []string{get}, Least: 10 * time.Millisecond}, func(ctx context.Context, attempt int64, reply *fitmentv1.GetListingResponse, options []grpc.CallOption) error {
					mine, who := outcome{9 * time.Millisecond, codes.OK}, "warm"
					switch attempt {
					case 101:
						mine, who = c.first, "first"
					case 102:
						mine, who = c.second, "second"
					}
					mark(options, who)
					if err := takes(ctx, mine.after); err != nil {
						return err
					}
					if mine.code != codes.OK {
						return status.Error(mine.code, who)
					}
					fill(reply, who)
					return nil
				})
				r.warm(t)
				var header, trailer metadata.MD
				var from peer.Peer
				began := time.Now()
				reply, err := r.call(t.Context(), get, grpc.Header(&header), grpc.Trailer(&trailer), grpc.Peer(&from))
				if status.Code(err) != c.want || reply.GetListing().GetStockNumber() != c.stock || time.Since(began) != c.took {
					t.Errorf("%v, %v after %v; want %v %q after %v", reply, err, time.Since(began), c.want, c.stock, c.took)
				}
				if c.stock != "" && (header.Get("who")[0] != c.stock || trailer.Get("who")[0] != c.stock || from.LocalAddr.String() != c.stock) {
					t.Errorf("header %v, trailer %v, peer %v; want those of the %s", header, trailer, from, c.stock)
				}
			})
		})
	}
}

// name is an address.
type name string

func (name) Network() string  { return "test" }
func (n name) String() string { return string(n) }

// mark sets what options ask for, as grpc does.
func mark(options []grpc.CallOption, who string) {
	for _, option := range options {
		switch option := option.(type) {
		case grpc.HeaderCallOption:
			*option.HeaderAddr = metadata.Pairs("who", who)
		case grpc.TrailerCallOption:
			*option.TrailerAddr = metadata.Pairs("who", who)
		case grpc.PeerCallOption:
			option.PeerAddr.LocalAddr = name(who)
		}
	}
}

// TestAPanicReachesTheCaller, not a goroutine of ours, where nobody could recover it.
func TestAPanicReachesTheCaller(t *testing.T) {
	t.Parallel()
	for _, second := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			r := open(t, hedge.Config{Methods: []string{get}}, func(ctx context.Context, attempt int64, _ *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
				if attempt == 101 && !second || attempt == 102 {
					panic("on purpose") //nolint:forbidigo // what is tested
				}
				if attempt == 101 {
					return takes(ctx, time.Hour)
				}
				return nil
			})
			r.warm(t)
			defer func() {
				if recover() == nil {
					t.Error("the panic was swallowed")
				}
			}()
			_, _ = r.call(t.Context(), get)
		})
	}
}

// TestManyAtOnce shares one hedger between callers that give up at any time.
func TestManyAtOnce(t *testing.T) {
	t.Parallel()
	r := open(t, hedge.Config{Methods: []string{get}, Least: time.Microsecond, Percent: 100, Percentile: 50}, func(ctx context.Context, attempt int64, reply *fitmentv1.GetListingResponse, _ []grpc.CallOption) error {
		err := takes(ctx, time.Duration(attempt%7)*50*time.Microsecond)
		fill(reply, "answer")
		return err
	})
	var group sync.WaitGroup
	for worker := range 8 {
		group.Go(func() {
			for i := range 500 {
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration((i*worker)%11+1)*100*time.Microsecond)
				request := &fitmentv1.GetListingRequest{}
				reply := &fitmentv1.GetListingResponse{}
				err := r.chain(ctx, get, request, reply, nil, func(ctx context.Context, _ string, req, into any, _ *grpc.ClientConn, options ...grpc.CallOption) error {
					_ = req.(*fitmentv1.GetListingRequest).GetName()
					return r.answer(ctx, r.attempts.Add(1), into.(*fitmentv1.GetListingResponse), options)
				})
				request.Name = "the caller's again" // a race where an attempt still reads it
				if err == nil && reply.GetListing().GetStockNumber() != "answer" {
					t.Errorf("an answer without content: %v", reply)
				}
				cancel()
			}
		})
	}
	group.Wait()
	if r.Counts().Hedges == 0 {
		t.Error("nothing was hedged, so nothing was tried")
	}
}

func TestWrongConfigurationsAreRefused(t *testing.T) {
	t.Parallel()
	for what, c := range map[string]hedge.Config{
		"percentile": {Percentile: 101}, "share": {Percent: -1}, "samples": {Samples: 1 << 20}, "least": {Least: -1},
	} {
		if _, err := hedge.New(c); err == nil {
			t.Errorf("a wrong %s was accepted", what)
		}
	}
}
