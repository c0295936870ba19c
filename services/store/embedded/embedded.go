// Package embedded is the store for one process and one directory: a bbolt file
// behind a goroutine that commits waiting changes together, so that each
// acknowledged change has been fsynced without each paying for its own fsync.
//
// The directory must lie on a local file system; network file systems do not
// keep bbolt's promises.
//
// A store stops for good at the first commit that fails (store.ErrBroken). Where
// the disk reports such errors, a restart of the program may still read from the
// kernel's memory what the disk has lost: check the disk, and the store with
// Check, before it is trusted again.
package embedded

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"beltwright.example/services/store"
)

// Options set up a store. The zero value is right for a server.
type Options struct {
	// Now is store time; nil means the system's clock.
	Now func() time.Time
	// NoSync leaves out every fsync, which breaks the promise of the store. It
	// exists for the control of the power-cut test.
	NoSync bool
	// Committed is told of each commit that has become durable: how many changes
	// share it, and how long writing and syncing took. The next commit waits
	// meanwhile. Nil for nobody.
	Committed func(changes int, took time.Duration)
}

// Store is the embedded adapter of store.Store.
type Store struct {
	db    *bbolt.DB
	dir   string
	now   func() time.Time
	epoch string
	// committed is told of commits.
	committed func(changes int, took time.Duration)

	work    chan *request
	closing chan struct{}
	done    chan struct{}
	once    sync.Once
	closed  error

	// update is the file's Update; the test of failed writes puts itself between.
	update   func(func(*bbolt.Tx) error) error
	stopping chan struct{} // closed by the committer once broken is set
	broken   error         // why the store has stopped; read after stopping

	version atomic.Int64
	mu      sync.Mutex
	changed chan struct{} // closed and replaced whenever version rises
}

var _ store.Store = (*Store)(nil)

// Open opens the store in a directory, which it makes where there is none.
// store.ErrInUse: another process has it open.
func Open(dir string, options Options) (*Store, error) {
	db, err := openFile(dir, options.NoSync)
	if err != nil {
		return nil, err
	}
	s := &Store{
		db: db, dir: dir, now: options.Now, committed: options.Committed, update: db.Update, stopping: make(chan struct{}),
		work: make(chan *request), closing: make(chan struct{}), done: make(chan struct{}),
		changed: make(chan struct{}),
	}
	if s.now == nil {
		s.now = time.Now
	}
	err = db.View(func(tx *bbolt.Tx) error {
		if err := checkFormat(tx); err != nil {
			return err
		}
		s.epoch = string(tx.Bucket(bucketMeta).Get(metaEpoch))
		version, err := lastVersion(tx)
		s.version.Store(version)
		return err
	})
	if err == nil {
		err = raise(db)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("store %s: %w", dir, err), db.Close())
	}
	go s.commitLoop()
	return s, nil
}

// Get implements store.Store.
func (s *Store) Get(ctx context.Context, key store.Key) (store.Record, error) {
	raw, err := encodeKey(key)
	if err != nil {
		return store.Record{}, err
	}
	var found store.Record
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		at := tx.Bucket(bucketKeys).Get(raw)
		if at == nil {
			return fmt.Errorf("%s/%s/%s: %w", key.Tenant, key.Kind, key.ID, store.ErrNotFound)
		}
		found, err = recordAt(tx, at)
		return err
	})
	return found, err
}

// List implements store.Store.
func (s *Store) List(ctx context.Context, tenant, kind, after string, limit int) ([]store.Record, error) {
	prefix, err := encodePrefix(tenant, kind)
	if err != nil {
		return nil, err
	}
	if limit < 1 {
		return nil, errLimit
	}
	var found []store.Record
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		cursor := tx.Bucket(bucketKeys).Cursor()
		// The zero byte makes the first key that is above after.
		key, at := cursor.Seek(append(append(clone(prefix), after...), zeroIf(after != "")...))
		for ; hasPrefix(key, prefix) && len(found) < limit; key, at = cursor.Next() {
			record, err := recordAt(tx, at)
			if err != nil {
				return err
			}
			found = append(found, record)
		}
		return ctx.Err()
	})
	return found, err
}

// Seen implements store.Store.
func (s *Store) Seen(ctx context.Context, tenant, requestID string, fingerprint [32]byte) (store.Applied, error) {
	raw, err := encodeRequestKey(tenant, requestID)
	if err != nil {
		return store.Applied{}, err
	}
	var applied store.Applied
	err = s.view(ctx, func(tx *bbolt.Tx) error {
		applied, err = seen(tx, raw, fingerprint, s.now())
		return err
	})
	return applied, err
}

// changesBytes bounds the values of one answer of Changes; at least one record
// always comes.
const changesBytes = 32 << 20

// Changes implements store.Store.
func (s *Store) Changes(ctx context.Context, after int64, limit int) ([]store.Record, error) {
	if limit < 1 {
		return nil, errLimit
	}
	var found []store.Record
	err := s.view(ctx, func(tx *bbolt.Tx) error {
		cursor := tx.Bucket(bucketLog).Cursor()
		size := 0
		for at, raw := cursor.Seek(encodeVersion(max(after, 0) + 1)); at != nil; at, raw = cursor.Next() {
			if len(found) == limit || size > changesBytes {
				break
			}
			record, err := decodeRecord(at, raw)
			if err != nil {
				return err
			}
			size += len(record.Value)
			found = append(found, record)
		}
		return nil
	})
	return found, err
}

// Wait implements store.Store.
func (s *Store) Wait(ctx context.Context, after int64) error {
	for {
		s.mu.Lock()
		changed := s.changed
		s.mu.Unlock()
		if err := s.stopped(); err != nil {
			return err
		}
		if s.version.Load() > after {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		case <-s.closing:
			return store.ErrClosed
		case <-s.stopping:
			return s.broken
		}
	}
}

// Place implements store.Store.
func (s *Store) Place(ctx context.Context) (store.Place, error) {
	if err := s.usable(ctx); err != nil {
		return store.Place{}, err
	}
	return store.Place{Epoch: s.epoch, Version: s.version.Load()}, nil
}

// Now implements store.Store.
func (s *Store) Now(ctx context.Context) (time.Time, error) {
	if err := s.usable(ctx); err != nil {
		return time.Time{}, err
	}
	return s.now(), nil
}

// Close implements store.Store: it finishes the commit under way, refuses what
// comes after and returns once the file is closed.
func (s *Store) Close() error {
	s.once.Do(func() {
		close(s.closing)
		<-s.done
		if err := s.db.Close(); err != nil {
			s.closed = fmt.Errorf("store %s: %w", s.dir, err)
		}
	})
	return s.closed
}

// usable returns why a call cannot start, if so.
func (s *Store) usable(ctx context.Context) error {
	select {
	case <-s.closing:
		return store.ErrClosed
	case <-s.stopping:
		return s.broken
	default:
		return ctx.Err()
	}
}

// view runs a read on one consistent snapshot. A read during which a write
// failed fails too: it may have seen what that write left.
func (s *Store) view(ctx context.Context, read func(*bbolt.Tx) error) error {
	if err := s.usable(ctx); err != nil {
		return err
	}
	err := s.db.View(read)
	if errors.Is(err, bolterrors.ErrDatabaseNotOpen) {
		return store.ErrClosed
	}
	if err := s.stopped(); err != nil {
		return err
	}
	return err
}
