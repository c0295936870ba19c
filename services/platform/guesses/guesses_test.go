package guesses_test

import (
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/store/storetest"
)

func clock() *storetest.Clock {
	return storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))
}

// waitOf is the wait that a refusal names; 0 where it is none.
func waitOf(t *testing.T, err error) time.Duration {
	t.Helper()
	if err == nil {
		return 0
	}
	if status.Code(err) != codes.ResourceExhausted || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_RATE_LIMITED {
		t.Fatalf("%v", err)
	}
	for _, detail := range status.Convert(err).Details() {
		if retry, ok := detail.(*errdetails.RetryInfo); ok {
			return retry.GetRetryDelay().AsDuration()
		}
	}
	t.Fatalf("%v names no wait", err)
	return 0
}

func TestWaitsGrowAndEnd(t *testing.T) {
	t.Parallel()
	at := clock()
	l := guesses.New(guesses.Options{Now: at.Now})
	for i := range 5 {
		if err := l.Begin("jo"); err != nil {
			t.Fatalf("try %d: %v", i+1, err)
		}
	}
	var waits []time.Duration
	for range 14 {
		wait := waitOf(t, l.Begin("jo"))
		waits = append(waits, wait)
		at.Advance(wait - time.Nanosecond)
		if waitOf(t, l.Begin("jo")) != time.Nanosecond {
			t.Fatal("it was let in too early")
		}
		at.Advance(time.Nanosecond)
		if err := l.Begin("jo"); err != nil {
			t.Fatalf("after its wait: %v", err)
		}
	}
	want := "[1s 2s 4s 8s 16s 32s 1m4s 2m8s 4m16s 8m32s 8m32s 15m0s 15m0s 15m0s]" // one fades after 15 minutes
	if fmt.Sprint(waits) != want {
		t.Errorf("waits %v, want %s", waits, want)
	}
	if err := l.Begin("sam"); err != nil {
		t.Errorf("somebody else: %v", err)
	}
	l.Succeeded("jo")
	for i := range 5 {
		if err := l.Begin("jo"); err != nil {
			t.Errorf("after a success, try %d: %v", i+1, err)
		}
	}
	at.Advance(24 * time.Hour)
	if err := l.Begin("jo"); err != nil {
		t.Errorf("a day later: %v", err)
	}
	if err := l.Begin("jo"); err != nil {
		t.Errorf("a day later, the second: %v", err)
	}
}

// TestManyAtOnceDoNotSlipThrough: tries count when they begin, not when they fail.
func TestManyAtOnceDoNotSlipThrough(t *testing.T) {
	t.Parallel()
	l := guesses.New(guesses.Options{Now: clock().Now})
	var in atomic.Int64
	var running sync.WaitGroup
	for range 200 {
		running.Go(func() {
			if l.Begin("jo") == nil {
				in.Add(1)
			}
		})
	}
	running.Wait()
	if in.Load() != 5 {
		t.Errorf("%d tries at once, want 5", in.Load())
	}
}

// TestGuessesInADay: however somebody times his tries, some 100 a day get in. The
// control, whose wait does not grow, lets every one of 17,280 in.
func TestGuessesInADay(t *testing.T) {
	t.Parallel()
	day := func(options guesses.Options, every time.Duration) int {
		at := clock()
		options.Now = at.Now
		l := guesses.New(options)
		in := 0
		for range int(24 * time.Hour / every) {
			if l.Begin("jo") == nil {
				in++
			}
			at.Advance(every)
		}
		return in
	}
	if in := day(guesses.Options{}, 5*time.Second); in < 90 || in > 115 {
		t.Errorf("%d guesses a day", in)
	}
	if in := day(guesses.Options{Longest: time.Second}, 5*time.Second); in < 17_000 {
		t.Errorf("the control: %d guesses a day", in)
	}
}

