package embedded_test

import (
	"testing"
	"time"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/storetest"
)

func TestConformance(t *testing.T) {
	t.Parallel()
	storetest.Run(t, func(t *testing.T, now func() time.Time) (store.Store, func() store.Store) {
		t.Helper()
		dir := t.TempDir()
		s := open(t, dir, embedded.Options{Now: now})
		return s, func() store.Store {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir, embedded.Options{Now: now})
			return s
		}
	})
}

// open opens a store and closes it when the test ends.
func open(t *testing.T, dir string, options embedded.Options) *embedded.Store {
	t.Helper()
	s, err := embedded.Open(dir, options)
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
