package limit

import (
	"cmp"
	"context"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"time"
)

// Room is how much of one class a server does at once.
type Room struct {
	// AtOnce is how many calls run at most.
	AtOnce int
	// Least is how many run where calls take longer than Target: what is too much for
	// a machine depends on the machine and on the calls, so between Least and AtOnce it
	// is found out. 0 for AtOnce, whatever they take.
	Least int
	// Target is how long a call may take before fewer run at once. 0 for
	// DefaultTarget.
	Target time.Duration
	// Queue is how many wait behind them; the next one is refused at once. 0 for
	// none.
	Queue int
	// Wait is how long one waits at most; then it is refused. 0 for DefaultWait.
	Wait time.Duration

	// share is how many of those that run may be one caller's; 0 for all.
	share int
}

// DefaultTarget is how long a call takes before fewer run at once: half a second, which
// is far from any caller's deadline and far above what a call takes by itself.
const DefaultTarget = 500 * time.Millisecond

// DefaultWait is how long a call waits for its turn at most: with what it takes to
// say so, whoever is refused knows within 50 ms. A longer queue would not get more
// done; it would only make everybody wait.
const DefaultWait = 40 * time.Millisecond

// MaxWait is the longest wait that may be set.
const MaxWait = 100 * time.Millisecond

// DefaultGates are the rooms of a server where nothing else is said, in proportion
// to its processors. Searches keep a processor busy, so few run at once; writes
// mostly wait for a disk that serves many with one commit; bulk calls mostly wait
// for their caller (choices of this project, no source).
func DefaultGates() map[Class]Room {
	n := runtime.GOMAXPROCS(0)
	return map[Class]Room{
		Read:   {AtOnce: 128 * n, Least: 32 * n, Queue: 256 * n},
		Search: {AtOnce: 16 * n, Least: 4 * n, Queue: 64 * n},
		Write:  {AtOnce: 128 * n, Queue: 256 * n},
		Bulk:   {AtOnce: 32 * n, Queue: 32 * n},
	}
}

// Gates bound how many calls of a class run at once. There is one gate for each side
// and class: the quote side calls the fitment side while it works, maybe in the same
// process, and must not wait there for its own kind. The fitment side calls nobody.
type Gates struct {
	rooms map[Class]Room

	mu    sync.Mutex
	gates map[string]*gate // by side and class, made when first used
}

func newGates(rooms map[Class]Room) (*Gates, error) {
	g := &Gates{rooms: DefaultGates(), gates: map[string]*gate{}}
	for class, room := range rooms {
		if _, known := g.rooms[class]; !known {
			return nil, fmt.Errorf("limit: calls of the class %q are not shed; expected read, search, write or bulk", class)
		}
		if room.AtOnce < 1 || room.AtOnce > 1<<20 || room.Queue < 0 || room.Queue > 1<<20 || room.Wait < 0 || room.Wait > MaxWait {
			return nil, fmt.Errorf("limit: %s: %d at once, %d waiting for %v; expected 1 to %d, 0 to %d and 0 to %v",
				class, room.AtOnce, room.Queue, room.Wait, 1<<20, 1<<20, MaxWait)
		}
		if room.Least < 0 || room.Least > room.AtOnce || room.Target < 0 || room.Target > time.Hour {
			return nil, fmt.Errorf("limit: %s: %d at once where they take longer than %v; expected 0 to %d and 0 to 1h",
				class, room.Least, room.Target, room.AtOnce)
		}
		g.rooms[class] = room
	}
	for class, room := range g.rooms {
		room.Wait, room.Target = cmp.Or(room.Wait, DefaultWait), cmp.Or(room.Target, DefaultTarget)
		g.rooms[class] = room
	}
	return g, nil
}

// front are the gates of whoever stands before these and lets nobody wait. Half of one
// is the most that one business takes: more than these let run, so that it gets as much
// done, and the other half is there for everybody else.
func (g *Gates) front() *Gates {
	front := &Gates{rooms: map[Class]Room{}, gates: map[string]*gate{}}
	for class, room := range g.rooms {
		all := room.AtOnce + room.Queue
		front.rooms[class] = Room{AtOnce: all, Wait: room.Wait, Target: room.Target, share: (all + 1) / 2}
	}
	return front
}

// Enter lets a call of a method begin, at once or after a short wait, or refuses it:
// OVERLOADED, or the context's error. Whose names the business that calls, or says it
// does: where calls wait, businesses take turns, however many each of them sends. Leave
// is called when the call has ended.
func (g *Gates) Enter(ctx context.Context, fullMethod, whose string) (leave func(), err error) {
	gate := g.of(fullMethod)
	if gate == nil {
		return func() {}, nil
	}
	if err := gate.enter(ctx, whose); err != nil {
		return nil, err
	}
	began := time.Now()
	return sync.OnceFunc(func() { gate.leave(whose, time.Now(), began) }), nil
}

// Full tells whether a call of the method would be refused at once.
func (g *Gates) Full(fullMethod, whose string) bool {
	gate := g.of(fullMethod)
	return gate != nil && gate.full(whose)
}

// of is the gate of a method; nil where it has none.
func (g *Gates) of(fullMethod string) *gate {
	class := Of(fullMethod)
	room, bounded := g.rooms[class]
	if !bounded {
		return nil
	}
	side := "fitment"
	if strings.HasPrefix(fullMethod, "/beltwright.quote.") {
		side = "quote"
	}
	key := side + "/" + string(class)
	g.mu.Lock()
	defer g.mu.Unlock()
	one := g.gates[key]
	if one == nil {
		one = &gate{room: room, most: room.first(), parties: map[string]*party{}}
		g.gates[key] = one
	}
	return one
}
