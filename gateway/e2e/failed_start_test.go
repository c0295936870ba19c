package e2e_test

import (
	"errors"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestFailedStartUsesNothingUp: whatever is wrong with a first start is said before there
// is a store and before a key is handed out, and a key that lies where one would be
// written stays. The control is the start that is right, which makes both.
func TestFailedStartUsesNothingUp(t *testing.T) {
	t.Parallel()
	busy, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = busy.Close() })
	taken, dir := busy.Addr().String(), t.TempDir()
	const theirs = "bw_operator_abcdefghij23_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\n"
	somebodys := filepath.Join(dir, "operator.key")
	if err := os.WriteFile(somebodys, []byte(theirs), 0o600); err != nil {
		t.Fatal(err)
	}
	for want, flags := range map[string][]string{
		"--tls DIRECTORY": {"--grpc", "0.0.0.0:0"},
		"--grpc " + taken: {"--grpc", taken},
		"--http-cert and --http-key, or --behind-proxy": {"--http", "0.0.0.0:0"},
		"--http " + taken:                  {"--http", taken},
		"belong together":                  {"--http-cert", somebodys},
		"--admin-anywhere":                 {"--admin", "0.0.0.0:0"},
		"beltwright devcerts":              {"--tls", filepath.Join(dir, "none")},
		"--allow":                          {"--allow", "quote"},
		"beltwright: --quotas: \"cars=1\"": {"--quotas", "cars=1"},
		"CLASS being free, read, search, write, bulk or":   {"--rates", "reads=1"},
		"beltwright: --public-url: \"nowhere\"":            {"--public-url", "nowhere"},
		"there is no pack":                                 {"--packs", dir},
		"open the letterheads":                             {"--letterhead", filepath.Join(dir, "none")},
		"--oidc-client-secret-file needs":                  {"--oidc-client-secret-file", somebodys},
		somebodys + " holds a key that does not work here": {"--key-file", somebodys},
	} {
		data := filepath.Join(t.TempDir(), "data")
		args := append([]string{"serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--admin", "off", "--data", data}, flags...)
		said, err := exec.CommandContext(t.Context(), filepath.Join(binaries, "beltwright"), args...).CombinedOutput()
		if err == nil || !strings.Contains(string(said), want) || strings.Contains(string(said), "bw_operator") {
			t.Errorf("%v: %v; it must say %q and tell no key:\n%s", flags, err, want, said)
		}
		if _, err := os.Stat(data); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%v: it left a store: %v", flags, err)
		}
	}
	if kept, err := os.ReadFile(somebodys); err != nil || string(kept) != theirs {
		t.Errorf("somebody's key is now %q, %v", kept, err)
	}
	control := start(t, "beltwright", "serve", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--admin", "off", "--data", filepath.Join(dir, "data"))
	control.awaits(`shown this once\.\n\s+bw_operator_`)
}

// TestDemoLeavesSomebodysKey: the demo writes its key into the data directory; where
// another business's lies there, it makes nothing.
func TestDemoLeavesSomebodysKey(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	file := filepath.Join(data, "demo.key")
	const theirs = "bw_kettlewick_abcdefghij23_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\n"
	if err := os.WriteFile(file, []byte(theirs), 0o600); err != nil {
		t.Fatal(err)
	}
	p := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data)
	p.awaits("is not overwritten")
	if code := p.exits(); code != 1 {
		t.Errorf("exit code %d", code)
	}
	left, err := os.ReadDir(data)
	if kept, readErr := os.ReadFile(file); readErr != nil || string(kept) != theirs || err != nil || len(left) != 1 {
		t.Errorf("%q, %v; beside it %v, %v", kept, readErr, left, err)
	}
}

// TestServicesOffLoopbackSayWhatHelps: a service that is to be reached without TLS is
// refused with the flag that lets it be.
func TestServicesOffLoopbackSayWhatHelps(t *testing.T) {
	t.Parallel()
	for name, args := range map[string][]string{
		"quote":      {"-fitment", "192.0.2.1:9091", "-grpc", "127.0.0.1:0", "-admin", "off", "-data", filepath.Join(t.TempDir(), "quote")},
		"beltwright": {"gateway", "--fitment", "192.0.2.1:9091", "--http", "127.0.0.1:0", "--admin", "off"},
	} {
		said, err := exec.CommandContext(t.Context(), filepath.Join(binaries, name), args...).CombinedOutput()
		for _, want := range []string{"--fitment 192.0.2.1:9091", "is not on loopback", "--tls DIRECTORY"} {
			if err == nil || !strings.Contains(string(said), want) {
				t.Errorf("%s %v: %v, without %q:\n%s", name, args, err, want, said)
			}
		}
	}
}
