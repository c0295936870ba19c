package basket_test

import (
	"runtime"
	"syscall"
	"testing"
	"time"
)

// worked returns how long the calling goroutine computes from now on: the time of its
// thread, which it keeps to the test's end, so that what else a machine does counts
// little.
func worked(t *testing.T) func() time.Duration {
	t.Helper()
	runtime.LockOSThread()
	t.Cleanup(runtime.UnlockOSThread)
	sofar := func() time.Duration {
		var usage syscall.Rusage
		if err := syscall.Getrusage(syscall.RUSAGE_THREAD, &usage); err != nil {
			t.Fatal(err)
		}
		return time.Duration(usage.Utime.Nano() + usage.Stime.Nano())
	}
	began := sofar()
	return func() time.Duration { return sofar() - began }
}
