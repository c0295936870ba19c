package cli

import (
	"testing"
	"time"
)

// TestWholeSeconds: a wait is told in whole seconds, never too short.
func TestWholeSeconds(t *testing.T) {
	t.Parallel()
	for wait, want := range map[time.Duration]time.Duration{
		0: 0, 1: time.Second, time.Second: time.Second, 1001 * time.Millisecond: 2 * time.Second,
		56*time.Minute + 59023489788: 57 * time.Minute,
	} {
		if got := wholeSeconds(wait); got != want {
			t.Errorf("%s becomes %s, wanted %s", wait, got, want)
		}
	}
}
