package embedded_test

import (
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

// formless makes a store that looks as the first releases wrote it: file format 1
// without a form, and records of record format 1.
func formless(t *testing.T) string {
	t.Helper()
	dir := filled(t)
	alter(t, dir, func(tx *bbolt.Tx) error {
		meta := tx.Bucket([]byte("meta"))
		if err := errors.Join(meta.Put([]byte("format"), binary.BigEndian.AppendUint64(nil, 1)), meta.Delete([]byte("form"))); err != nil {
			return err
		}
		return eachRecord(tx, func(raw []byte) []byte { return append([]byte{1}, raw[2:]...) })
	})
	return dir
}

// eachRecord rewrites every entry of the log.
func eachRecord(tx *bbolt.Tx, change func(raw []byte) []byte) error {
	log := tx.Bucket([]byte("log"))
	changed := make(map[string][]byte)
	if err := log.ForEach(func(at, raw []byte) error {
		changed[string(at)] = change(raw)
		return nil
	}); err != nil {
		return err
	}
	for at, raw := range changed {
		if err := log.Put([]byte(at), raw); err != nil {
			return err
		}
	}
	return nil
}

// TestRecordsOfTheFirstReleases: they are read as they are, have no form until
// they are written again, and the file is from then on this release's.
func TestRecordsOfTheFirstReleases(t *testing.T) {
	t.Parallel()
	dir := formless(t)
	before, err := embedded.Check(dir)
	if err != nil {
		t.Fatal(err)
	}
	s := embeddedtest.Open(t, dir, embedded.Options{})
	found, err := s.Changes(t.Context(), 0, 1000)
	if err != nil || len(found) != before.Records || before.Records == 0 {
		t.Fatalf("%d of %d records, %v", len(found), before.Records, err)
	}
	for _, record := range found {
		if record.Form != 0 || len(record.Value) == 0 {
			t.Errorf("%v: form %d, value %q", record.Key, record.Form, record.Value)
		}
	}
	renewed := store.Put{Key: found[0].Key, Expect: found[0].Version, Value: []byte("anew")}
	if applied, err := s.Apply(t.Context(), store.Change{Puts: []store.Put{renewed}}); err != nil || applied[0].Err != nil {
		t.Fatal(applied, err)
	}
	if got, err := s.Get(t.Context(), found[0].Key); err != nil || got.Form != store.Form || string(got.Value) != "anew" {
		t.Errorf("written again: %+v, %v", got, err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if after, err := embedded.Check(dir); err != nil || after.Records != before.Records {
		t.Errorf("%+v, %v", after, err)
	}
	alter(t, dir, func(tx *bbolt.Tx) error {
		if got := binary.BigEndian.Uint64(tx.Bucket([]byte("meta")).Get([]byte("format"))); got != 2 {
			t.Errorf("the file is of format %d: an earlier release would not refuse it", got)
		}
		return nil
	})
}

// TestABackupOfTheFirstReleasesIsRestored, and read as the store itself would be.
func TestABackupOfTheFirstReleasesIsRestored(t *testing.T) {
	t.Parallel()
	backup, err := os.Open(filepath.Join(formless(t), "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer backup.Close() //nolint:errcheck // only read
	dir := filepath.Join(t.TempDir(), "restored")
	if err := embedded.Restore(backup, dir); err != nil {
		t.Fatal(err)
	}
	found, err := embeddedtest.Open(t, dir, embedded.Options{}).Changes(t.Context(), 0, 1)
	if err != nil || len(found) != 1 || found[0].Form != 0 || len(found[0].Value) == 0 {
		t.Errorf("%+v, %v", found, err)
	}
}

// TestFormsOfNewerReleasesAreRefused, when the file is opened and, should one be
// met all the same, where it is read.
func TestFormsOfNewerReleasesAreRefused(t *testing.T) {
	t.Parallel()
	t.Run("file", func(t *testing.T) {
		t.Parallel()
		dir := filled(t)
		alter(t, dir, func(tx *bbolt.Tx) error {
			return tx.Bucket([]byte("meta")).Put([]byte("form"), binary.BigEndian.AppendUint64(nil, store.Form+1))
		})
		if _, err := embedded.Open(dir, embedded.Options{}); !errors.Is(err, store.ErrNewer) || !strings.Contains(err.Error(), "use that release or a backup") {
			t.Errorf("Open: %v", err)
		}
		if _, err := embedded.Check(dir); !errors.Is(err, store.ErrNewer) {
			t.Errorf("Check: %v", err)
		}
	})
	for name, change := range map[string]func(raw []byte) []byte{
		"form":          func(raw []byte) []byte { return append([]byte{raw[0], store.Form + 1}, raw[2:]...) },
		"record format": func(raw []byte) []byte { return append([]byte{3}, raw[1:]...) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := filled(t)
			alter(t, dir, func(tx *bbolt.Tx) error { return eachRecord(tx, change) })
			s := embeddedtest.Open(t, dir, embedded.Options{})
			if _, err := s.Changes(t.Context(), 0, 1); !errors.Is(err, store.ErrNewer) || !strings.Contains(err.Error(), "reads up to") {
				t.Errorf("Changes: %v", err)
			}
		})
	}
}
