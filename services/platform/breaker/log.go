package breaker

import (
	"context"
	"log/slog"
)

// Log returns an observer that writes a line for each change: what opened is a
// warning. That all are closed at the start is no news.
func Log(log *slog.Logger) Observer {
	known := map[string]State{}
	return func(status Status) {
		was := known[status.Breaker] // closed, where nothing was told before
		known[status.Breaker] = status.State
		if was == status.State {
			return
		}
		level := slog.LevelInfo
		if status.State == Open {
			level = slog.LevelWarn
		}
		log.Log(context.Background(), level, "breaker", "name", status.Breaker, "state", status.State.String(), "was", was.String())
	}
}

// Go watches in the background, and returns what ends that and waits for it.
func (s *Set) Go(tell ...Observer) (stop func()) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		s.Watch(ctx, func(status Status) {
			for _, observer := range tell {
				observer(status)
			}
		})
	}()
	return func() {
		cancel()
		<-done
	}
}
