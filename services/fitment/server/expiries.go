package server

import (
	"context"
	"sync"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/metrics"
)

// expiries finds the holds that end because their time runs out. Nothing happens in
// the store at that moment, so they are followed from the feed of its changes. What
// ran out before this process saw the hold is not counted: the one before it did.
type expiries struct {
	mu   sync.Mutex
	open map[string]openHold // by name of the listing
	lost int
	// swept is the time up to which everything has been counted.
	swept time.Time
}

type openHold struct {
	fence int64
	ends  time.Time
}

func newExpiries() *expiries { return &expiries{open: map[string]openHold{}} }

// take notes a listing as it is now. A hold that something else has replaced was lost
// where that came when the hold no longer counted.
func (e *expiries) take(name string, l *fitmentv1.Listing) {
	e.mu.Lock()
	defer e.mu.Unlock()
	held := l.GetState() == fitmentv1.Listing_HELD
	before, known := e.open[name]
	if known && (!held || l.GetHold().GetFence() != before.fence) {
		if !l.GetUpdateTime().AsTime().Before(before.ends) {
			e.lost++
		}
		delete(e.open, name)
	}
	ends := l.GetHold().GetExpireTime().AsTime()
	if held && (e.swept.IsZero() || ends.After(e.swept)) {
		e.open[name] = openHold{fence: l.GetHold().GetFence(), ends: ends}
	}
}

// sweep counts the holds that no longer count at a time, and returns how many have
// been lost since it was called before. The first call only forgets what ran out
// before there was anybody to count.
func (e *expiries) sweep(now time.Time) int {
	e.mu.Lock()
	defer e.mu.Unlock()
	for name, hold := range e.open {
		if !now.Before(hold.ends) {
			delete(e.open, name)
			e.lost++
		}
	}
	lost := e.lost
	if e.swept.IsZero() {
		lost = 0
	}
	e.lost, e.swept = 0, now
	return lost
}

// measure has the metrics count what the server does.
func (s *Server) measure(set *metrics.Set) error {
	s.metrics, s.expiries = set, newExpiries()
	s.index.Tell(s.expiries.take)
	listings := func() float64 { return float64(s.index.Size()) }
	behind := func() float64 {
		place, err := s.store.Place(context.Background())
		if err != nil {
			return 0 // the store is closed or broken, which its own metrics tell
		}
		return max(0, float64(place.Version-s.index.Place().Version))
	}
	return set.Index(listings, behind)
}

// countExpired counts the holds that have run out. The index has just read the feed.
func (s *Server) countExpired(ctx context.Context) {
	if now, err := s.store.Now(ctx); err == nil {
		s.metrics.Hold(metrics.HoldExpired, s.expiries.sweep(now))
	}
}
