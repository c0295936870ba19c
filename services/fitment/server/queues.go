package server

import (
	"context"
	"hash/maphash"
)

// queues let one at a time through for each name. Names share a fixed number of
// queues, so a few of them also wait for each other.
type queues struct {
	seed  maphash.Seed
	lanes []chan struct{}
}

const lanes = 64

func newQueues() queues {
	q := queues{seed: maphash.MakeSeed(), lanes: make([]chan struct{}, lanes)}
	for i := range q.lanes {
		q.lanes[i] = make(chan struct{}, 1)
	}
	return q
}

// enter waits for its turn and returns what ends it, or the context's error.
func (q queues) enter(ctx context.Context, name string) (leave func(), err error) {
	lane := q.lanes[maphash.String(q.seed, name)%uint64(len(q.lanes))]
	select {
	case lane <- struct{}{}:
		return func() { <-lane }, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}
