package serve

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/status"
)

// waits is how long the next call of a connection is kept waiting.
func waits(t *testing.T, ctx context.Context) time.Duration { //nolint:revive // t first, as everywhere
	t.Helper()
	began := time.Now()
	if _, err := pauseIfResetting(ctx, nil); err != nil {
		t.Error(err)
	}
	return time.Since(began)
}

// pass lets time of a synctest bubble pass.
func pass(d time.Duration) { <-time.After(d) }

func TestConnectionsThatResetEverythingAreReadSlowly(t *testing.T) {
	t.Parallel()
	gone := status.Error(codes.Canceled, "gone")
	for name, c := range map[string]struct {
		ends int
		took time.Duration
		err  error
		good int // calls beside them that are answered
		want time.Duration
	}{
		"as many as are free":   {resetsFree, time.Millisecond, gone, 0, 0},
		"one more":              {resetsFree + 1, time.Millisecond, gone, 0, resetsPause},
		"most of all":           {2 * resetsFree, time.Millisecond, gone, 2*resetsFree - 1, resetsPause},
		"not most of all":       {2 * resetsFree, time.Millisecond, gone, 2 * resetsFree, 0},
		"left after a while":    {2 * resetsFree, 2 * resetsSoon, gone, 0, 0},
		"answered":              {2 * resetsFree, time.Millisecond, nil, 0, 0},
		"answered by an error":  {2 * resetsFree, time.Millisecond, status.Error(codes.NotFound, ""), 0, 0},
		"an error without code": {2 * resetsFree, time.Millisecond, errors.New("x"), 0, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				ctx, other := resets{}.TagConn(t.Context(), nil), resets{}.TagConn(t.Context(), nil)
				now := time.Now()
				for range c.ends {
					resets{}.HandleRPC(resets{}.TagRPC(ctx, nil), &stats.End{BeginTime: now.Add(-c.took), EndTime: now, Error: c.err})
				}
				for range c.good {
					resets{}.HandleRPC(resets{}.TagRPC(ctx, nil), &stats.End{BeginTime: now.Add(-time.Second), EndTime: now})
				}
				if got := waits(t, ctx); got != c.want {
					t.Errorf("waits %v, want %v", got, c.want)
				}
				if got := waits(t, other); got != 0 {
					t.Errorf("another connection waits %v", got)
				}
				pass(resetsWindow / 3)
				if got := waits(t, ctx); got != c.want {
					t.Errorf("a little later it waits %v, want %v", got, c.want)
				}
				pass(2 * resetsWindow)
				if got := waits(t, ctx); got != 0 {
					t.Errorf("when it was good for long it waits %v", got)
				}
			})
		})
	}
}

func TestPauseEndsWithItsConnection(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(resets{}.TagConn(t.Context(), nil))
		for range 2 * resetsFree {
			ctx.Value(resetsKey{}).(*resetCount).note(time.Now(), true)
		}
		cancel()
		if got := waits(t, ctx); got != 0 {
			t.Errorf("waits %v for a connection that is gone", got)
		}
	})
}
