package embedded

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"

	"beltwright.example/services/store"
)

const (
	fileName = "store.db"
	// freshName is a file that is still being made. Only a complete one gets the
	// real name, so a power cut in the middle leaves nothing that cannot be
	// opened.
	freshName = "store.db.new"
	// restoredName is a file that a backup is copied into, the star being random:
	// no other process opens or removes it.
	restoredName = "store.db.restored-*"
	// lockWait is how long to wait for another process to let go.
	lockWait = time.Second
)

// openFile opens the directory's file, making both where they are missing.
func openFile(dir string, noSync bool) (*bbolt.DB, error) {
	if err := makeDir(dir); err != nil {
		return nil, err
	}
	path := filepath.Join(dir, fileName)
	_, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		err = makeFile(dir)
	}
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", dir, err)
	}
	return openBolt(dir, path, noSync)
}

func makeDir(dir string) error {
	if dir == "" {
		return errors.New("store: the directory's name is empty")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("store %s: cannot make the directory: %w", dir, err)
	}
	return nil
}

// openBolt opens one bbolt file and says in our words what can be wrong.
func openBolt(dir, path string, noSync bool) (*bbolt.DB, error) {
	if info, err := os.Stat(path); err == nil && info.Size() > 0 {
		if err := inspect(dir, path); err != nil {
			return nil, err
		}
	}
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{
		Timeout: lockWait, FreelistType: bbolt.FreelistMapType, NoFreelistSync: true,
		NoSync: noSync, NoGrowSync: noSync,
	})
	return db, openProblem(dir, err)
}

// inspect reads a file through before bbolt opens it for writing: bbolt answers
// a damaged page with a panic on a goroutine of its own, which would take the
// whole process down without a word on what to do.
func inspect(dir, path string) error {
	db, err := bbolt.Open(path, 0o600, &bbolt.Options{ReadOnly: true, Timeout: lockWait})
	if err != nil {
		return openProblem(dir, err)
	}
	if err := errors.Join(db.View(walk), db.Close()); err != nil {
		return fmt.Errorf("store %s: %w", dir, err)
	}
	return nil
}

// walk touches every page in use and turns what bbolt, or the memory behind a
// file cut short, has to say into an error.
func walk(tx *bbolt.Tx) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("%w (%v): restore a backup", errDamaged, fault)
		}
	}()
	read := crc32.NewIEEE() // any reader of every byte will do
	walkErr := tx.ForEach(func(_ []byte, bucket *bbolt.Bucket) error {
		return bucket.ForEach(func(key, value []byte) error {
			_, keyErr := read.Write(key)
			_, valueErr := read.Write(value)
			return errors.Join(keyErr, valueErr)
		})
	})
	if walkErr != nil {
		return fmt.Errorf("read through: %w", walkErr)
	}
	return nil
}

func openProblem(dir string, err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, bolterrors.ErrTimeout):
		return fmt.Errorf("%w: %s", store.ErrInUse, dir)
	case errors.Is(err, bolterrors.ErrInvalid), errors.Is(err, bolterrors.ErrChecksum),
		errors.Is(err, bolterrors.ErrVersionMismatch):
		return fmt.Errorf("store %s: %w: %w", dir, errDamaged, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("store %s: the directory or its file may not be written: %w", dir, err)
	default:
		return fmt.Errorf("store %s: %w", dir, err)
	}
}

// makeFile makes an empty store under the fresh name, complete and synced, and
// then gives it its real name, unless another process was faster.
func makeFile(dir string) error {
	fresh := filepath.Join(dir, freshName)
	db, err := openBolt(dir, fresh, false)
	if errors.Is(err, errDamaged) {
		// A power cut came while it was made; nothing was ever stored in it.
		if err := os.Remove(fresh); err != nil {
			return fmt.Errorf("remove an unfinished file: %w", err)
		}
		db, err = openBolt(dir, fresh, false)
	}
	if err != nil {
		return err
	}
	if err := errors.Join(db.Update(initialise), db.Close()); err != nil {
		return err
	}
	err = publish(dir, fresh)
	if errors.Is(err, fs.ErrExist) || errors.Is(err, fs.ErrNotExist) {
		// Another process named its file, or this very one, first.
		err = discard(fresh)
	}
	return err
}