// TestGuessesInBursts: it does not help to stay away until failures have faded and to
// come back for as many tries at once. The control, of which failures fade every
// minute, is guessed at ten times as often that way.
func TestGuessesInBursts(t *testing.T) {
	t.Parallel()
	const days = 10
	perDay := func(longest time.Duration, burst int) int {
		at := clock()
		begin := at.Now()
		l := guesses.New(guesses.Options{Longest: longest, Now: at.Now})
		in := 0
		for at.Now().Sub(begin) < days*24*time.Hour {
			for range burst {
				for wait := waitOf(t, l.Begin("jo")); wait > 0; wait = waitOf(t, l.Begin("jo")) {
					at.Advance(wait)
				}
				in++
			}
			at.Advance(time.Duration(burst) * longest)
		}
		return in / days
	}
	for burst := 1; burst <= 24; burst++ {
		if in := perDay(guesses.DefaultLongest, burst); in > 115 {
			t.Errorf("%d guesses a day in bursts of %d", in, burst)
		}
	}
	if in := perDay(time.Minute, 5); in < 1150 {
		t.Errorf("the control: %d guesses a day", in)
	}
}

// TestWhatWasMistypedFades: a shop behind one address, where people sign in all day and
// mistype now and then, waits for nobody; the control mistypes as often as it signs in.
func TestWhatWasMistypedFades(t *testing.T) {
	t.Parallel()
	refused := func(mistyped int) (n int) {
		at := clock()
		l := guesses.New(guesses.OfAddresses(at.Now))
		for i := range 5000 {
			err := l.Begin("shop")
			switch {
			case err != nil:
				n++
			case i%mistyped > 0:
				l.Undo("shop") // it succeeded
			}
			at.Advance(20 * time.Second)
		}
		return n
	}
	if n := refused(15); n > 0 {
		t.Errorf("%d of 5,000 tries had to wait", n)
	}
	if n := refused(1); n < 3000 {
		t.Errorf("the control: %d of 5,000 tries had to wait", n)
	}
}

func TestTheTableIsBounded(t *testing.T) {
	t.Parallel()
	at := clock()
	l := guesses.New(guesses.Options{Now: at.Now, Names: 100})
	for range 8 {
		_ = l.Begin("jo") // waits: what is kept of it is worth keeping
	}
	for i := range 10_000 {
		if err := l.Begin(fmt.Sprint("flood-", i)); err != nil {
			t.Fatal(err)
		}
	}
	if l.Names() > 100 {
		t.Errorf("%d names", l.Names())
	}
	if l.Begin("jo") == nil {
		t.Error("a flood of names let somebody's guesser go on")
	}
	at.Advance(48 * time.Hour)
	if err := l.Begin("jo"); err != nil {
		t.Error(err)
	}
}

// TestAgainstACount: with a random history of tries, successes and taken-back tries of
// some names, who is let in is as a plain count of what counts says.
func TestAgainstACount(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		at := clock()
		l := guesses.New(guesses.Options{Now: at.Now, Free: 3, First: time.Second, Longest: 8 * time.Second, Forget: time.Minute})
		type count struct {
			failures    int
			last, since time.Time
		}
		counts := map[string]count{}
		for range rapid.IntRange(1, 60).Draw(t, "steps") {
			name := rapid.SampledFrom([]string{"a", "b"}).Draw(t, "name")
			c := counts[name]
			switch rapid.SampledFrom([]string{"try", "try", "try", "success", "undo", "time"}).Draw(t, "step") {
			case "try":
				if at.Now().Sub(c.last) >= time.Minute {
					c = count{}
				}
				wait := time.Duration(0)
				if c.failures >= 3 {
					wait = min(time.Second<<(c.failures-3), 8*time.Second)
				}
				open := !at.Now().Before(c.last.Add(wait))
				if (l.Begin(name) == nil) != open {
					t.Fatalf("%s after %d failures: open %v", name, c.failures, open)
				}
				if open {
					for ; at.Now().Sub(c.since) >= 8*time.Second && c.failures > 0; c.since = c.since.Add(8 * time.Second) {
						c.failures-- // fades
					}
					if c.failures == 0 {
						c.since = at.Now()
					}
					c.failures, c.last = c.failures+1, at.Now()
				}
			case "success":
				l.Succeeded(name)
				c = count{}
			case "undo":
				l.Undo(name)
				if c.failures--; c.failures <= 0 {
					c = count{}
				}
			case "time":
				at.Advance(time.Duration(rapid.IntRange(1, 90_000).Draw(t, "ms")) * time.Millisecond)
			}
			counts[name] = c
		}
	})
}
