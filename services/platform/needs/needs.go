// Package needs says when a test may be skipped: where the machine cannot do
// what it needs, or, outside of continuous integration, where a tool is missing.
// Elsewhere a skipped test would look like a passed one.
package needs

import (
	"errors"
	"os"
	"os/exec"
	"slices"
	"strings"
	"syscall"
	"testing"
)

const (
	// CI is set to "true" where the tests run unattended; what is missing there is
	// then a failure.
	CI = "CI"
	// MaySkip lists, with commas between, the tests that may be skipped even so.
	MaySkip = "BELTWRIGHT_MAY_SKIP"
)

// Root demands to run as root.
func Root(tb testing.TB, test string) {
	tb.Helper()
	if os.Geteuid() != 0 {
		Missing(tb, test, "root")
	}
}

// Tools demands programs.
func Tools(tb testing.TB, test string, tools ...string) {
	tb.Helper()
	for _, tool := range tools {
		if _, err := exec.LookPath(tool); err != nil {
			Missing(tb, test, tool)
		}
	}
}

// Missing ends a test that lacks what somebody could install or grant: skipped,
// or failed under CI unless MaySkip names the test.
func Missing(tb testing.TB, test, what string) {
	tb.Helper()
	if os.Getenv(CI) == "true" && !slices.Contains(strings.Split(os.Getenv(MaySkip), ","), test) {
		tb.Fatalf("%s needs %s; install it, or name %s in %s", test, what, test, MaySkip)
	}
	tb.Skipf("%s needs %s", test, what)
}

// Capable goes on where err is nil, skips a test of something that this machine
// cannot do or does not allow (see Cannot), and fails it for any other error.
func Capable(tb testing.TB, test, what string, err error) {
	tb.Helper()
	switch {
	case err == nil:
	case Cannot(err):
		tb.Skipf("%s needs %s, which this machine cannot do or does not allow: %v", test, what, err)
	default:
		tb.Fatalf("%s: %s: %v", test, what, err)
	}
}

// Cannot tells whether the kernel lacks or forbids something, as containers do
// with file systems and devices.
func Cannot(err error) bool {
	return slices.ContainsFunc([]error{
		syscall.EPERM, syscall.EACCES, syscall.ENOSYS, syscall.ENOTTY, syscall.EOPNOTSUPP, syscall.ENODEV, syscall.ENXIO, syscall.ENOENT,
	}, func(errno error) bool { return errors.Is(err, errno) })
}
