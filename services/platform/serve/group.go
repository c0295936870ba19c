package serve

import (
	"context"
	"errors"
	"fmt"
	"sync"
)

// Group runs several things together and ends them in order. The zero value is
// ready.
type Group struct {
	members []member
}

type member struct {
	name string
	run  func(ctx context.Context) error
}

// Add adds something that runs until its context ends. What is added first is
// ended first, so add what takes calls before what it calls.
func (g *Group) Add(name string, run func(ctx context.Context) error) {
	g.members = append(g.members, member{name: name, run: run})
}

// Run runs all members until one returns (with or without an error) or ctx
// ends. Then it ends them one after the other, in the order they were added,
// waiting for each, and returns what failed, named.
func (g *Group) Run(ctx context.Context) error {
	type running struct {
		stop context.CancelFunc
		done chan struct{}
		err  error
	}
	ended := make(chan struct{})
	var once sync.Once
	all := make([]*running, len(g.members))
	for i, m := range g.members {
		// Each ends by itself, not all at once with ctx.
		own, stop := context.WithCancel(context.WithoutCancel(ctx))
		r := &running{stop: stop, done: make(chan struct{})}
		all[i] = r
		go func() {
			defer close(r.done)
			defer once.Do(func() { close(ended) })
			if err := m.run(own); err != nil {
				r.err = fmt.Errorf("%s: %w", m.name, err)
			}
		}()
	}
	if len(all) > 0 {
		select {
		case <-ctx.Done():
		case <-ended:
		}
	}
	failures := make([]error, 0, len(all))
	for _, r := range all {
		r.stop()
		<-r.done
		failures = append(failures, r.err)
	}
	return errors.Join(failures...)
}
