package embedded

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
)

// Contents is what a check found.
type Contents struct {
	// Records counts the records, Requests the request ids that are kept.
	Records, Requests int
	// Version is the version of the latest change.
	Version int64
}

// maxFaults ends a check that finds one fault after the other.
const maxFaults = 20

var errTooManyFaults = errors.New("store: and more faults")

// Check examines the file of a closed store: its pages, and that keys and log,
// request ids and expiries say the same. The error names what is wrong, at most
// a screenful. store.ErrInUse: a process has it open.
func Check(dir string) (Contents, error) {
	path := filepath.Join(dir, fileName)
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{ReadOnly: true, Timeout: lockWait})
	if err != nil {
		return Contents{}, openProblem(dir, err)
	}
	var contents Contents
	err = db.View(func(tx *bbolt.Tx) (err error) {
		contents, err = checkAll(tx)
		return err
	})
	if err := errors.Join(err, db.Close()); err != nil {
		return contents, fmt.Errorf("store %s: %w", dir, err)
	}
	return contents, nil
}

// checkAll goes from the outside in: each check relies on the one before.
func checkAll(tx *bbolt.Tx) (Contents, error) {
	for _, check := range []func(*bbolt.Tx) error{walk, checkPages, checkFormat} {
		if err := check(tx); err != nil {
			return Contents{}, err
		}
	}
	return checkContents(tx)
}

func checkPages(tx *bbolt.Tx) error {
	var faults []error
	for err := range tx.Check() { // to its end, or its goroutine stays
		if len(faults) < maxFaults {
			faults = append(faults, err)
		}
	}
	return errors.Join(faults...)
}

// checker compares the buckets with each other.
type checker struct {
	tx     *bbolt.Tx
	found  Contents
	faults []error
}

func checkContents(tx *bbolt.Tx) (Contents, error) {
	c := &checker{tx: tx}
	version, err := lastVersion(tx)
	if err != nil {
		return Contents{}, err
	}
	c.found.Version = version
	passes := []struct {
		bucket []byte
		each   func(key, value []byte) error
	}{
		{bucketLog, c.logEntry},
		{bucketKeys, c.keysEntry},
		{bucketRequests, c.requestsEntry},
		{bucketExpiry, c.expiryEntry},
	}
	for _, pass := range passes {
		err := tx.Bucket(pass.bucket).ForEach(func(key, value []byte) error {
			if err := pass.each(key, value); err != nil {
				c.faults = append(c.faults, fmt.Errorf("%s: %w", pass.bucket, err))
			}
			if len(c.faults) == maxFaults {
				return errTooManyFaults
			}
			return nil
		})
		if err != nil {
			return c.found, errors.Join(append(c.faults, err)...)
		}
	}
	return c.found, errors.Join(c.faults...)
}

// logEntry demands that each record's key points back at it.
func (c *checker) logEntry(at, raw []byte) error {
	record, err := decodeRecord(at, raw)
	if err != nil {
		return err
	}
	key, err := encodeKey(record.Key)
	if err != nil {
		return err
	}
	if !bytes.Equal(c.tx.Bucket(bucketKeys).Get(key), at) {
		return fmt.Errorf("version %d is not the one that key %q points at: %w", record.Version, key, errDamaged)
	}
	return nil
}

// keysEntry demands that each key points at its own record.
func (c *checker) keysEntry(key, at []byte) error {
	record, err := recordAt(c.tx, at)
	if err != nil {
		return err
	}
	if own, err := encodeKey(record.Key); err != nil || !bytes.Equal(own, key) {
		return fmt.Errorf("key %q points at a record of key %q: %w", key, own, errDamaged)
	}
	c.found.Records++
	return nil
}

// requestsEntry demands that each request id will expire.
func (c *checker) requestsEntry(key, raw []byte) error {
	request, err := decodeRemembered(raw)
	if err != nil {
		return err
	}
	if c.tx.Bucket(bucketExpiry).Get(expiryKey(request.expiry, key)) == nil {
		return fmt.Errorf("request id %q has no expiry: %w", key, errDamaged)
	}
	c.found.Requests++
	return nil
}

