package embedded

import (
	"errors"
	"syscall"
	"testing"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
)

func brokenKey(id string) store.Key { return store.Key{Tenant: "a", Kind: "k", ID: id} }

func brokenPut(id string) store.Change {
	return store.Change{Tenant: "a", RequestID: id, Puts: []store.Put{{Key: brokenKey(id), Value: []byte(id)}}}
}

// mustApply applies one change and returns its version.
func mustApply(t *testing.T, s *Store, c store.Change) int64 {
	t.Helper()
	got, err := s.Apply(t.Context(), c)
	if err != nil || got[0].Err != nil || len(got[0].Versions) != 1 {
		t.Fatalf("Apply: %+v, %v", got, err)
	}
	return got[0].Versions[0]
}

// TestAFailedCommitStopsTheStore lets a commit fail as bbolt does where only the
// last fsync fails: what it wrote can be read all the same.
func TestAFailedCommitStopsTheStore(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	mustApply(t, s, brokenPut("1"))
	waiting := make(chan error, 1)
	go func() { waiting <- s.Wait(t.Context(), 1<<40) }()
	faults := 1 // the disk works again afterwards, which must not matter
	s.update = func(fn func(*bbolt.Tx) error) error {
		err := s.db.Update(fn)
		if faults--; faults >= 0 {
			err = errors.Join(err, syscall.EIO)
		}
		return err
	}
	if _, err := s.Apply(t.Context(), brokenPut("2")); !errors.Is(err, store.ErrBroken) || !errors.Is(err, syscall.EIO) {
		t.Errorf("the commit that failed: %v", err)
	}
	if err := <-waiting; !errors.Is(err, store.ErrBroken) {
		t.Errorf("a waiter got %v", err)
	}
	ctx := t.Context()
	for name, call := range map[string]func() error{
		"Get":     func() error { _, err := s.Get(ctx, brokenKey("1")); return err },
		"List":    func() error { _, err := s.List(ctx, "a", "k", "", 1); return err },
		"Apply":   func() error { _, err := s.Apply(ctx, brokenPut("3")); return err },
		"Seen":    func() error { _, err := s.Seen(ctx, "a", "1", [32]byte{}); return err },
		"Changes": func() error { _, err := s.Changes(ctx, 0, 1); return err },
		"Wait":    func() error { return s.Wait(ctx, 0) },
		"Place":   func() error { _, err := s.Place(ctx); return err },
		"Now":     func() error { _, err := s.Now(ctx); return err },
		"BackUp":  func() error { _, err := s.BackUp(ctx); return err },
	} {
		if err := call(); !errors.Is(err, store.ErrBroken) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	versionsAfterReopening(t, dir)
}

// versionsAfterReopening demands that the change with the open outcome, which
// happened here, keeps its version, and that the next one gets another.
func versionsAfterReopening(t *testing.T, dir string) {
	t.Helper()
	s, err := Open(dir, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close() //nolint:errcheck // what is tested is over
	if version := mustApply(t, s, brokenPut("4")); version != 3 {
		t.Errorf("the next change has version %d, want 3", version)
	}
	news, err := s.Changes(t.Context(), 0, 10)
	if err != nil || len(news) != 3 {
		t.Fatalf("%d records, %v; want 3", len(news), err)
	}
	for i, id := range []string{"1", "2", "4"} {
		if news[i].Key.ID != id || string(news[i].Value) != id || news[i].Version != int64(i)+1 {
			t.Errorf("record %s reads back as %+v", id, news[i])
		}
	}
}

// TestCallsBehindAFailedCommitFail: they were waiting when the store stopped.
func TestCallsBehindAFailedCommitFail(t *testing.T) {
	t.Parallel()
	s, err := Open(t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close() //nolint:errcheck // what is tested is over
	const callers = 16
	begun, answers := make(chan struct{}), make(chan error, callers)
	s.update = func(func(*bbolt.Tx) error) error {
		<-begun
		return syscall.ENOSPC
	}
	for i := range callers {
		go func() {
			_, err := s.Apply(t.Context(), brokenPut(string(rune('a'+i))))
			answers <- err
		}()
	}
	close(begun)
	for range callers {
		if err := <-answers; !errors.Is(err, store.ErrBroken) || !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("got %v", err)
		}
	}
}

// TestVersionsComeFromTheFile: what is in memory may be behind it.
func TestVersionsComeFromTheFile(t *testing.T) {
	t.Parallel()
	s, err := Open(t.TempDir(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close() //nolint:errcheck // what is tested is over
	first := mustApply(t, s, brokenPut("1"))
	s.version.Store(0)
	if second := mustApply(t, s, brokenPut("2")); second != first+1 {
		t.Errorf("versions %d and %d", first, second)
	}
	if found, err := s.Get(t.Context(), brokenKey("1")); err != nil || string(found.Value) != "1" {
		t.Errorf("record 1 reads back as %+v, %v", found, err)
	}
}
