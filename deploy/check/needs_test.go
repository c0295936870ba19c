package check_test

import (
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// needs skips a test whose program is missing, naming it; where CI is set, the test
// fails instead, unless BELTWRIGHT_MAY_SKIP names what the program comes with.
func needs(t *testing.T, program, from string) {
	t.Helper()
	if _, err := exec.LookPath(program); err == nil {
		return
	}
	if os.Getenv("CI") != "" && !slices.Contains(strings.Split(os.Getenv("BELTWRIGHT_MAY_SKIP"), ","), from) {
		t.Fatalf("%s is missing; it comes with %s", program, from)
	}
	t.Skipf("%s is missing; it comes with %s", program, from)
}
