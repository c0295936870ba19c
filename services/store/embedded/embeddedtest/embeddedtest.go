// Package embeddedtest opens embedded stores for the time of a test.
package embeddedtest

import (
	"testing"

	"beltwright.example/services/store/embedded"
)

// Open opens the store in a directory and closes it when the test ends.
func Open(tb testing.TB, dir string, options embedded.Options) *embedded.Store {
	tb.Helper()
	s, err := embedded.Open(dir, options)
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() {
		if err := s.Close(); err != nil {
			tb.Error(err)
		}
	})
	return s
}
