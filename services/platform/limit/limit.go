// Package limit keeps one caller from taking what all of them share, and all of
// them together from asking for more than can be done. Three things do it:
//
//   - Rates: how many calls a second a credential and a business may make, by class
//     of call, with bursts that a desk does not notice (RATE_LIMITED).
//   - Doors: how many wrong credentials an address may try (RATE_LIMITED).
//   - Gates: how many calls of a class run at once, and how few wait for how short a
//     time behind them; the others are told at once (OVERLOADED).
//
// A call is counted by Rates and Doors where it comes in and nowhere else: what the
// gateway and the quote side pass on in somebody's name was counted there. Gates
// stand before every service, since work costs the same whoever asks for it.
//
// Both are RESOURCE_EXHAUSTED with the time after which trying again is worth it.
// Being overloaded is not UNAVAILABLE, although that would be as true: clients try
// that again by themselves, at once, and breakers count it as a failure, so that a
// busy server would get three times the calls first and then none.
package limit

import (
	"fmt"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Refusal is why a call is refused.
type Refusal string

// The refusals, as an Observer is told of them.
const (
	// Rate means: too many calls of one credential or business.
	Rate Refusal = "rate"
	// Door means: too many wrong credentials from one address.
	Door Refusal = "door"
	// Shed means: too much work for the server.
	Shed Refusal = "shed"
)

// Observer is told of each refusal. It must not wait.
type Observer func(why Refusal, class Class)

// Config says how much is allowed. The zero value means the defaults.
type Config struct {
	// Rates bound the calls of a credential by class; classes that are missing have
	// those of DefaultRates.
	Rates map[Class]Speed
	// Doors bound wrong credentials of one address.
	Doors DoorConfig
	// Gates bound the work of a server by class; classes that are missing have those
	// of DefaultGates.
	Gates map[Class]Room
	// Now is the clock; nil means time.Now.
	Now func() time.Time
	// Observe is told of refusals; nil for nobody.
	Observe Observer
}

// Limits are what a process limits its callers by. The servers of one process share
// them, so that a credential has one budget whichever way it comes.
type Limits struct {
	// Rates bound what a caller asks for.
	Rates *Rates
	// Doors bound wrong credentials.
	Doors *Doors
	// Gates bound the work of the gRPC services.
	Gates *Gates
	// Front bounds what the REST gateway has under way: as much as Gates runs and
	// lets wait. Nobody waits there, since the services behind it have the queue.
	Front *Gates

	observe Observer
}

// New makes limits, or says which figure is out of its range.
func New(config Config) (*Limits, error) {
	if config.Now == nil {
		config.Now = time.Now
	}
	rates, err := newRates(config.Rates, config.Now)
	if err != nil {
		return nil, err
	}
	doors, err := newDoors(config.Doors, config.Now)
	if err != nil {
		return nil, err
	}
	gates, err := newGates(config.Gates)
	if err != nil {
		return nil, err
	}
	return &Limits{Rates: rates, Doors: doors, Gates: gates, Front: gates.front(), observe: config.Observe}, nil
}

// Refused tells the observer of a refusal.
func (l *Limits) Refused(why Refusal, class Class) {
	if l.observe != nil {
		l.observe(why, class)
	}
}

// leastWait is the least that a caller is told to wait: less is not worth saying.
const leastWait = 100 * time.Millisecond

// tooMany is the answer to a caller that asks too often.
func tooMany(after time.Duration, who string, class Class) error {
	return apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_RATE_LIMITED, max(after, leastWait),
		"%s makes too many calls of the class %s; wait %s", who, class, seconds(max(after, leastWait)))
}

// tooManyWrong is the answer to an address that has tried too many wrong credentials.
func tooManyWrong(after time.Duration) error {
	return apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_RATE_LIMITED, max(after, leastWait),
		"too many wrong credentials came from your address; wait %s", seconds(max(after, leastWait)))
}

// seconds is a wait as people are told of it, rounded up.
func seconds(wait time.Duration) string {
	if whole := (wait + time.Second - 1) / time.Second; whole > 1 {
		return fmt.Sprintf("%d seconds", whole)
	}
	return "1 second"
}

// overloadedWait is when trying again an overloaded server is worth it. A queue is
// gone sooner, but not all who were sent away should come back before it is.
const overloadedWait = time.Second

// Overloaded is the answer of a server that has more to do than it can.
func Overloaded() error {
	return apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_OVERLOADED, overloadedWait,
		"the server has more work than it can do in time; nothing was done, try again later")
}
