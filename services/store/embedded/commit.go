package embedded

import (
	"bytes"
	"context"
	"fmt"
	"runtime"
	"time"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
)

const (
	// batchChanges and batchBytes end the gathering of one commit. One caller's
	// changes stay together whatever their number.
	batchChanges = 4096
	batchBytes   = 16 << 20
	// pruned is how many expired request ids a commit removes, beside two for
	// each that it adds.
	pruned = 64
)

// request is one Apply call on its way to the committer.
type request struct {
	ctx     context.Context //nolint:containedctx // the committer skips calls that nobody waits for
	changes []change
	bytes   int
	results []store.Applied
	answer  chan error // buffered, so that the committer never waits
}

// change is a store.Change, copied and encoded: the caller may reuse its memory
// as soon as Apply returns, which a cancelled context makes earlier than the
// commit.
type change struct {
	puts        []put
	request     []byte // encoded tenant and request id; nil for none
	fingerprint [32]byte
	answer      []byte
	notAfter    time.Time
	err         error // why it is malformed
}

type put struct {
	key, record []byte
	expect      int64
}

// Apply implements store.Store. Calls that wait at the same time share one
// commit. A context that ends while a call waits leaves its outcome unknown.
func (s *Store) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	if err := s.usable(ctx); err != nil {
		return nil, err
	}
	call := &request{
		ctx: ctx, changes: make([]change, len(changes)),
		results: make([]store.Applied, len(changes)), answer: make(chan error, 1),
	}
	for i, c := range changes {
		var size int
		call.changes[i], size = prepare(c)
		call.bytes += size
	}
	select {
	case s.work <- call:
	case <-s.closing:
		return nil, store.ErrClosed
	case <-s.stopping:
		return nil, s.broken
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	select {
	case err := <-call.answer:
		if err != nil {
			return nil, err
		}
		return call.results, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

// prepare checks and encodes one change.
func prepare(c store.Change) (change, int) {
	out := change{fingerprint: c.Fingerprint, notAfter: c.NotAfter}
	if len(c.Answer) > store.MaxValue {
		return change{err: fmt.Errorf("store: the answer has %d bytes; at most %d are kept", len(c.Answer), store.MaxValue)}, 0
	}
	out.answer = clone(c.Answer)
	size := len(out.answer)
	if c.RequestID != "" {
		raw, err := encodeRequestKey(c.Tenant, c.RequestID)
		if err != nil {
			return change{err: err}, 0
		}
		out.request = raw
	}
	for _, p := range c.Puts {
		encoded, err := preparePut(p)
		if err != nil {
			return change{err: err}, 0
		}
		for _, other := range out.puts {
			if bytes.Equal(other.key, encoded.key) {
				return change{err: fmt.Errorf("store: two puts of one change name %s/%s/%s", p.Key.Tenant, p.Key.Kind, p.Key.ID)}, 0
			}
		}
		size += len(encoded.record)
		out.puts = append(out.puts, encoded)
	}
	return out, size
}

func preparePut(p store.Put) (put, error) {
	key, err := encodeKey(p.Key)
	switch {
	case err != nil:
		return put{}, err
	case len(p.Value) > store.MaxValue:
		return put{}, fmt.Errorf("store: the value of %s/%s/%s has %d bytes; at most %d are kept",
			p.Key.Tenant, p.Key.Kind, p.Key.ID, len(p.Value), store.MaxValue)
	case p.Expect < store.Whatever:
		return put{}, fmt.Errorf("store: %d is no version to expect", p.Expect)
	}
	return put{key: key, record: encodeRecord(key, p.Value), expect: p.Expect}, nil
}

// commitLoop is the only writer of the file. It ends when the store closes.
func (s *Store) commitLoop() {
	defer close(s.done)
	for {
		select {
		case <-s.closing:
			return
		case first := <-s.work:
			s.commit(s.gather(first))
		}
	}
}

// patience is how often the committer lets others run before it takes it that
// no more calls are coming. The callers that the commit before has just answered
// are ready to run, and most of them have a next change.
const patience = 4

// gather takes along every call that is waiting or about to.
func (s *Store) gather(first *request) []*request {
	batch := []*request{first}
	changes, size := len(first.changes), first.bytes
	for idle := 0; changes < batchChanges && size < batchBytes && idle < patience; {
		select {
		case next := <-s.work:
			batch = append(batch, next)
			changes += len(next.changes)
			size += next.bytes
			idle = 0
		default:
			runtime.Gosched()
			idle++
		}
	}
	return batch
}

// commit applies the calls in one transaction and answers them once it is
// durable.
func (s *Store) commit(batch []*request) {
	if err := s.stopped(); err != nil {
		for _, call := range batch {
			call.answer <- err
		}
		return
	}
	var version int64
	changes, began := 0, time.Now()
	err := s.update(func(tx *bbolt.Tx) error {
		last, err := lastVersion(tx)
		if err != nil {
			return err
		}
		step := newStep(tx, last, s.now())
		for _, call := range batch {
			if call.ctx.Err() != nil {
				continue // nobody waits for it; not happening is one of its outcomes
			}
			for i, c := range call.changes {
				applied, err := step.apply(c)
				if err != nil {
					return err
				}
				call.results[i] = applied
			}
			changes += len(call.changes)
		}
		version = step.version
		return step.prune()
	})
	switch {
	case err != nil:
		err = s.stop(err)
	case version > s.version.Load():
		s.publish(version)
	}
	if err == nil && s.committed != nil {
		s.committed(changes, time.Since(began))
	}
	for _, call := range batch {
		if err == nil && call.ctx.Err() != nil {
			// It may have been skipped, so its results say nothing.
			call.answer <- call.ctx.Err()
			continue
		}
		call.answer <- err
	}
}

// stop makes every call fail from here on, and returns the error that they fail
// with. After a failed fsync the file may show changes that are not on the disk,
// and a later fsync that succeeds proves nothing about them (the kernel reports
// a lost page once), so nothing may be built on what is in memory.
func (s *Store) stop(cause error) error {
	s.broken = fmt.Errorf("store %s: commit: %w: %w", s.dir, store.ErrBroken, cause)
	close(s.stopping)
	return s.broken
}

// stopped returns why the store has stopped, if so.
func (s *Store) stopped() error {
	select {
	case <-s.stopping:
		return s.broken
	default:
		return nil
	}
}

// publish wakes those who wait for a newer version.
func (s *Store) publish(version int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.version.Store(version)
	close(s.changed)
	s.changed = make(chan struct{})
}
