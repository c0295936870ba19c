package intercept_test

import (
	"context"
	"io"
	"log/slog"
	"os"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc/metadata"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/intercept"
	"beltwright.example/services/platform/limit"
)

// machine is a server's processors, shared by whoever runs: each call needs ten
// slices of a millisecond. What it did for a caller that has gone is lost.
type machine struct {
	processors chan struct{}
	slices     int // of a millisecond that a call needs
}

const (
	processors = 8
	slices10   = 10
	perSecond  = processors * 1000 / slices10 // what the machine can do
	patience   = 25                           // times what a call takes by itself, of callers
)

func newMachine(slices int) *machine {
	return &machine{processors: make(chan struct{}, processors), slices: slices}
}

func (m *machine) patience() time.Duration {
	return time.Duration(patience*m.slices) * time.Millisecond
}

// work is a handler.
func (m *machine) work(ctx context.Context, _ any) (any, error) {
	for range m.slices {
		select {
		case m.processors <- struct{}{}:
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		time.Sleep(time.Millisecond) //nolint:forbidigo // the bubble's clock
		<-m.processors
	}
	return "", nil
}

// result is what became of a load.
type result struct {
	sent, good, shed, late int
	slowestRefusal         time.Duration
	slowest                time.Duration // of the good ones
}

// offer sends calls through the links at a steady rate.
func offer(t *testing.T, links []intercept.Link, m *machine, rate int, length time.Duration) result {
	t.Helper()
	return offerAs(t, links, m, secret, rate, length)
}

// offerAs is offer with a credential.
func offerAs(t *testing.T, links []intercept.Link, m *machine, key string, rate int, length time.Duration) result {
	t.Helper()
	var mu sync.Mutex
	var r result
	var calls sync.WaitGroup
	as := metadata.NewIncomingContext(t.Context(), metadata.Pairs(auth.Header, "Bearer "+key))
	pause := time.Second / time.Duration(rate)
	for began := time.Now(); time.Since(began) < length; time.Sleep(pause) { //nolint:forbidigo // the bubble's clock
		calls.Go(func() {
			ctx, cancel := context.WithTimeout(as, m.patience())
			defer cancel()
			sent := time.Now()
			_, err := call(ctx, links, m.work)
			took := time.Since(sent)
			mu.Lock()
			defer mu.Unlock()
			r.sent++
			switch {
			case err == nil:
				r.good++
				r.slowest = max(r.slowest, took)
			case apierr.ReasonOf(err) == fitmentv1.ErrorInfo_OVERLOADED:
				r.shed++
				r.slowestRefusal = max(r.slowestRefusal, took)
			default:
				r.late++
			}
		})
	}
	calls.Wait()
	return r
}

// loaded makes links that shed (AssessFault is a search), or without room do not.
func loaded(t *testing.T, room limit.Room) []intercept.Link {
	t.Helper()
	config := intercept.Config{Verifier: verifier{}, Log: slog.New(slog.DiscardHandler)}
	if room.AtOnce > 0 {
		var err error
		config.Limits, err = limit.New(limit.Config{Gates: map[limit.Class]limit.Room{limit.Search: room}})
		if err != nil {
			t.Fatal(err)
		}
	}
	links, err := intercept.Chain(config)
	if err != nil {
		t.Fatal(err)
	}
	return links
}

// Five times what the server can do, for three seconds (BELTWRIGHT_LONG=1: for
// ten minutes): it goes on doing at least nine tenths of its best, who is sent away knows
// within 50 ms, and afterwards all is as before. Without shedding it does next to
// nothing: everybody shares the processors, and nobody is done in time.
func TestOverloadIsShed(t *testing.T) {
	t.Parallel()
	length := 3 * time.Second
	if os.Getenv("BELTWRIGHT_LONG") == "1" {
		length = 10 * time.Minute
	}
	t.Run("with shedding", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			links, m := loaded(t, limit.Room{AtOnce: 2 * processors, Queue: 3 * processors}), newMachine(slices10)
			peak := offer(t, links, m, perSecond, 3*time.Second)
			best := float64(peak.good) / 3
			if best < 0.9*perSecond {
				t.Fatalf("at its best it does %.0f calls a second of %d: %+v", best, perSecond, peak)
			}
			over := offer(t, links, m, 5*perSecond, length)
			good := float64(over.good) / length.Seconds()
			t.Logf("%.0f a second at best, %.0f under five times that (%.1f %%); %+v", best, good, 100*good/best, over)
			if good < 0.9*best {
				t.Errorf("it does %.0f calls a second of %.0f: %+v", good, best, over)
			}
			if over.slowestRefusal >= 50*time.Millisecond {
				t.Errorf("a refusal took %v, want less than 50ms", over.slowestRefusal)
			}
			if over.late > over.good/100 {
				t.Errorf("%d calls were begun for nothing", over.late)
			}
			after := offer(t, links, m, perSecond/2, time.Second)
			if after.good != after.sent || after.slowest > 5*slices10*time.Millisecond {
				t.Errorf("right after it: %+v", after)
			}
		})
	})
	t.Run("control: without shedding", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			over := offer(t, loaded(t, limit.Room{}), newMachine(slices10), 5*perSecond, 3*time.Second)
			good := float64(over.good) / 3
			t.Logf("%.0f a second of %d; %+v", good, perSecond, over)
			if good > perSecond/2 {
				t.Errorf("it does %.0f calls a second of %d: the load is none, or the machine is none", good, perSecond)
			}
		})
	})
}

