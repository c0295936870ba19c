package embedded_test

import (
	"strconv"
	"testing"
	"time"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/storetest"
)

func TestConformance(t *testing.T) {
	t.Parallel()
	storetest.Run(t, func(t *testing.T, now func() time.Time) (store.Store, func() store.Store) {
		t.Helper()
		dir := t.TempDir()
		s := embeddedtest.Open(t, dir, embedded.Options{Now: now})
		return s, func() store.Store {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = embeddedtest.Open(t, dir, embedded.Options{Now: now})
			return s
		}
	})
}

// TestLargeAnswersAreCut: the case that ChangesCutShortGoOn is about does happen
// here, so that nobody reads a short answer as the last one.
func TestLargeAnswersAreCut(t *testing.T) {
	t.Parallel()
	const count = 40
	s := embeddedtest.Open(t, t.TempDir(), embedded.Options{NoSync: true})
	changes := make([]store.Change, count)
	for i := range changes {
		changes[i].Puts = []store.Put{{Key: crashKey(strconv.Itoa(i)), Value: make([]byte, store.MaxValue)}}
	}
	if _, err := s.Apply(t.Context(), changes...); err != nil {
		t.Fatal(err)
	}
	news, err := s.Changes(t.Context(), 0, count)
	if err != nil || len(news) == 0 || len(news) == count {
		t.Errorf("an answer held %d of %d records of full size, %v", len(news), count, err)
	}
}
