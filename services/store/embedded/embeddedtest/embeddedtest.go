// Package embeddedtest opens embedded stores for the time of a test.
package embeddedtest

import (
	"testing"

	"beltwright.example/services/store/embedded"
)

// Open opens the store in a directory and closes it when the test ends.
func Open(t testing.TB, dir string, options embedded.Options) *embedded.Store {
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
