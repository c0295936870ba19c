// Package breaker keeps calls away from a service that fails, so that its callers
// get their error at once and the service gets the quiet to recover in. There is a
// breaker for each gRPC service, over sony/gobreaker, set by rules that were
// measured:
//
//   - A call given up by its caller says nothing about the service: it is neither
//     a success nor a failure. Counted as a failure it would let impatient callers
//     open the breaker; counted as a success it would let a cancelled probe close
//     it before a dead service.
//   - UNAVAILABLE and a time that ran out are failures; whatever else a service
//     answers (NOT_FOUND, INVALID_ARGUMENT, FAILED_PRECONDITION, INTERNAL, being
//     overloaded) shows that it lives. An answer that names another service as the
//     one that is down is no failure of the one that says so.
//   - A time that ran out counts only where it was long enough to be fair
//     (Config.Patience): a caller with short deadlines must not be able to shut the
//     service off for everybody.
//   - It opens by the share of failures over a rolling window, once there are
//     enough calls to speak of a share.
//   - Each probe of a half-open breaker has a deadline, since gobreaker itself
//     waits for it without end.
//   - What is told of changes passes through a channel that is never waited for.
//
// Calls of services that have no breaker, the health service before all, pass.
//
// A stream counts by its first answer: a message, its orderly end or its error.
// Opening alone proves nothing, as grpc opens streams without asking the server.
//
// Order on a connection, from the outside in: hedge, breaker, retry. Inside the
// hedge each attempt asks for itself, so that of a half-open breaker never more
// calls than its probes reach the service. Outside of grpc's own retries a call
// counts once, however often it was tried.
package breaker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/sony/gobreaker/v2"

	"beltwright.example/services/platform/hop"
)

// Config says what is guarded and when. Zero means the default.
type Config struct {
	// Services are the full names of the gRPC services that get a breaker.
	Services []string
	// Apart are full method paths that get a breaker of their own, so that nothing
	// that happens to the other methods of their service shuts them off.
	Apart []string
	// Window is how far back failures count. Default 10 s, in buckets of a tenth.
	Window time.Duration
	// Least is how many calls the window must hold for a share to be spoken of.
	// Default 20.
	Least int
	// Percent is the share of failures that opens. Default 50.
	Percent int
	// Open is how long nothing passes once it has opened. Default 5 s.
	Open time.Duration
	// Probes is how many calls then try at once, and how many have to succeed one
	// after the other for it to close. Default 3.
	Probes int
	// ProbeTimeout bounds each of them. Default 5 s; at least Patience.
	ProbeTimeout time.Duration
	// Patience is the least time that a call must have waited for its timing out to
	// count. Default 1 s.
	Patience time.Duration
}

// Defaults returns the configuration that zero fields are filled from.
func Defaults() Config {
	return Config{
		Window: 10 * time.Second, Least: 20, Percent: 50, Open: 5 * time.Second,
		Probes: 3, ProbeTimeout: 5 * time.Second, Patience: time.Second,
	}
}

// buckets is how many parts the window is counted in.
const buckets = 10

// filled returns the configuration with defaults in place of zeros, or an error
// that names the field that is out of its range.
func (c Config) filled() (Config, error) {
	d := Defaults()
	for _, f := range []struct {
		name          string
		value, preset *time.Duration
	}{
		{"Window", &c.Window, &d.Window},
		{"Open", &c.Open, &d.Open},
		{"ProbeTimeout", &c.ProbeTimeout, &d.ProbeTimeout},
		{"Patience", &c.Patience, &d.Patience},
	} {
		if *f.value == 0 {
			*f.value = *f.preset
		}
		if *f.value < time.Millisecond || *f.value > time.Hour {
			return Config{}, fmt.Errorf("breaker: %s is %v; expected 1ms to 1h, or 0 for the default", f.name, *f.value)
		}
	}
	for _, f := range []struct {
		name                string
		value               *int
		preset, least, most int
	}{
		{"Least", &c.Least, d.Least, 1, 1 << 20}, {"Percent", &c.Percent, d.Percent, 1, 100}, {"Probes", &c.Probes, d.Probes, 1, 1 << 10},
	} {
		if *f.value == 0 {
			*f.value = f.preset
		}
		if *f.value < f.least || *f.value > f.most {
			return Config{}, fmt.Errorf("breaker: %s is %d; expected %d to %d, or 0 for the default", f.name, *f.value, f.least, f.most)
		}
	}
	if c.ProbeTimeout < c.Patience {
		return Config{}, fmt.Errorf("breaker: ProbeTimeout %v is shorter than Patience %v: no probe could fail by it", c.ProbeTimeout, c.Patience)
	}
	return c, nil
}

// State is what a breaker does.
type State int

// The states.
const (
	// Closed lets everything pass.
	Closed State = iota
	// HalfOpen lets probes pass.
	HalfOpen
	// Open lets nothing pass.
	Open
)

// String is the state as a person reads it.
func (s State) String() string {
	switch s {
	case Closed:
		return "closed"
	case HalfOpen:
		return "half-open"
	case Open:
		return "open"
	}
	return fmt.Sprintf("state %d", int(s))
}

// stateOf translates gobreaker's states.
func stateOf(s gobreaker.State) State {
	switch s {
	case gobreaker.StateOpen:
		return Open
	case gobreaker.StateHalfOpen:
		return HalfOpen
	case gobreaker.StateClosed:
	}
	return Closed
}

