package embedded

import (
	"fmt"
	"time"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
)

// appendFill packs the pages of buckets that only grow at their end.
const appendFill = 0.95

// step applies changes inside one transaction.
type step struct {
	log, keys, requests, expiry *bbolt.Bucket

	tx      *bbolt.Tx
	version int64
	now     time.Time
	kept    int // request ids that this transaction adds
}

func newStep(tx *bbolt.Tx, version int64, now time.Time) *step {
	s := &step{
		log: tx.Bucket(bucketLog), keys: tx.Bucket(bucketKeys),
		requests: tx.Bucket(bucketRequests), expiry: tx.Bucket(bucketExpiry),
		tx: tx, version: version, now: now,
	}
	s.log.FillPercent = appendFill
	s.expiry.FillPercent = appendFill
	return s
}

// apply applies one change or, where it fails, leaves everything as it was and
// says why in Applied.Err. An error of its own spoils the whole transaction.
func (s *step) apply(c change) (store.Applied, error) {
	if c.err != nil {
		return failed(c.err)
	}
	if c.request != nil {
		known, err := seen(s.tx, c.request, c.fingerprint, s.now)
		if err != nil {
			return failed(err)
		}
		if known.Replayed {
			return known, nil
		}
	}
	if !c.notAfter.IsZero() && s.now.After(c.notAfter) {
		return failed(fmt.Errorf("%w: at %s", store.ErrTooLate, c.notAfter.UTC().Format(time.RFC3339Nano)))
	}
	// All expectations are looked at before anything is written.
	for _, p := range c.puts {
		if err := s.expected(p); err != nil {
			return failed(err)
		}
	}
	versions := make([]int64, len(c.puts))
	for i, p := range c.puts {
		if err := s.write(p); err != nil {
			return store.Applied{}, err
		}
		versions[i] = s.version
	}
	if err := s.remember(c, versions); err != nil {
		return store.Applied{}, err
	}
	return store.Applied{Versions: versions, Answer: c.answer}, nil
}

// failed is the answer of a change that changed nothing; the transaction goes on.
func failed(err error) (store.Applied, error) { return store.Applied{Err: err}, nil }

// expected returns store.ErrConflict where the record is at another version.
func (s *step) expected(p put) error {
	if p.expect == store.Whatever {
		return nil
	}
	found := store.Absent
	if at := s.keys.Get(p.key); at != nil {
		version, err := decodeVersion(at)
		if err != nil {
			return err
		}
		found = version
	}
	if found != p.expect {
		return fmt.Errorf("%w: it is at version %d, not %d", store.ErrConflict, found, p.expect)
	}
	return nil
}

// write moves the record to the end of the log.
func (s *step) write(p put) error {
	if at := s.keys.Get(p.key); at != nil {
		if err := s.log.Delete(at); err != nil {
			return fmt.Errorf("delete old version: %w", err)
		}
	}
	s.version++
	at := encodeVersion(s.version)
	if err := s.log.Put(at, p.record); err != nil {
		return fmt.Errorf("write record: %w", err)
	}
	if err := s.keys.Put(p.key, at); err != nil {
		return fmt.Errorf("write key: %w", err)
	}
	return nil
}

// remember keeps the change's answer under its request id.
func (s *step) remember(c change, versions []int64) error {
	if c.request == nil {
		return nil
	}
	if err := s.forget(c.request); err != nil { // an expired one of the same name
		return err
	}
	expiry := s.now.Add(store.RequestIDTTL)
	raw := encodeRemembered(remembered{expiry: expiry, fingerprint: c.fingerprint, versions: versions, answer: c.answer})
	if err := s.requests.Put(c.request, raw); err != nil {
		return fmt.Errorf("write request id: %w", err)
	}
	if err := s.expiry.Put(expiryKey(expiry, c.request), present); err != nil {
		return fmt.Errorf("write expiry: %w", err)
	}
	s.kept++
	return nil
}

// forget removes a request id, if it is there.
func (s *step) forget(key []byte) error {
	raw := s.requests.Get(key)
	if raw == nil {
		return nil
	}
	old, err := decodeRemembered(raw)
	if err != nil {
		return err
	}
	if err := s.expiry.Delete(expiryKey(old.expiry, key)); err != nil {
		return fmt.Errorf("delete expiry: %w", err)
	}
	if err := s.requests.Delete(key); err != nil {
		return fmt.Errorf("delete request id: %w", err)
	}
	return nil
}

// prune removes expired request ids, oldest first: a bounded number, and yet
// more than came with this transaction, so that they cannot pile up.
func (s *step) prune() error {
	limit := 2*s.kept + pruned
	var old [][]byte
	cursor := s.expiry.Cursor()
	for at, _ := cursor.First(); at != nil && len(old) < limit; at, _ = cursor.Next() {
		if len(at) < 8 {
			return fmt.Errorf("expiry %x: %w", at, errDamaged)
		}
		if !expired(decodeTime(at[:8]), s.now) {
			break
		}
		old = append(old, clone(at[8:]))
	}
	for _, key := range old {
		if err := s.forget(key); err != nil {
			return err
		}
	}
	return nil
}

// expired tells whether a request id kept until then is forgotten now.
func expired(until, now time.Time) bool { return now.After(until) }

// seen looks a request id up: the zero Applied where it is new or forgotten.
func seen(tx *bbolt.Tx, key []byte, fingerprint [32]byte, now time.Time) (store.Applied, error) {
	raw := tx.Bucket(bucketRequests).Get(key)
	if raw == nil {
		return store.Applied{}, nil
	}
	found, err := decodeRemembered(raw)
	if err != nil {
		return store.Applied{}, err
	}
	if expired(found.expiry, now) {
		return store.Applied{}, nil
	}
	if found.fingerprint != fingerprint {
		return store.Applied{}, store.ErrRequestReused
	}
	return store.Applied{Versions: found.versions, Replayed: true, Answer: found.answer}, nil
}
