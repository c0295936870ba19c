package main

import (
	"bufio"
	"context"
	"errors"
	"io"
	"io/fs"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/serve"
)

// asMain makes this test's program be the program under test.
const asMain = "BELTWRIGHT_TEST_AS_MAIN"

func TestMain(m *testing.M) {
	if os.Getenv(asMain) != "" {
		main()
	}
	m.Run()
}

func command(ctx context.Context, t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	c := exec.CommandContext(ctx, self, args...)
	c.Env = append(os.Environ(), asMain+"=1")
	return c
}

// started runs the program until it says that it listens.
func started(t *testing.T, args ...string) *exec.Cmd {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	c := command(ctx, t, args...)
	stderr, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		cancel()
		_ = c.Wait()
	})
	lines := bufio.NewScanner(stderr)
	var seen []string
	for lines.Scan() {
		seen = append(seen, lines.Text())
		if strings.Contains(lines.Text(), "listening") {
			go func() { _, _ = io.Copy(io.Discard, stderr) }()
			return c
		}
	}
	t.Fatalf("it never listened: %s", strings.Join(seen, "\n"))
	return nil
}

func TestStartServeSecondStartAndEnd(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	data, addrFile, keyFile := filepath.Join(dir, "data"), filepath.Join(dir, "addr"), filepath.Join(dir, "operator.key")
	args := []string{"-grpc", "127.0.0.1:0", "-data", data, "-addr-file", addrFile, "-key-file", keyFile}
	c := started(t, args...)
	address, err := os.ReadFile(addrFile)
	if err != nil {
		t.Fatal(err)
	}
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(keyFile); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("key file: %v, %v", info.Mode(), err)
	}
	conn, err := serve.Dial(strings.TrimSpace(string(address)))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	who := func(key string) (*fitmentv1.VerifyCredentialResponse, error) {
		return fitmentv1.NewIdentityServiceClient(conn).VerifyCredential(
			auth.WithKey(t.Context(), key), &fitmentv1.VerifyCredentialRequest{}, grpc.WaitForReady(true))
	}
	if answer, err := who(strings.TrimSpace(string(key))); err != nil || answer.GetTenant() != "operator" || len(answer.GetRoles()) == 0 {
		t.Errorf("%v, %v", answer, err)
	}
	if _, err := who("bw_operator_abcdefghij23_x"); status.Code(err) != codes.Unauthenticated {
		t.Errorf("wrong key: %v", err)
	}

	second := command(t.Context(), t, args...)
	said, err := second.CombinedOutput()
	if second.ProcessState.ExitCode() != 1 || !strings.Contains(string(said), "another process is using this directory") {
		t.Errorf("a second process: %v\n%s", err, said)
	}

	if err := c.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Errorf("end by SIGTERM: %v, want exit code 0", err)
	}

	// The same directory again: the key still works and is not made anew.
	again := started(t, args...)
	if kept, err := os.ReadFile(keyFile); err != nil || string(kept) != string(key) {
		t.Errorf("the key file changed: %v", err)
	}
	if err := again.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := again.Wait(); err != nil {
		t.Errorf("end by interrupt: %v, want exit code 0", err)
	}
}

// Whatever is wrong is said before there is a store and before a key is handed out.
func TestCommandLine(t *testing.T) {
	t.Parallel()
	busy, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = busy.Close() })
	taken := busy.Addr().String()
	somebodys, notes := filepath.Join(t.TempDir(), "operator.key"), filepath.Join(t.TempDir(), "notes")
	const theirs = "bw_operator_abcdefghij23_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\n"
	if err := errors.Join(os.WriteFile(somebodys, []byte(theirs), 0o600), os.WriteFile(notes, []byte("not a key"), 0o600)); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if kept, err := os.ReadFile(somebodys); err != nil || string(kept) != theirs {
			t.Errorf("somebody's key is now %q, %v", kept, err)
		}
	})
	for name, c := range map[string]struct {
		args []string
		code int
		says string
	}{
		"help":           {[]string{"-help"}, 0, "-key-file"},
		"unknown flag":   {[]string{"-nonsense"}, 2, "nonsense"},
		"argument":       {[]string{"now"}, 2, `unexpected argument "now"`},
		"log level":      {[]string{"-log-level", "loud"}, 1, "expected debug, info, warn or error"},
		"every address":  {[]string{"-grpc", "0.0.0.0:0"}, 1, "not on loopback"},
		"what helps":     {[]string{"-grpc", "0.0.0.0:0"}, 1, "--tls DIRECTORY"},
		"no port at all": {[]string{"-grpc", "127.0.0.1"}, 1, "HOST:PORT"},
		"taken":          {[]string{"-grpc", taken}, 1, "--grpc " + taken},
		"admin port":     {[]string{"-admin", "0.0.0.0:0"}, 1, "--admin-anywhere"},
		"admin, taken":   {[]string{"-admin", taken}, 1, taken},
		"no TLS folder":  {[]string{"-tls", filepath.Join(t.TempDir(), "none")}, 1, "beltwright devcerts"},
		"names, no TLS":  {[]string{"-allow", "quote"}, 1, "--allow: "},
		"rates":          {[]string{"-rates", "reads=1"}, 1, "--rates: "},
		"quotas":         {[]string{"-quotas", "cars=1"}, 1, "fitment: --quotas: "},
		"public address": {[]string{"-public-url", "nowhere"}, 1, `fitment: --public-url: "nowhere"`},
		"packs":          {[]string{"-packs", t.TempDir()}, 1, "there is no pack"},
		"half an issuer": {[]string{"-oidc-client-id", "x"}, 1, "belong together"},
		"somebody's key": {[]string{"-key-file", somebodys}, 1, "holds a key that does not work here"},
		"no key at all":  {[]string{"-key-file", notes}, 1, "something else than a key"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			data := filepath.Join(t.TempDir(), "data")
			args := append([]string{"-data", data}, c.args...)
			run := command(t.Context(), t, args...)
			said, _ := run.CombinedOutput()
			if _, err := os.Stat(data); !errors.Is(err, fs.ErrNotExist) || strings.Contains(string(said), "bw_operator") {
				t.Errorf("a start that failed left a store or told a key: %v\n%s", err, said)
			}
			if code := run.ProcessState.ExitCode(); code != c.code || !strings.Contains(string(said), c.says) {
				t.Errorf("exit code %d, want %d; it must say %q:\n%s", code, c.code, c.says, said)
			}
		})
	}
}
