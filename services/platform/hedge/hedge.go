// Package hedge asks a second time where a read takes unusually long, and takes the
// answer that comes first: with several servers behind one connection, one that
// stalls then holds up nobody for long. J. Dean and L. A. Barroso describe it (The
// Tail at Scale, Communications of the ACM 56(2), 2013): about 2 % more calls took a
// 99.9th percentile from 1,800 ms to 74 ms.
//
// Only methods that are listed are hedged. Whoever lists them answers for it that
// they change nothing: a write asked twice would be done by two servers at once.
//
// A call is asked again once it has taken longer than most calls of its method took
// lately (a measured percentile), and only within a budget, a share of the calls, so
// that a service that is slow as a whole does not get more load for it.
package hedge

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
)

// Config says what is hedged and when. Zero means the default.
type Config struct {
	// Methods are the full paths of the methods that may be asked twice.
	Methods []string
	// Percentile of a method's latency after which it is asked again. Default 98: at
	// 95 the budget would be spent on what is a little slow, and nothing saved up for
	// a server that stalls.
	Percentile int
	// Percent bounds the extra calls as a share of the calls. Default 5.
	Percent int
	// Samples is how many calls of a method must have been measured before any is
	// asked twice. Default 50.
	Samples int
	// Least is the shortest wait before asking again, so that what is fast anyway is
	// not doubled. Default 2 ms.
	Least time.Duration
	// Tell is told what hedging does, from within the calls, so it must be quick. Nil
	// for nobody.
	Tell Observer
}

// Event is something that hedging did.
type Event int

// The events.
const (
	// Made is a call of a method that may be asked twice.
	Made Event = iota
	// Repeated is such a call that was asked a second time.
	Repeated
	// Won is a second answer that came first.
	Won
	// Unpaid is a call that would have been asked a second time but for the budget.
	Unpaid

	events // how many there are
)

// String is the event as a person reads it.
func (e Event) String() string {
	switch e {
	case Made:
		return "made"
	case Repeated:
		return "repeated"
	case Won:
		return "won"
	case Unpaid:
		return "unpaid"
	case events:
	}
	return fmt.Sprintf("event %d", int(e))
}

// Observer is told of each event.
type Observer func(Event)

// Defaults returns the configuration that zero fields are filled from.
func Defaults() Config {
	return Config{Percentile: 98, Percent: 5, Samples: 50, Least: 2 * time.Millisecond}
}

func (c Config) filled() (Config, error) {
	d := Defaults()
	for _, f := range []struct {
		name         string
		value        *int
		preset, most int
	}{
		{"Percentile", &c.Percentile, d.Percentile, 100}, {"Percent", &c.Percent, d.Percent, 100}, {"Samples", &c.Samples, d.Samples, kept},
	} {
		if *f.value == 0 {
			*f.value = f.preset
		}
		if *f.value < 1 || *f.value > f.most {
			return Config{}, fmt.Errorf("hedge: %s is %d; expected 1 to %d, or 0 for the default", f.name, *f.value, f.most)
		}
	}
	if c.Least == 0 {
		c.Least = d.Least
	}
	if c.Least < 0 || c.Least > time.Minute {
		return Config{}, fmt.Errorf("hedge: Least is %v; expected up to 1m, or 0 for the default", c.Least)
	}
	return c, nil
}

// Hedger hedges the calls of a connection. New makes one.
type Hedger struct {
	methods map[string]*latencies
	budget  budget
	tell    Observer
	counts  [events]atomic.Int64
}

// New makes a hedger.
func New(config Config) (*Hedger, error) {
	config, err := config.filled()
	if err != nil {
		return nil, err
	}
	h := &Hedger{methods: map[string]*latencies{}, budget: budget{percent: config.Percent}, tell: config.Tell}
	for _, method := range config.Methods {
		h.methods[method] = &latencies{percentile: config.Percentile, samples: config.Samples, least: config.Least}
	}
	return h, nil
}

// DialOptions are the options of a connection whose calls are hedged. It must know
// several servers for that to be of use.
func (h *Hedger) DialOptions() []grpc.DialOption {
	return []grpc.DialOption{grpc.WithChainUnaryInterceptor(h.unary)}
}

// Counts say what hedging has done so far.
type Counts struct {
	// Calls are those of methods that may be hedged.
	Calls int64
	// Hedges are those of them that were asked a second time.
	Hedges int64
	// Wins are the hedges whose second answer came first.
	Wins int64
	// Unpaid are the calls that were not asked a second time for want of a budget.
	Unpaid int64
}

// Counts returns what hedging has done so far.
func (h *Hedger) Counts() Counts {
	return Counts{
		Calls: h.counts[Made].Load(), Hedges: h.counts[Repeated].Load(), Wins: h.counts[Won].Load(), Unpaid: h.counts[Unpaid].Load(),
	}
}

// count counts an event and tells of it.
func (h *Hedger) count(event Event) {
	h.counts[event].Add(1)
	if h.tell != nil {
		h.tell(event)
	}
}

func (h *Hedger) unary(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	times := h.methods[method]
	into, isProto := reply.(proto.Message)
	if times == nil || !isProto || !separable(opts) {
		return invoke(ctx, method, req, reply, conn, opts...)
	}
	h.count(Made)
	h.budget.earn()
	began := time.Now()
	var err error
	if delay, known := times.delay(); known {
		r := race{hedger: h, delay: delay, results: make(chan *attempt, attempts), invoke: func(ctx context.Context, a *attempt) error {
			return invoke(ctx, method, req, a.reply, conn, a.options...)
		}}
		err = r.run(ctx, into, opts)
	} else {
		err = invoke(ctx, method, req, reply, conn, opts...)
	}
	if err == nil {
		// Where the second answer came first, so long did the first one take at least.
		times.note(time.Since(began))
	}
	return err
}
