package check_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestUsers: every unit's user is made, and systemd-sysusers understands the file.
func TestUsers(t *testing.T) {
	t.Parallel()
	users := read(t, "systemd/sysusers.conf")
	for name, text := range units(t) {
		for line := range strings.Lines(text) {
			if user, ok := strings.CutPrefix(strings.TrimSpace(line), "User="); ok && !strings.Contains(users, "u "+user+" ") {
				t.Errorf("%s: nothing makes the user %s", name, user)
			}
		}
	}
	needs(t, "systemd-sysusers", "systemd")
	for name, text := range map[string]string{"": users, "control": users + "user beltwright\n"} {
		file := filepath.Join(t.TempDir(), "beltwright.conf")
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		root := t.TempDir()
		if err := os.Mkdir(filepath.Join(root, "etc"), 0o755); err != nil {
			t.Fatal(err)
		}
		said, err := exec.CommandContext(t.Context(), "systemd-sysusers", "--root="+root, file).CombinedOutput()
		if name == "" && err != nil {
			t.Errorf("%v: %s", err, said)
		}
		if name != "" && err == nil {
			t.Errorf("%s: a wrong line was taken", name)
		}
	}
}
