package cli_test

import (
	"path/filepath"
	"strings"
	"testing"
)

// TestNoStoreIsNoDamage: a directory without a store is told apart from a damaged one.
func TestNoStoreIsNoDamage(t *testing.T) {
	t.Parallel()
	for _, folder := range []string{t.TempDir(), filepath.Join(t.TempDir(), "none")} {
		code, _, errs := run(t, "", "store", "check", folder)
		if code == 0 || !strings.Contains(errs, "there is no store in "+folder) || strings.Contains(errs, "damaged") {
			t.Errorf("exit %d, %q", code, errs)
		}
	}
}
