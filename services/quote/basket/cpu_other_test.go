//go:build !linux

package basket_test

import (
	"testing"
	"time"
)

// worked returns how much time passes from now on: no call that all systems have
// tells what a thread has computed.
func worked(t *testing.T) func() time.Duration {
	t.Helper()
	began := time.Now()
	return func() time.Duration { return time.Since(began) }
}
