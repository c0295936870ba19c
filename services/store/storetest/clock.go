package storetest

import (
	"sync"
	"time"
)

// Clock is time that a test moves. Its methods may be called concurrently.
type Clock struct {
	mu sync.Mutex
	at time.Time
}

// NewClock returns a clock that stands at a time.
func NewClock(at time.Time) *Clock { return &Clock{at: at} }

// Now is the clock's time.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

// Advance moves the clock on.
func (c *Clock) Advance(by time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(by)
}
