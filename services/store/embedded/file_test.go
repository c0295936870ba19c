package embedded_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

// fill writes some records, over each other too, and one request id each.
func fill(t *testing.T, s store.Store, count int) {
	t.Helper()
	changes := make([]store.Change, count)
	for i := range changes {
		changes[i] = store.Change{
			Tenant: "a", RequestID: fmt.Sprint("r", i), Answer: []byte("done"),
			Puts: []store.Put{{Key: crashKey(fmt.Sprint(i % 40)), Expect: store.Whatever, Value: fmt.Append(nil, i)}},
		}
	}
	got, err := s.Apply(t.Context(), changes...)
	if err != nil {
		t.Fatal(err)
	}
	for _, g := range got {
		if g.Err != nil {
			t.Fatal(g.Err)
		}
	}
}

// filled makes a closed store with 40 records and 100 request ids.
func filled(t *testing.T) (dir string) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "deep", "data")
	s, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		t.Fatal(err)
	}
	fill(t, s, 100)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

// alter changes a closed store's file behind its back.
func alter(t *testing.T, dir string, change func(tx *bbolt.Tx) error) {
	t.Helper()
	db, err := bbolt.Open(filepath.Join(dir, "store.db"), 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(db.Update(change), db.Close()); err != nil {
		t.Fatal(err)
	}
}

func TestFilesArePrivate(t *testing.T) {
	t.Parallel()
	dir := filled(t)
	for path, want := range map[string]fs.FileMode{
		dir: 0o700 | fs.ModeDir, filepath.Dir(dir): 0o700 | fs.ModeDir, filepath.Join(dir, "store.db"): 0o600,
	} {
		info, err := os.Stat(path)
		if err != nil || info.Mode() != want {
			t.Errorf("%s: %v, %v; want %v", path, info.Mode(), err, want)
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil || len(entries) != 1 {
		t.Errorf("the directory holds %v, %v", entries, err)
	}
}

func TestDirectoriesThatCannotBeUsed(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	file := filepath.Join(dir, "file")
	if err := os.WriteFile(file, []byte("something"), 0o600); err != nil {
		t.Fatal(err)
	}
	foreign := filepath.Join(dir, "foreign")
	if err := os.MkdirAll(foreign, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(foreign, "store.db"), bytes.Repeat([]byte("no store "), 2000), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, path := range map[string]string{
		"no name": "", "a file": file, "below a file": filepath.Join(file, "data"),
		"read-only": "/proc", "read-only above": "/proc/data", "foreign file": foreign,
	} {
		s, err := embedded.Open(path, embedded.Options{})
		if err == nil {
			t.Errorf("%s: opened", name)
			if err := s.Close(); err != nil {
				t.Error(err)
			}
			continue
		}
		if !strings.Contains(err.Error(), path) || !strings.HasPrefix(err.Error(), "store") {
			t.Errorf("%s: the error does not say where: %v", name, err)
		}
	}
}

func TestASecondOpenIsRefused(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := embeddedtest.Open(t, dir, embedded.Options{})
	fill(t, s, 1)
	_, err := embedded.Open(dir, embedded.Options{})
	if !errors.Is(err, store.ErrInUse) || !strings.Contains(err.Error(), dir) {
		t.Errorf("got %v", err)
	}
	if _, err := embedded.Check(dir); !errors.Is(err, store.ErrInUse) {
		t.Errorf("Check: %v", err)
	}
}

func TestFormatsOfOtherReleases(t *testing.T) {
	t.Parallel()
	for format, want := range map[uint64]string{0: "damaged", 3: "newer release (format 3;", 1 << 63: "damaged"} {
		dir := filled(t)
		alter(t, dir, func(tx *bbolt.Tx) error {
			return tx.Bucket([]byte("meta")).Put([]byte("format"), binary.BigEndian.AppendUint64(nil, format))
		})
		for name, try := range map[string]func() error{
			"Open":  func() error { _, err := embedded.Open(dir, embedded.Options{}); return err },
			"Check": func() error { _, err := embedded.Check(dir); return err },
		} {
			if err := try(); err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("format %d: %s: %v", format, name, err)
			}
		}
	}
}

func TestEpochsDiffer(t *testing.T) {
	t.Parallel()
	one, err := embeddedtest.Open(t, t.TempDir(), embedded.Options{}).Place(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	two, err := embeddedtest.Open(t, t.TempDir(), embedded.Options{}).Place(t.Context())
	if err != nil || one.Epoch == two.Epoch || len(one.Epoch) < 16 {
		t.Errorf("epochs %q and %q, %v", one.Epoch, two.Epoch, err)
	}
}

func TestCheckFindsDamage(t *testing.T) {
	t.Parallel()
	if got, err := embedded.Check(filled(t)); err != nil || got != (embedded.Contents{Records: 40, Requests: 100, Version: 100}) {
		t.Fatalf("a good store: %+v, %v", got, err)
	}
	if _, err := embedded.Check(t.TempDir()); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("an empty directory: %v", err)
	}
	at := binary.BigEndian.AppendUint64(nil, 100)
	for name, damage := range map[string]func(tx *bbolt.Tx) error{
		"record gone":      func(tx *bbolt.Tx) error { return tx.Bucket([]byte("log")).Delete(at) },
		"record cut short": func(tx *bbolt.Tx) error { return tx.Bucket([]byte("log")).Put(at, []byte{2, 1, 200}) },
		"unknown record":   func(tx *bbolt.Tx) error { return tx.Bucket([]byte("log")).Put(at, []byte{0, 1, 1}) },
		"strange version":  func(tx *bbolt.Tx) error { return tx.Bucket([]byte("log")).Put([]byte("x"), []byte{2, 1, 0}) },
		"record twice": func(tx *bbolt.Tx) error {
			l := tx.Bucket([]byte("log"))
			return l.Put(append(at[:7:7], 200), l.Get(at))
		},
		"key gone":          func(tx *bbolt.Tx) error { return tx.Bucket([]byte("keys")).Delete([]byte("crash\x00row\x001")) },
		"key astray":        func(tx *bbolt.Tx) error { return tx.Bucket([]byte("keys")).Put([]byte("crash\x00row\x001"), at) },
		"request cut short": func(tx *bbolt.Tx) error { return tx.Bucket([]byte("requests")).Put([]byte("a\x00r1"), []byte("x")) },
		"request gone":      func(tx *bbolt.Tx) error { return tx.Bucket([]byte("requests")).Delete([]byte("a\x00r1")) },
		"expiries gone": func(tx *bbolt.Tx) error {
			if err := tx.DeleteBucket([]byte("expiry")); err != nil {
				return err
			}
			_, err := tx.CreateBucket([]byte("expiry"))
			return err
		},
		"bucket gone": func(tx *bbolt.Tx) error { return tx.DeleteBucket([]byte("requests")) },
	} {
		dir := filled(t)
		alter(t, dir, damage)
		_, err := embedded.Check(dir)
		if err == nil || !strings.Contains(err.Error(), "damaged") {
			t.Errorf("%s: %v", name, err)
		} else if lines := strings.Count(err.Error(), "\n"); lines > 25 {
			t.Errorf("%s: %d lines", name, lines)
		}
	}
}

// TestDamagedFiles demands an error, not a crash, for files whose pages are gone
// but whose first two still say what the file is.
func TestDamagedFiles(t *testing.T) {
	t.Parallel()
	good := filled(t)
	raw, err := os.ReadFile(filepath.Join(good, "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	page := os.Getpagesize()
	emptied := bytes.Clone(raw)
	clear(emptied[2*page:])
	noise := bytes.Clone(raw)
	for i := 2 * page; i < len(noise); i++ {
		noise[i] ^= byte(i * 7)
	}
	for name, content := range map[string][]byte{
		"emptied": emptied, "noise": noise, "cut short": raw[:3*page], "cut within its head": raw[:page+100],
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "store.db"), content, 0o600); err != nil {
			t.Fatal(err)
		}
		if got, err := embedded.Check(dir); err == nil {
			t.Errorf("%s: Check passed: %+v", name, got)
		}
		if _, err := embedded.Open(dir, embedded.Options{}); err == nil || !strings.Contains(err.Error(), dir) {
			t.Errorf("%s: Open: %v", name, err)
		}
	}
}

func TestBackupAndRestore(t *testing.T) {
	t.Parallel()
	s := embeddedtest.Open(t, t.TempDir(), embedded.Options{})
	fill(t, s, 100)
	place, err := s.Place(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	copied, of := backUp(t, s)
	if of != place {
		t.Errorf("a copy of %+v, want %+v", of, place)
	}
	fill(t, s, 1) // after the backup; a repeat, changes nothing
	dir := filepath.Join(t.TempDir(), "restored")
	if err := embedded.Restore(bytes.NewReader(copied), dir); err != nil {
		t.Fatal(err)
	}
	if got, err := embedded.Check(dir); err != nil || got.Records != 40 || got.Requests != 100 {
		t.Errorf("got %+v, %v", got, err)
	}
	restored := embeddedtest.Open(t, dir, embedded.Options{})
	got, err := restored.Place(t.Context())
	if err != nil || got.Version != place.Version || got.Epoch == place.Epoch {
		t.Errorf("restored at %+v from %+v, %v", got, place, err)
	}
	want, err := s.Changes(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	news, err := restored.Changes(t.Context(), 0, 1000)
	if err != nil || len(news) != len(want) {
		t.Fatalf("%d records, %v; want %d", len(news), err, len(want))
	}
	for i := range want {
		if news[i].Key != want[i].Key || !bytes.Equal(news[i].Value, want[i].Value) || news[i].Version != want[i].Version {
			t.Errorf("got %+v, want %+v", news[i], want[i])
		}
	}
	if err := embedded.Restore(bytes.NewReader(copied), dir); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("into a used directory: %v", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.BackUp(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("a cancelled backup: %v", err)
	}
}

func TestRestoreRefusesWhatIsNoBackup(t *testing.T) {
	t.Parallel()
	whole, err := os.ReadFile(filepath.Join(filled(t), "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	for name, backup := range map[string][]byte{
		"text":      []byte(strings.Repeat("this is no backup\n", 1000)),
		"empty":     {},
		"cut short": whole[:len(whole)/3],
	} {
		dir := filepath.Join(t.TempDir(), "restored")
		if err := embedded.Restore(bytes.NewReader(backup), dir); err == nil {
			t.Errorf("%s: restored", name)
		}
		if entries, err := os.ReadDir(dir); err != nil || len(entries) != 0 {
			t.Errorf("%s: left %v behind, %v", name, entries, err)
		}
	}
}

// intruder opens a store in the directory while a backup is read.
type intruder struct {
	io.Reader

	intrude func()
}

// Read implements io.Reader.
func (i *intruder) Read(into []byte) (int, error) {
	n, err := i.Reader.Read(into[:min(len(into), 8<<10)])
	if i.intrude != nil {
		i.intrude()
		i.intrude = nil
	}
	return n, err
}

// TestRestoreReplacesNoStore lets a server make its store while a backup is
// restored: the server's records stay, and the restore says that it failed.
func TestRestoreReplacesNoStore(t *testing.T) {
	t.Parallel()
	whole, err := os.ReadFile(filepath.Join(filled(t), "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	for name, keep := range map[string]bool{"running": true, "closed again": false} {
		dir := filepath.Join(t.TempDir(), "restored")
		var s *embedded.Store
		backup := &intruder{Reader: bytes.NewReader(whole), intrude: func() {
			if s, err = embedded.Open(dir, embedded.Options{}); err != nil {
				t.Fatal(err)
			}
			fill(t, s, 1)
			if !keep {
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
			}
		}}
		err := embedded.Restore(backup, dir)
		if !errors.Is(err, fs.ErrExist) || !strings.Contains(err.Error(), "another process made a store there") {
			t.Errorf("%s: Restore: %v", name, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
		if got, err := embedded.Check(dir); err != nil || got.Records != 1 {
			t.Errorf("%s: the server's store holds %+v, %v", name, got, err)
		}
		if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
			t.Errorf("%s: the directory holds %v, %v", name, entries, err)
		}
	}
}
