package serve

import (
	"context"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/tap"
)

// Who opens calls and resets them at once (CVE-2023-44487) never has more of them
// open than a connection may, and still keeps a server busy with nothing. A
// connection that did so more than resetsFree times within resetsWindow, and with most
// of its calls, is read slowly: each further call on it waits for resetsPause. Nothing
// is refused, since the one at the other end may be a gateway some of whose own
// clients leave early, or which asked two servers and takes the first answer; while
// the others stay, they are not slowed down for it. Other connections go on as before.
const (
	// resetsSoon is how soon after its begin a call must end for its caller to have
	// wanted nothing of it.
	resetsSoon   = 100 * time.Millisecond
	resetsFree   = 200
	resetsWindow = 10 * time.Second
	resetsPause  = 5 * time.Millisecond
)

// resets counts, for each connection, the calls that were reset at once.
type resets struct{}

// resetOptions slow connections down that open calls only to reset them.
func resetOptions() []grpc.ServerOption {
	return []grpc.ServerOption{grpc.StatsHandler(resets{}), grpc.InTapHandle(pauseIfResetting)}
}

type resetsKey struct{}

// TagConn implements stats.Handler.
func (resets) TagConn(ctx context.Context, _ *stats.ConnTagInfo) context.Context {
	return context.WithValue(ctx, resetsKey{}, &resetCount{})
}

// HandleConn implements stats.Handler.
func (resets) HandleConn(context.Context, stats.ConnStats) {}

// TagRPC implements stats.Handler.
func (resets) TagRPC(ctx context.Context, _ *stats.RPCTagInfo) context.Context { return ctx }

// HandleRPC implements stats.Handler.
func (resets) HandleRPC(ctx context.Context, event stats.RPCStats) {
	end, ok := event.(*stats.End)
	if !ok {
		return
	}
	reset := status.Code(end.Error) == codes.Canceled && end.EndTime.Sub(end.BeginTime) <= resetsSoon
	if count, ok := ctx.Value(resetsKey{}).(*resetCount); ok {
		count.note(end.EndTime, reset)
	}
}

// pauseIfResetting runs where a connection is read, before a call begins.
func pauseIfResetting(ctx context.Context, _ *tap.Info) (context.Context, error) {
	count, ok := ctx.Value(resetsKey{}).(*resetCount)
	if !ok || !count.many(time.Now()) {
		return ctx, nil
	}
	pause := time.NewTimer(resetsPause)
	defer pause.Stop()
	select {
	case <-pause.C:
	case <-ctx.Done():
	}
	return ctx, nil
}

// resetCount counts the calls of one connection that have ended, in two halves of the
// window, the current one and the one before.
type resetCount struct {
	mu        sync.Mutex
	since     time.Time
	now, last ended
}

// ended is how many calls have ended, and how many of them were reset at once.
type ended struct{ all, reset int }

// note counts one.
func (c *resetCount) note(at time.Time, reset bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.turn(at)
	c.now.all++
	if reset {
		c.now.reset++
	}
}

// many tells whether there were too many resets of late.
func (c *resetCount) many(at time.Time) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.turn(at)
	reset := c.now.reset + c.last.reset
	return reset > resetsFree && 2*reset > c.now.all+c.last.all
}

// turn begins a new half where the current one is over.
func (c *resetCount) turn(at time.Time) {
	switch past := at.Sub(c.since); {
	case past > resetsWindow:
		c.since, c.now, c.last = at, ended{}, ended{}
	case past > resetsWindow/2:
		c.since, c.now, c.last = at, ended{}, c.now
	}
}
