package embedded_test

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

// backUp takes a copy and reads it.
func backUp(t *testing.T, s store.BackerUp) ([]byte, store.Place) {
	t.Helper()
	snapshot, err := s.BackUp(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	content, err := io.ReadAll(snapshot.Content)
	if err := errors.Join(err, snapshot.Content.Close()); err != nil || int64(len(content)) != snapshot.Size {
		t.Fatalf("%d bytes of %d, %v", len(content), snapshot.Size, err)
	}
	return content, snapshot.Place
}

// TestABackupUnderWritesHasEverythingFromBefore copies a store while eight writers
// write: what was acknowledged before the copy began is in it, it is sound, and
// nothing of it lies in the store's directory afterwards.
func TestABackupUnderWritesHasEverythingFromBefore(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := embeddedtest.Open(t, dir, embedded.Options{})
	load := startLoad(t, s)
	for round := range 5 {
		load.reaches(200 * (round + 1))
		before := load.acknowledged()
		content, place := backUp(t, s)
		restored := filepath.Join(t.TempDir(), "restored")
		if err := embedded.Restore(bytes.NewReader(content), restored); err != nil {
			t.Fatal(err)
		}
		contents, err := embedded.Check(restored)
		if err != nil || contents.Version != place.Version {
			t.Errorf("the copy of %+v: %+v, %v", place, contents, err)
		}
		if missing := missingIn(t, restored, before); missing > 0 {
			t.Errorf("round %d: %d of %d acknowledged changes are missing", round, missing, len(before))
		}
	}
	load.end()
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 1 {
		t.Errorf("beside the store lie %v, %v", left, err)
	}
}

// TestAPlainCopyOfAFileInUseIsBroken is the control of the test above: the store's
// file copied block by block, as a program that knows nothing of it does, with
// writes going on.
func TestAPlainCopyOfAFileInUseIsBroken(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	s := embeddedtest.Open(t, dir, embedded.Options{})
	load := startLoad(t, s)
	load.reaches(500)
	before := load.acknowledged()
	copied := filepath.Join(t.TempDir(), "copied")
	if err := os.Mkdir(copied, 0o700); err != nil {
		t.Fatal(err)
	}
	plainCopy(t, filepath.Join(dir, "store.db"), filepath.Join(copied, "store.db"), load)
	load.end()
	if contents, err := embedded.Check(copied); err == nil {
		if missing := missingIn(t, copied, before); missing == 0 {
			t.Errorf("the plain copy is whole and sound (%+v): the test above proves nothing", contents)
		}
	}
}

// plainCopy copies a file in eight parts, with writes between.
func plainCopy(t *testing.T, from, to string, load *load) {
	t.Helper()
	source, err := os.Open(from)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = source.Close() }()
	target, err := os.Create(to)
	if err != nil {
		t.Fatal(err)
	}
	info, err := source.Stat()
	if err != nil {
		t.Fatal(err)
	}
	for part := info.Size()/8 + 1; ; {
		n, err := io.CopyN(target, source, part)
		if n == 0 || (err != nil && !errors.Is(err, io.EOF)) {
			break
		}
		load.reaches(len(load.acknowledged()) + 50)
	}
	if err := target.Close(); err != nil {
		t.Fatal(err)
	}
}

// load is a number of writers that write until they are told to end.
type load struct {
	t       *testing.T
	stop    chan struct{}
	writers sync.WaitGroup

	mu    sync.Mutex
	grown *sync.Cond
	done  []string
}

func startLoad(t *testing.T, s store.Store) *load {
	t.Helper()
	l := &load{t: t, stop: make(chan struct{})}
	l.grown = sync.NewCond(&l.mu)
	for w := range 8 {
		l.writers.Go(func() {
			for i := 0; ; i++ {
				select {
				case <-l.stop:
					return
				default:
				}
				id := fmt.Sprintf("%d-%d", w, i)
				got, err := s.Apply(t.Context(), store.Change{Puts: []store.Put{
					{Key: crashKey(id), Value: crashValue(id)},
					{Key: crashKey(fmt.Sprintf("shared-%d", w)), Expect: store.Whatever, Value: crashValue(id)},
				}})
				if err == nil {
					err = got[0].Err
				}
				l.mu.Lock()
				if err != nil {
					t.Errorf("write %s: %v", id, err)
				}
				l.done = append(l.done, id)
				l.grown.Broadcast()
				l.mu.Unlock()
			}
		})
	}
	return l
}

// acknowledged are the changes that were acknowledged so far.
func (l *load) acknowledged() []string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return append([]string(nil), l.done...)
}

// reaches waits until so many changes are acknowledged.
func (l *load) reaches(n int) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.done) < n {
		l.grown.Wait()
	}
}

func (l *load) end() {
	close(l.stop)
	l.writers.Wait()
}

// missingIn counts the changes that a store does not have.
func missingIn(t *testing.T, dir string, ids []string) int {
	t.Helper()
	s, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		t.Logf("the copy does not open: %v", err)
		return len(ids)
	}
	defer func() { _ = s.Close() }()
	missing := 0
	for _, id := range ids {
		if record, err := s.Get(t.Context(), crashKey(id)); err != nil || !bytes.Equal(record.Value, crashValue(id)) {
			missing++
		}
	}
	return missing
}
