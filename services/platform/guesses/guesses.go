// Package guesses slows down those who guess. After some failures under one name (a
// login, an address) each further try has to wait, twice as long each time, up to a
// bound: nobody is locked out for ever by somebody else's guessing, and nobody
// guesses fast. Each time that the longest wait passes, one failure is forgotten: a
// shop behind one address does not pay for what was mistyped there a week ago. What is
// known is kept in memory and is lost with the process.
package guesses

import (
	"cmp"
	"sync"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Defaults of Options (a choice of this project: some 100 guesses a day and name,
// which is how many consecutive failures NIST SP 800-63B allows in all).
const (
	DefaultFree    = 5
	DefaultFirst   = time.Second
	DefaultLongest = 15 * time.Minute
	DefaultForget  = 24 * time.Hour
	DefaultNames   = 1 << 16
)

// What is put up with from one address: behind it there may be a whole shop, which is
// to mistype more often than one person, and to wait less.
const (
	addressFree    = 20
	addressLongest = time.Minute
)

// OfAddresses are the options for tries that are counted by the address that they come
// from; now nil means time.Now.
func OfAddresses(now func() time.Time) Options {
	return Options{Free: addressFree, Longest: addressLongest, Now: now}
}

// Options say how much guessing is put up with. The zero value is usable.
type Options struct {
	// Free is how many failures cost nothing; 0 means DefaultFree.
	Free int
	// First is the wait after the first failure that costs one; 0 means DefaultFirst.
	First time.Duration
	// Longest bounds the wait; 0 means DefaultLongest.
	Longest time.Duration
	// Forget is after how long without a try a name is forgotten; 0 means
	// DefaultForget. It is never shorter than Longest.
	Forget time.Duration
	// Names bounds how many names are remembered; 0 means DefaultNames.
	Names int
	// Now is the clock; nil means time.Now.
	Now func() time.Time
}

// Limiter counts failures by name. Its methods may be called concurrently.
type Limiter struct {
	options Options

	mu    sync.Mutex
	names map[string]tally
}

// tally is what is known of a name.
type tally struct {
	failures int
	// open is when the next try is let in, last when one was, and since when the
	// failures have been there that the longest wait has not taken off yet.
	open, last, since time.Time
}

// faded is what is left of it at a time.
func (t tally) faded(now time.Time, options Options) tally {
	if now.Sub(t.last) >= options.Forget {
		return tally{}
	}
	for t.failures > 0 && now.Sub(t.since) >= options.Longest {
		t.failures--
		t.since = t.since.Add(options.Longest)
	}
	return t
}

// New returns a limiter.
func New(options Options) *Limiter {
	options.Free = cmp.Or(options.Free, DefaultFree)
	options.First = cmp.Or(options.First, DefaultFirst)
	options.Longest = cmp.Or(options.Longest, DefaultLongest)
	options.Forget = max(cmp.Or(options.Forget, DefaultForget), options.Longest)
	options.Names = cmp.Or(options.Names, DefaultNames)
	if options.Now == nil {
		options.Now = time.Now
	}
	return &Limiter{options: options, names: map[string]tally{}}
}

// Begin lets a try in, or answers RESOURCE_EXHAUSTED with RATE_LIMITED and the wait.
// A try that is let in counts as failed until Succeeded or Undo says otherwise, so
// that many at once do not slip through together.
func (l *Limiter) Begin(name string) error {
	now := l.options.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	t, known := l.names[name]
	if known {
		t = t.faded(now, l.options)
	}
	if wait := t.open.Sub(now); wait > 0 {
		return Limited(wait)
	}
	if !known && len(l.names) >= l.options.Names {
		l.makeRoom(now)
	}
	if t.failures == 0 {
		t.since = now
	}
	t.failures++
	t.last = now
	t.open = now.Add(l.wait(t.failures))
	l.names[name] = t
	return nil
}

// wait is how long after a failure the next try is let in.
func (l *Limiter) wait(failures int) time.Duration {
	if failures < l.options.Free {
		return 0
	}
	wait := l.options.First
	for range failures - l.options.Free {
		if wait *= 2; wait >= l.options.Longest {
			break
		}
	}
	return min(wait, l.options.Longest)
}

// Succeeded forgets the failures of a name: whoever proved to be it may start anew.
func (l *Limiter) Succeeded(name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	delete(l.names, name)
}

// Undo takes a try back that came to nothing by no fault of its maker's.
func (l *Limiter) Undo(name string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	t, known := l.names[name]
	switch {
	case !known:
	case t.failures <= 1:
		delete(l.names, name)
	default:
		t.failures--
		t.open = t.last.Add(l.wait(t.failures))
		l.names[name] = t
	}
}

// Names is how many names are remembered.
func (l *Limiter) Names() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.names)
}

// looked is how many names are looked at for one to forget.
const looked = 32

// makeRoom drops what is forgotten anyway or, where that is nothing among some names,
// the one of them with the fewest failures: who floods the table with names loses
// those first.
func (l *Limiter) makeRoom(now time.Time) {
	var least string
	fewest, n := 0, 0
	for name, t := range l.names { // in no order
		if now.Sub(t.last) >= l.options.Forget {
			delete(l.names, name)
			return
		}
		if n == 0 || t.failures < fewest {
			least, fewest = name, t.failures
		}
		if n++; n == looked {
			break
		}
	}
	delete(l.names, least)
}

// Limited is the answer to whoever has to wait.
func Limited(wait time.Duration) error {
	return apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_RATE_LIMITED, wait,
		"too many tries that failed; wait before the next one")
}