// Status is a breaker with its state.
type Status struct {
	// Breaker is its name, such as "fitment.ListingService", or
	// "fitment.IdentityService.VerifyCredential" of a method apart.
	Breaker string
	// State is what it does. An open breaker turns half-open with the first call
	// after its time, not by itself.
	State State
	// Since is when the state began.
	Since time.Time
}

// Observer is told of a breaker's state: of all once, then of each that changes.
type Observer func(Status)

// Set is the breakers of a process. Its zero value is of no use; New makes one.
type Set struct {
	config Config
	// guards are the breakers by full service name or, for those apart, by method.
	guards map[string]*guard

	// mu guards what follows. It is taken inside of gobreaker's lock, and nothing is
	// called while it is held.
	mu       sync.Mutex
	current  []Status // in the order of their names
	watchers map[*watcher]struct{}
}

// guard is one breaker.
type guard struct {
	name, side string
	breaker    *gobreaker.TwoStepCircuitBreaker[struct{}]
}

// New makes closed breakers for the services.
func New(config Config) (*Set, error) {
	config, err := config.filled()
	if err != nil {
		return nil, err
	}
	s := &Set{config: config, guards: map[string]*guard{}, watchers: map[*watcher]struct{}{}}
	for _, service := range config.Services {
		if err := s.add(service, short(service)); err != nil {
			return nil, err
		}
	}
	for _, path := range config.Apart {
		service := hop.Service(path)
		if service == "" {
			return nil, fmt.Errorf("breaker: %q is no method path; expected /package.Service/Method", path)
		}
		if err := s.add(path, short(service)+"."+strings.TrimPrefix(path, "/"+service+"/")); err != nil {
			return nil, err
		}
	}
	slices.SortFunc(s.current, func(a, b Status) int { return strings.Compare(a.Breaker, b.Breaker) })
	return s, nil
}

// short is a service's name without what all names share:
// "fitment.ListingService" of "beltwright.fitment.v1.ListingService".
func short(service string) string {
	return hop.Side(service) + service[max(strings.LastIndex(service, "."), 0):]
}

func (s *Set) add(key, name string) error {
	side := hop.Side(key)
	if side == "" || s.guards[key] != nil {
		return fmt.Errorf("breaker: %q is none of our services or there twice", key)
	}
	s.guards[key] = &guard{name: name, side: side, breaker: gobreaker.NewTwoStepCircuitBreaker[struct{}](gobreaker.Settings{
		Name: name, MaxRequests: uint32(s.config.Probes),
		Interval: s.config.Window, BucketPeriod: s.config.Window / buckets, Timeout: s.config.Open,
		ReadyToTrip: s.trips, OnStateChange: s.changed,
		IsSuccessful: func(err error) bool { return err == nil },
		IsExcluded:   func(err error) bool { return errors.Is(err, errSaysNothing) },
	})}
	s.current = append(s.current, Status{Breaker: name, Since: time.Now()})
	return nil
}

// trips tells whether the window's counts open the breaker. Calls under way and
// those that say nothing do not count.
func (s *Set) trips(counts gobreaker.Counts) bool {
	failed, all := uint64(counts.TotalFailures), uint64(counts.TotalFailures)+uint64(counts.TotalSuccesses)
	return all >= uint64(s.config.Least) && failed*100 >= all*uint64(s.config.Percent)
}

// of returns the breaker of a method; nil where it has none.
func (s *Set) of(fullMethod string) *guard {
	if g := s.guards[fullMethod]; g != nil {
		return g
	}
	return s.guards[hop.Service(fullMethod)]
}

// States returns all breakers in the order of their names.
func (s *Set) States() []Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.current)
}

// status returns one of them.
func (s *Set) status(name string) Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	return *s.at(name)
}

// at finds a breaker's status; mu is held.
func (s *Set) at(name string) *Status {
	i, _ := slices.BinarySearchFunc(s.current, name, func(status Status, name string) int { return strings.Compare(status.Breaker, name) })
	return &s.current[i]
}

// watcher is somebody who is told of changes.
type watcher struct {
	changes chan Status
	missed  bool // changes was full; guarded by Set.mu
}

// backlog is how many changes wait for a watcher before it is only told how things
// stand in the end.
const backlog = 64

// changed notes a change. Gobreaker calls it under its lock, so it waits for
// nobody and calls nothing.
func (s *Set) changed(name string, _, to gobreaker.State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	status := s.at(name)
	status.State, status.Since = stateOf(to), time.Now()
	for w := range s.watchers {
		select {
		case w.changes <- *status:
		default:
			w.missed = true
		}
	}
}

// Watch tells the observer the state of each breaker, then each change, until ctx
// ends. An observer that takes its time holds up nobody; where it falls far behind
// it may miss changes, but never the state that they led to.
func (s *Set) Watch(ctx context.Context, tell Observer) {
	w := &watcher{changes: make(chan Status, backlog)}
	s.mu.Lock()
	s.watchers[w] = struct{}{}
	news := slices.Clone(s.current)
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.watchers, w)
	}()
	for {
		for _, status := range news {
			tell(status)
		}
		select {
		case <-ctx.Done():
			return
		case status := <-w.changes:
			news = s.caughtUp(w, status)
		}
	}
}

// caughtUp returns what a watcher is to be told: the next change, or, where it
// missed some, how everything stands.
func (s *Set) caughtUp(w *watcher, next Status) []Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !w.missed {
		return []Status{next}
	}
	w.missed = false
	for len(w.changes) > 0 {
		<-w.changes
	}
	return slices.Clone(s.current)
}
