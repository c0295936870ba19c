package mtls_test

import (
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/mtls/authority"
)

func TestCertificateOfTheWebIsReadAgain(t *testing.T) {
	t.Parallel()
	good := ca(t)
	local := authority.Hosts{Names: []string{"localhost"}}
	first := issue(t, good, authority.For(mtls.Gateway, local, time.Now(), day))
	second := issue(t, good, authority.For(mtls.Gateway, local, time.Now(), day))
	dir, moved, log := t.TempDir(), &clock{}, &lines{}
	write(t, dir, nil, first)
	certFile, keyFile := filepath.Join(dir, mtls.CertFile), filepath.Join(dir, mtls.KeyFile)
	web, err := mtls.OpenWeb(certFile, keyFile, slog.New(slog.NewTextHandler(log, nil)), moved.now)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(good.CertificatePEM())
	shown := func(host string, least uint16) (string, error) {
		moved.forward(2 * time.Second)
		state, _, err := talk(t, &tls.Config{RootCAs: pool, ServerName: host, MinVersion: tls.VersionTLS12, MaxVersion: least}, web.Config())
		if err != nil {
			return "", err
		}
		return state.PeerCertificates[0].SerialNumber.Text(16), nil
	}
	serial := func(p pair) string { return p.tls(t).Leaf.SerialNumber.Text(16) }
	if got, err := shown("localhost", tls.VersionTLS13); err != nil || got != serial(first) {
		t.Fatalf("%s, %v", got, err)
	}
	if _, err := shown("localhost", tls.VersionTLS12); err == nil {
		t.Error("TLS 1.2 was taken")
	}
	if _, err := shown("elsewhere.example", tls.VersionTLS13); err == nil {
		t.Error("the client took it for another host: the test's client checks nothing")
	}
	if err := os.WriteFile(certFile, second.cert, 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if got, err := shown("localhost", tls.VersionTLS13); err != nil || got != serial(first) {
			t.Errorf("half written: %s, %v; expected the one of before", got, err)
		}
	}
	if log.count("cannot be used") != 1 {
		t.Errorf("told %d times; expected once", log.count("cannot be used"))
	}
	write(t, dir, nil, second)
	if got, err := shown("localhost", tls.VersionTLS13); err != nil || got != serial(second) {
		t.Errorf("%s, %v; expected the new one", got, err)
	}
}

func TestWebRefusesWhatCannotWork(t *testing.T) {
	t.Parallel()
	good := ca(t)
	ended := authority.For(mtls.Gateway, authority.Hosts{}, time.Now(), day)
	ended.NotBefore, ended.NotAfter = time.Now().Add(-2*day), time.Now().Add(-day)
	for what, c := range map[string]struct {
		p    pair
		mode os.FileMode
		says string
	}{
		"good":              {named(t, good, mtls.Gateway), 0o600, ""},
		"ended":             {issue(t, good, ended), 0o600, "not now"},
		"key for everybody": {named(t, good, mtls.Gateway), 0o604, "expected 0600"},
		"another's key":     {pair{named(t, good, mtls.Gateway).cert, named(t, good, mtls.Gateway).key}, 0o600, "private key"},
	} {
		dir := t.TempDir()
		write(t, dir, nil, c.p)
		keyFile := filepath.Join(dir, mtls.KeyFile)
		if err := os.Chmod(keyFile, c.mode); err != nil {
			t.Fatal(err)
		}
		_, err := mtls.OpenWeb(filepath.Join(dir, mtls.CertFile), keyFile, nil, time.Now)
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; expected it to say %q", what, err, c.says)
		}
	}
}