// publish gives a complete file its real name. A link, unlike a rename, fails
// where the name is taken (fs.ErrExist), so it can never replace a store.
func publish(dir, fresh string) error {
	if err := os.Link(fresh, filepath.Join(dir, fileName)); err != nil {
		return fmt.Errorf("name the new file: %w", err)
	}
	if err := discard(fresh); err != nil {
		return err
	}
	return errors.Join(syncDir(dir), syncDir(filepath.Dir(dir)))
}

// discard removes a new file's first name.
func discard(fresh string) error {
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove the new file's first name: %w", err)
	}
	return nil
}

// syncDir makes the names in a directory durable.
func syncDir(dir string) error {
	f, err := os.Open(filepath.Clean(dir))
	if err != nil {
		return fmt.Errorf("sync directory: %w", err)
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("sync directory: %w", err)
	}
	return nil
}

// initialise makes the buckets and a new epoch, in a file that may have them.
func initialise(tx *bbolt.Tx) error {
	for _, name := range [][]byte{bucketMeta, bucketLog, bucketKeys, bucketRequests, bucketExpiry} {
		if _, err := tx.CreateBucketIfNotExists(name); err != nil {
			return fmt.Errorf("make bucket %s: %w", name, err)
		}
	}
	return errors.Join(writeFormat(tx), renew(tx))
}

// writeFormat says that what this release writes may be in the file.
func writeFormat(tx *bbolt.Tx) error {
	meta := tx.Bucket(bucketMeta)
	if err := errors.Join(meta.Put(metaFormat, encodeVersion(format)), meta.Put(metaForm, encodeVersion(store.Form))); err != nil {
		return fmt.Errorf("write format: %w", err)
	}
	return nil
}

// raise makes a file of an earlier release one of this release: from then on
// earlier ones refuse it, instead of meeting records that they cannot read. The
// records stay as they are.
func raise(db *bbolt.DB) error {
	var current bool
	err := db.View(func(tx *bbolt.Tx) error {
		meta := tx.Bucket(bucketMeta)
		current = bytes.Equal(meta.Get(metaFormat), encodeVersion(format)) && bytes.Equal(meta.Get(metaForm), encodeVersion(store.Form))
		return nil
	})
	if err != nil || current {
		return err
	}
	return db.Update(writeFormat)
}

// renew gives the store an epoch that no other has.
func renew(tx *bbolt.Tx) error {
	if err := tx.Bucket(bucketMeta).Put(metaEpoch, []byte(rand.Text())); err != nil {
		return fmt.Errorf("write epoch: %w", err)
	}
	return nil
}

// checkFormat refuses files that are not ours or are of a newer release.
func checkFormat(tx *bbolt.Tx) error {
	for _, name := range [][]byte{bucketMeta, bucketLog, bucketKeys, bucketRequests, bucketExpiry} {
		if tx.Bucket(name) == nil {
			return fmt.Errorf("bucket %s is missing: %w", name, errDamaged)
		}
	}
	found, err := decodeVersion(tx.Bucket(bucketMeta).Get(metaFormat))
	switch {
	case err != nil:
		return fmt.Errorf("format: %w", err)
	case found > format:
		return fmt.Errorf("%w (format %d; this release reads up to %d): use that release or a backup of this one", store.ErrNewer, found, format)
	case found < 1:
		return fmt.Errorf("format %d: %w", found, errDamaged)
	case found == 1:
		return nil // which had no form yet
	}
	return checkForm(tx)
}

// checkForm refuses a file in which a newer release may have written records that
// this one would misread.
func checkForm(tx *bbolt.Tx) error {
	found, err := decodeVersion(tx.Bucket(bucketMeta).Get(metaForm))
	switch {
	case err != nil:
		return fmt.Errorf("form: %w", err)
	case found > store.Form:
		return fmt.Errorf("%w (records of form %d; this release reads up to %d): use that release or a backup of this one", store.ErrNewer, found, store.Form)
	}
	return nil
}

// lastVersion returns the version of the latest change, 0 where there is none.
func lastVersion(tx *bbolt.Tx) (int64, error) {
	at, _ := tx.Bucket(bucketLog).Cursor().Last()
	if at == nil {
		return 0, nil
	}
	return decodeVersion(at)
}
