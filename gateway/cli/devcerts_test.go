package cli_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/tls"
	"crypto/x509"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwright.example/gateway/cli"
	"beltwright.example/services/platform/mtls"
)

func TestDevcerts(t *testing.T) {
	t.Parallel()
	out := filepath.Join(t.TempDir(), "certs")
	expect := func(want int, says string, args ...string) {
		t.Helper()
		code, stdout, stderr := run(t, "", append([]string{"devcerts", "--out", out}, args...)...)
		if code != want || !strings.Contains(stdout+stderr, says) {
			t.Errorf("%v: exit code %d, want %d, saying %q:\n%s%s", args, code, want, says, stdout, stderr)
		}
	}
	serial := func(name string) string {
		t.Helper()
		identity, err := mtls.Open(filepath.Join(out, name), slog.New(slog.DiscardHandler), time.Now)
		if err != nil {
			t.Fatal(err)
		}
		if identity.Name() != name {
			t.Errorf("%s is %q", name, identity.Name())
		}
		return identity.Serial()
	}
	expect(cli.ExitOK, "until")
	first := map[string]string{}
	for _, name := range []string{mtls.Gateway, mtls.Fitment, mtls.Quote, mtls.AllInOne, mtls.Client} {
		first[name] = serial(name)
	}
	keysAreSecret(t, out)
	days(t, out)

	expect(cli.ExitFailed, "--force", "--name", "gateway")
	if got := serial(mtls.Gateway); got != first[mtls.Gateway] {
		t.Error("a certificate was replaced although nobody said so")
	}
	expect(cli.ExitOK, "until", "--renew", "--name", "gateway,yard-office")
	if got := serial(mtls.Gateway); got == first[mtls.Gateway] {
		t.Error("--renew kept the certificate")
	}
	if got := serial(mtls.Quote); got != first[mtls.Quote] {
		t.Error("--renew of others replaced this one")
	}
	serial("yard-office")
	expect(cli.ExitFailed, "cannot vouch", "--renew", "--host", "bank.example")
	authority := read(t, filepath.Join(out, mtls.CAFile))
	expect(cli.ExitOK, "until", "--force")
	if read(t, filepath.Join(out, mtls.CAFile)) == authority {
		t.Error("--force kept the authority")
	}
	serial(mtls.Gateway)
	keysAreSecret(t, out)
	for says, args := range map[string][]string{
		"one of them":         {"--force", "--renew"},
		"expected 1 day":      {"--days", "0"},
		"3650":                {"--ca-days", "4000"},
		"the authority's":     {"--days", "400"},
		"expected 1 to 32":    {"--name", "../x"},
		"expected a name":     {"--host", "http://x"},
		"takes no argument":   {"now"},
		"--name is empty":     {"--name", ""},
		"invalid argument \"": {"--days", "x"},
	} {
		expect(cli.ExitUsage, says, args...)
	}
}

func read(t *testing.T, path string) string {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// keysAreSecret looks at every file: keys are their owner's alone, and nothing is
// left over.
func keysAreSecret(t *testing.T, out string) {
	t.Helper()
	keys := 0
	err := filepath.WalkDir(out, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		info, err := entry.Info()
		if err != nil {
			return err
		}
		secret := strings.Contains(read(t, path), "PRIVATE KEY")
		if secret {
			keys++
		}
		if want := map[bool]fs.FileMode{true: 0o600, false: 0o644}[secret]; info.Mode().Perm() != want {
			t.Errorf("%s has mode %o, want %o", path, info.Mode().Perm(), want)
		}
		if strings.HasPrefix(entry.Name(), ".") {
			t.Errorf("%s is left over", path)
		}
		return nil
	})
	if err != nil || keys < 6 {
		t.Errorf("%d keys, %v", keys, err)
	}
}

// days looks at what was made: kinds of keys and times as documented.
func days(t *testing.T, out string) {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(filepath.Join(out, "quote", mtls.CertFile), filepath.Join(out, "quote", mtls.KeyFile))
	if err != nil {
		t.Fatal(err)
	}
	if key, ok := pair.PrivateKey.(*ecdsa.PrivateKey); !ok || key.Curve != elliptic.P256() {
		t.Errorf("the key is %T", pair.PrivateKey)
	}
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	if err != nil {
		t.Fatal(err)
	}
	if left := time.Until(leaf.NotAfter).Round(time.Hour); left != 90*24*time.Hour {
		t.Errorf("valid for %v, want 90 days", left)
	}
	for _, host := range []string{"localhost", "127.0.0.1", "::1"} {
		if err := leaf.VerifyHostname(host); err != nil {
			t.Error(err)
		}
	}
}