// Calls that are ten times harder than the room was made for: which many run at once is
// found out, and half of the best is done at least (three quarters and more, once it is
// found). The control runs as many as it was told to, so that nobody is done in time.
func TestHowManyRunAtOnceIsFoundOut(t *testing.T) {
	t.Parallel()
	const hard = 100 // ms of a processor; 80 such calls a second can be done
	offerHard := func(t *testing.T, least int) (first, then result) {
		t.Helper()
		m := newMachine(hard)
		links := loaded(t, limit.Room{AtOnce: 64 * processors, Least: least, Queue: 8 * processors})
		first = offer(t, links, m, 400, 5*time.Second)
		return first, offer(t, links, m, 400, 10*time.Second)
	}
	t.Run("found out", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			first, then := offerHard(t, 2*processors)
			t.Logf("in the first 5 s %+v, in 10 s then %+v", first, then)
			if first.good < 5*80/2 || then.good < 10*80*3/4 {
				t.Errorf("%d calls in the first 5 s and %d in 10 s then, of 80 a second", first.good, then.good)
			}
		})
	})
	t.Run("control: as many as it was told", func(t *testing.T) {
		t.Parallel()
		synctest.Test(t, func(t *testing.T) {
			first, then := offerHard(t, 0)
			if first.good+then.good > 15*80/4 {
				t.Errorf("%+v, %+v: the calls are not hard", first, then)
			}
		})
	})
}

// The slots that calls take are given back whatever becomes of them.
func TestEveryCallLeavesItsRoom(t *testing.T) {
	t.Parallel()
	limits, err := limit.New(limit.Config{Gates: map[limit.Class]limit.Room{limit.Search: {AtOnce: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	links, err := intercept.Chain(intercept.Config{Verifier: verifier{}, Limits: limits, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	answers := map[string]func(context.Context, any) (any, error){
		"good":   func(context.Context, any) (any, error) { return "", nil },
		"failed": func(context.Context, any) (any, error) { return nil, io.ErrUnexpectedEOF },
		"panic":  func(context.Context, any) (any, error) { panic("the cat is out") }, //nolint:forbidigo // what is tested
	}
	for range 3 {
		for name, handler := range answers {
			_, err := call(asShop(t), links, handler)
			if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_OVERLOADED {
				t.Errorf("before %s, a call has kept its room", name)
			}
		}
		if _, err := call(t.Context(), links, answers["good"]); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_CREDENTIAL_INVALID {
			t.Errorf("a stranger: %v", err)
		}
	}
	inside := make(chan struct{})
	done := make(chan struct{})
	go func() {
		defer close(done)
		if _, err := call(asShop(t), links, func(context.Context, any) (any, error) {
			inside <- struct{}{}
			<-inside
			return "", nil
		}); err != nil {
			t.Error(err)
		}
	}()
	<-inside
	reached := false
	_, err = call(asShop(t), links, func(context.Context, any) (any, error) { reached = true; return "", nil })
	if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_OVERLOADED || reached {
		t.Errorf("a second call at once: %v, handled: %v", err, reached)
	}
	if !slices.ContainsFunc(links, func(l intercept.Link) bool { return l.Name == intercept.Shed }) {
		t.Error("there is no such link")
	}
	inside <- struct{}{}
	<-done
}
