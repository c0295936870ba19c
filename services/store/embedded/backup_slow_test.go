package embedded

import (
	"context"
	"fmt"
	"testing"
	"time"

	"go.etcd.io/bbolt"

	"beltwright.example/services/store"
)

// grow writes enough for the file to have to grow several times.
func grow(ctx context.Context, s *Store) error {
	for i := range 48 {
		key := store.Key{Tenant: "grow", Kind: "row", ID: fmt.Sprint(i)}
		if _, err := s.Apply(ctx, store.Change{Puts: []store.Put{{Key: key, Expect: store.Whatever, Value: make([]byte, store.MaxValue)}}}); err != nil {
			return err
		}
	}
	return nil
}

func opened(t *testing.T) *Store {
	t.Helper()
	s, err := Open(t.TempDir(), Options{NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// TestABackupThatIsReadSlowlyHoldsNobodyUp takes a copy, reads none of it, and lets the
// file grow. The control reads the file itself instead, as a backup without a copy of
// its own would: writers wait for it to end.
func TestABackupThatIsReadSlowlyHoldsNobodyUp(t *testing.T) {
	t.Parallel()
	s := opened(t)
	snapshot, err := s.BackUp(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := grow(t.Context(), s); err != nil {
		t.Error(err)
	}
	if err := snapshot.Content.Close(); err != nil {
		t.Error(err)
	}

	control := opened(t)
	written := make(chan error, 1)
	err = control.db.View(func(*bbolt.Tx) error {
		go func() { written <- grow(t.Context(), control) }()
		select {
		case err := <-written:
			return fmt.Errorf("control: writers went on beside a reader of the file, %w", err)
		case <-time.After(time.Second):
			return nil
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := <-written; err != nil { // the reader has gone
		t.Error(err)
	}
}