// expiryEntry demands that each expiry belongs to a request id.
func (c *checker) expiryEntry(at, _ []byte) error {
	if len(at) < 8 || c.tx.Bucket(bucketRequests).Get(at[8:]) == nil {
		return fmt.Errorf("expiry %x belongs to no request id: %w", at, errDamaged)
	}
	return nil
}

var _ store.BackerUp = (*Store)(nil)

// scratchName is a copy that is being taken, the star being random. Its name is
// removed at once, so that nothing is left of it whatever happens.
const scratchName = "store.db.copy-*"

// BackUp implements store.BackerUp. The copy lies beside the store, where it takes
// as much room again until it is closed: a reader of the file itself would keep
// writers waiting as soon as the file has to grow, for as long as the reader takes.
func (s *Store) BackUp(ctx context.Context) (store.Snapshot, error) {
	if err := s.usable(ctx); err != nil {
		return store.Snapshot{}, err
	}
	file, err := os.CreateTemp(s.dir, scratchName) // mode 0600
	if err != nil {
		return store.Snapshot{}, fmt.Errorf("store %s: backup: %w", s.dir, err)
	}
	snapshot := store.Snapshot{Place: store.Place{Epoch: s.epoch}, Content: file}
	err = os.Remove(file.Name())
	if err == nil {
		err = s.view(ctx, func(tx *bbolt.Tx) (err error) {
			if snapshot.Place.Version, err = lastVersion(tx); err != nil {
				return err
			}
			snapshot.Size, err = tx.WriteTo(&cancelWriter{ctx: ctx, to: file})
			return err
		})
	}
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return store.Snapshot{}, errors.Join(fmt.Errorf("store %s: backup: %w", s.dir, err), file.Close())
	}
	return snapshot, nil
}

// cancelWriter stops a long copy when its context ends.
type cancelWriter struct {
	ctx context.Context //nolint:containedctx // lives for one call
	to  io.Writer
}

// Write implements io.Writer.
func (c *cancelWriter) Write(part []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.to.Write(part)
}

// Restore makes a store from a backup, in a directory that must be empty or
// missing; a store that another process makes there meanwhile is left alone and
// an error. The store gets a new epoch, since what happened after the backup is
// gone and its versions will be given again.
func Restore(backup io.Reader, dir string) error {
	if err := makeDir(dir); err != nil {
		return err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("store %s: restore: %w", dir, err)
	}
	if len(entries) > 0 {
		return fmt.Errorf("store %s: restore: the directory is not empty", dir)
	}
	fresh, err := fill(dir, backup)
	if err == nil {
		err = adopt(dir, fresh)
	}
	if err == nil {
		err = publish(dir, fresh)
	}
	if errors.Is(err, fs.ErrExist) {
		err = fmt.Errorf("another process made a store there meanwhile, which stays as it is: %w", err)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("store %s: restore: %w", dir, err), discard(fresh))
	}
	return nil
}

// fill copies the backup into a new file, whose path it returns even where that
// fails.
func fill(dir string, backup io.Reader) (path string, err error) {
	f, err := os.CreateTemp(dir, restoredName) // mode 0600
	if err != nil {
		return filepath.Join(dir, restoredName), err
	}
	_, err = io.Copy(f, backup)
	return f.Name(), errors.Join(err, f.Sync(), f.Close())
}

// adopt checks a copied file and gives it a new epoch.
func adopt(dir, path string) error {
	db, err := openBolt(dir, path, false)
	if err != nil {
		return err
	}
	err = db.View(func(tx *bbolt.Tx) error {
		_, err := checkAll(tx)
		return err
	})
	if err == nil {
		err = db.Update(renew)
	}
	return errors.Join(err, db.Close())
}
