package limit

import (
	"container/list"
	"context"
	"math"
	"sync"
	"time"
)

// gate lets so many run, and so many wait. How many run goes up slowly while all of the
// room is used and calls are quick, and down fast where they are not: additive increase,
// multiplicative decrease, as TCP shares a line (RFC 5681 §3.1; the figures are this
// project's).
//
// Who waits is let in by turns: of the businesses that wait, the one of which the fewest
// run, and of one business first come first served. Where nobody else may wait, the
// newest call of the business of which the most wait makes room for one of a business
// of which fewer do. So a business that sends more than there is room for crowds out
// itself, and nobody else.
type gate struct {
	room Room

	mu      sync.Mutex
	most    float64 // how many run at once now
	cut     time.Time
	running int
	waiting int
	parties map[string]*party // those of which some run or wait
}

// party is one business's part in a gate.
type party struct {
	running int
	waiting list.List // of *turn
}

// turn is a call that waits.
type turn struct {
	// come is closed when it is let in, or, where it is put out, with out set.
	come chan struct{}
	out  bool
	// since is when it began to wait.
	since time.Time
}

// slower is what is left of how many run where calls take too long. It is not done
// again before those that began under it have had the time they may take.
const slower = 0.5

// first is how many run at once before anything is known: halfway, as factors go.
func (r Room) first() float64 {
	if r.Least == 0 {
		return float64(r.AtOnce)
	}
	return math.Sqrt(float64(r.Least) * float64(r.AtOnce))
}

// full tells whether a call would be refused at once.
func (g *gate) full(whose string) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	own := g.parties[whose]
	if own != nil && g.room.share > 0 && own.running >= g.room.share {
		return true
	}
	return g.running >= int(g.most) && g.waiting >= g.room.Queue && g.crowd(own) == nil
}

func (g *gate) enter(ctx context.Context, whose string) error {
	mine, at, err := g.queue(whose)
	if mine == nil {
		return err
	}
	limit := time.NewTimer(g.room.Wait)
	defer limit.Stop()
	select {
	case <-mine.come:
		if mine.out {
			return Overloaded()
		}
		return nil
	case <-limit.C:
		err = Overloaded()
	case <-ctx.Done():
		err = ctx.Err()
	}
	return g.giveUp(whose, mine, at, err)
}

// queue takes a place at once (nil, nil, nil) or waits for one.
func (g *gate) queue(whose string) (*turn, *list.Element, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	own := g.parties[whose]
	switch {
	case own != nil && g.room.share > 0 && own.running >= g.room.share:
		return nil, nil, Overloaded()
	case g.running < int(g.most):
		g.running++
		g.party(whose).running++
		return nil, nil, nil
	case g.waiting >= g.room.Queue:
		crowd := g.crowd(own)
		if crowd == nil {
			return nil, nil, Overloaded()
		}
		g.putOut(crowd)
	}
	mine := &turn{come: make(chan struct{}), since: time.Now()}
	g.waiting++
	return mine, g.party(whose).waiting.PushBack(mine), nil
}

// party is the one of a business, made where there is none.
func (g *gate) party(whose string) *party {
	one := g.parties[whose]
	if one == nil {
		one = &party{}
		g.parties[whose] = one
	}
	return one
}

// crowd is the party of which the most wait, where that are more than of own would wait
// with one more of it; nil where there is none.
func (g *gate) crowd(own *party) *party {
	most := 1
	if own != nil {
		most += own.waiting.Len()
	}
	var crowd *party
	for _, one := range g.parties {
		if n := one.waiting.Len(); n > most {
			crowd, most = one, n
		}
	}
	return crowd
}

// putOut refuses the newest call of a party, which has others that wait.
func (g *gate) putOut(crowd *party) {
	newest := turnOf(crowd.waiting.Back())
	crowd.waiting.Remove(crowd.waiting.Back())
	g.waiting--
	newest.out = true
	close(newest.come)
}

// giveUp leaves the queue with an error, or with none where the turn has come.
func (g *gate) giveUp(whose string, mine *turn, at *list.Element, err error) error {
	g.mu.Lock()
	defer g.mu.Unlock()
	select {
	case <-mine.come:
		if mine.out {
			return err
		}
		return nil
	default:
	}
	g.parties[whose].waiting.Remove(at)
	g.waiting--
	g.forget(whose)
	return err
}

// leave ends a call that began then, and lets as many in as there is room for.
func (g *gate) leave(whose string, now, began time.Time) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.learn(now, began)
	g.running--
	g.parties[whose].running--
	g.forget(whose)
	for g.running < int(g.most) && g.waiting > 0 {
		g.admit(g.next())
	}
}

// forget drops a party of which nothing is left.
func (g *gate) forget(whose string) {
	if one := g.parties[whose]; one.running == 0 && one.waiting.Len() == 0 {
		delete(g.parties, whose)
	}
}

// next is the party whose turn it is: the one of which the fewest run, of several the
// one whose first call has waited the longest. One waits.
func (g *gate) next() *party {
	var next *party
	for _, one := range g.parties {
		switch {
		case one.waiting.Len() == 0:
		case next == nil, one.running < next.running,
			one.running == next.running && one.first().since.Before(next.first().since):
			next = one
		}
	}
	return next
}

// first is the call that has waited the longest.
func (p *party) first() *turn { return turnOf(p.waiting.Front()) }

// admit lets the first call of a party in.
func (g *gate) admit(one *party) {
	first := one.first()
	one.waiting.Remove(one.waiting.Front())
	g.waiting--
	g.running++
	one.running++
	close(first.come)
}

func turnOf(at *list.Element) *turn {
	return at.Value.(*turn) //nolint:forcetypeassert // queue is the only one that fills the list
}

// learn sees from how long a call took whether more or fewer should run at once. A slow
// call among few says nothing of that: it may have waited for something else.
func (g *gate) learn(now, began time.Time) {
	switch took := now.Sub(began); {
	case g.room.Least == 0:
	case took > g.room.Target:
		if began.After(g.cut) && 2*g.running > int(g.most) {
			g.most, g.cut = max(g.most*slower, float64(g.room.Least)), now
		}
	case g.running >= int(g.most):
		g.most = min(g.most+1/g.most, float64(g.room.AtOnce))
	}
}
