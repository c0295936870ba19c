package e2e_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"google.golang.org/grpc/credentials"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/mtls/authority"
	"beltwright.example/services/platform/serve"
)

// shortLife is how long the certificates are valid that end during the test: long
// enough for a few connections on a busy machine.
const shortLife = 25 * time.Second

// certificates are those of programs under test, made by devcerts and then anew.
type certificates struct {
	t    *testing.T
	root string
	ca   *authority.Authority
}

func makeCertificates(t *testing.T) certificates {
	t.Helper()
	c := certificates{t: t, root: filepath.Join(t.TempDir(), "certs")}
	made := start(t, "beltwright", "devcerts", "--out", c.root)
	if code := made.exits(); code != 0 {
		t.Fatalf("devcerts: exit code %d", code)
	}
	certificate, err := os.ReadFile(filepath.Join(c.root, mtls.CAFile))
	if err != nil {
		t.Fatal(err)
	}
	key, err := os.ReadFile(filepath.Join(c.root, "ca-key.pem"))
	if err != nil {
		t.Fatal(err)
	}
	if c.ca, err = authority.Load(certificate, key); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c certificates) dir(name string) string { return filepath.Join(c.root, name) }

// replace puts a new certificate into a program's directory: the key first, so
// that for a moment the two do not belong together.
func (c certificates) replace(name string, validFor time.Duration) {
	c.t.Helper()
	cert, key, err := c.ca.Issue(authority.For(name, c.ca.Hosts(), time.Now(), validFor))
	if err != nil {
		c.t.Fatal(err)
	}
	for _, file := range []struct {
		name string
		raw  []byte
	}{{mtls.KeyFile, key}, {mtls.CertFile, cert}} {
		if err := os.WriteFile(filepath.Join(c.dir(name), file.name), file.raw, 0o600); err != nil {
			c.t.Fatal(err)
		}
	}
}

// copied is a directory with the certificate as it is now.
func (c certificates) copied(name string) string {
	c.t.Helper()
	dir := filepath.Join(c.t.TempDir(), name)
	if err := os.CopyFS(dir, os.DirFS(c.dir(name))); err != nil {
		c.t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(dir, mtls.KeyFile), 0o600); err != nil {
		c.t.Fatal(err)
	}
	return dir
}

// opened reads an identity while it is valid.
func opened(t *testing.T, dir string) *mtls.Identity {
	t.Helper()
	identity, err := mtls.Open(dir, slog.New(slog.DiscardHandler), time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return identity
}

// asks makes one call over a new connection and returns the serial number of the
// certificate that the server showed.
func (c certificates) asks(identity *mtls.Identity, wanted []string, address, key string) (string, error) {
	c.t.Helper()
	conn, err := serve.DialAs(identity, wanted, address)
	if err != nil {
		c.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	ctx, cancel := context.WithTimeout(auth.WithKey(c.t.Context(), key), 20*time.Second)
	defer cancel()
	var from peer.Peer
	_, err = fitmentv1.NewCatalogueServiceClient(conn).ListParts(ctx, &fitmentv1.ListPartsRequest{PageSize: 1}, grpc.Peer(&from))
	if err != nil {
		return "", err
	}
	info, ok := from.AuthInfo.(credentials.TLSInfo)
	if !ok || info.State.Version != tls.VersionTLS13 {
		c.t.Fatalf("the connection is not TLS 1.3: %v", from.AuthInfo)
	}
	return info.State.PeerCertificates[0].SerialNumber.Text(16), nil
}

// secured are the three programs over mTLS.
type secured struct {
	certificates

	fitment, quote               string
	quoteProcess, gatewayProcess *process
	quoteArgs                    []string
	c                            client
}

func apartSecured(t *testing.T) *secured {
	t.Helper()
	s := &secured{certificates: makeCertificates(t)}
	dir := t.TempDir()
	keyFile := filepath.Join(dir, "operator.key")
	fitment := start(t, "fitment", "-grpc", "127.0.0.1:0", "-data", filepath.Join(dir, "fitment"), "-key-file", keyFile, "-tls", s.dir(mtls.Fitment))
	s.fitment = fitment.awaits(`msg=listening.*address=(127\.0\.0\.1:\d+)`)[1]
	s.quoteArgs = []string{"-data", filepath.Join(dir, "quote"), "-fitment", s.fitment, "-tls", s.dir(mtls.Quote)}
	s.quoteProcess = start(t, "quote", append([]string{"-grpc", "127.0.0.1:0"}, s.quoteArgs...)...)
	s.quoteProcess.awaits(`msg=ready`)
	s.quote = s.quoteProcess.awaits(`msg=listening.*address=(127\.0\.0\.1:\d+)`)[1]
	s.gatewayProcess = start(t, "beltwright", "gateway", "--http", "127.0.0.1:0", "--fitment", s.fitment, "--quote", s.quote, "--tls", s.dir(mtls.Gateway))
	base := s.gatewayProcess.awaits(`REST (http://127\.0\.0\.1:\d+)`)[1]
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	s.c = client{t, base, strings.TrimSpace(string(key))}
	s.c.loadScenario()
	return s
}

func TestThreeProcessesOverMTLS(t *testing.T) {
	t.Parallel()
	s := apartSecured(t)
	first := opened(t, s.copied(mtls.Gateway))
	before, err := s.asks(first, mtls.FitmentServers(), s.fitment, s.c.key)
	if err != nil {
		t.Fatalf("the gateway's certificate: %v", err)
	}
	donorsAreDecided(t, s.c)
	if _, err := s.asks(first, mtls.FitmentServers(), s.fitment, ""); status.Code(err) != codes.Unauthenticated {
		t.Errorf("the gateway's certificate without a user's key: %v", err)
	}
	strangersAreRefused(t, s)

	// Certificates that end soon, then new ones before they do, while all runs.
	short := s.swapped(before, shortLife)
	old := opened(t, s.copied(mtls.Gateway))
	if _, err := s.asks(old, mtls.FitmentServers(), s.fitment, s.c.key); err != nil {
		t.Errorf("a certificate that ends soon, while it is valid: %v", err)
	}
	s.swapped(short, 24*time.Hour)
	fresh := opened(t, s.dir(mtls.Gateway))
	s.until("the certificate that ended is refused", func() bool {
		_, err := s.asks(old, mtls.FitmentServers(), s.fitment, s.c.key)
		return err != nil
	})
	if left := time.Until(old.Expires()); left > 0 {
		t.Errorf("refused %v before its end", left)
	}
	if _, err := s.asks(fresh, mtls.FitmentServers(), s.fitment, s.c.key); err != nil {
		t.Errorf("the control with a new certificate: %v", err)
	}
	// A new quote process: the gateway and the fitment service, which run since
	// before, meet it with their new certificates.
	s.quoteProcess.signal(syscall.SIGTERM)
	if code := s.quoteProcess.exits(); code != 0 {
		t.Errorf("SIGTERM: exit code %d", code)
	}
	start(t, "quote", append([]string{"-grpc", s.quote}, s.quoteArgs...)...).awaits(`msg=ready`)
	s.until("the gateway reaches the new quote process", func() bool {
		code, _ := s.c.do(http.MethodGet, "/readyz", nil)
		return code == http.StatusOK
	})
	quoteIsBought(t, s.c)
}

// swapped replaces the certificates of all programs and waits until the fitment
// service shows another than before, whose serial number comes back.
func (s *secured) swapped(before string, validFor time.Duration) (after string) {
	s.t.Helper()
	for _, name := range []string{mtls.Fitment, mtls.Quote, mtls.Gateway} {
		s.replace(name, validFor)
	}
	person := opened(s.t, s.dir(mtls.Client))
	s.until("the fitment service shows its new certificate", func() bool {
		var err error
		after, err = s.asks(person, mtls.FitmentServers(), s.fitment, s.c.key)
		return err == nil && after != before
	})
	return after
}

// until polls a condition that must come true soon.
func (s *secured) until(what string, holds func() bool) {
	s.t.Helper()
	limit := time.NewTimer(time.Minute)
	defer limit.Stop()
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-limit.C:
			s.t.Fatalf("not within a minute: %s", what)
		}
	}
}

// strangersAreRefused tries names that are not on a list, and no TLS. The control
// of each is the same call by one who is.
func strangersAreRefused(t *testing.T, s *secured) {
	t.Helper()
	s.replace(mtls.AllInOne, time.Hour) // on neither service's list
	stranger := opened(t, s.dir(mtls.AllInOne))
	if _, err := s.asks(stranger, mtls.FitmentServers(), s.fitment, s.c.key); status.Code(err) != codes.Unavailable {
		t.Errorf("a name that is not on the list, with a good key: %v", err)
	}
	// The quote service is no fitment service, whatever address it is found at.
	person := opened(t, s.dir(mtls.Client))
	if _, err := s.asks(person, mtls.FitmentServers(), s.quote, s.c.key); status.Code(err) != codes.Unavailable {
		t.Errorf("the quote service in the fitment service's place: %v", err)
	}
	if _, err := s.asks(nil, mtls.FitmentServers(), s.fitment, s.c.key); err == nil {
		t.Error("a caller without TLS was answered")
	}
	if _, err := s.asks(person, mtls.FitmentServers(), s.fitment, s.c.key); err != nil {
		t.Errorf("a person's certificate, which is on the list: %v", err)
	}
}

// The command line over TLS, and HTTPS before browsers.
func TestCommandLineAndHTTPS(t *testing.T) {
	t.Parallel()
	certs := makeCertificates(t)
	data := filepath.Join(t.TempDir(), "data")
	own := certs.dir(mtls.AllInOne)
	p := start(t, "beltwright", "serve", "--demo", "--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--data", data, "--tls", own,
		"--http-cert", filepath.Join(own, mtls.CertFile), "--http-key", filepath.Join(own, mtls.KeyFile))
	base := p.awaits(`REST\s+(https://127\.0\.0\.1:\d+)`)[1]
	address := p.awaits(`gRPC\s+(127\.0\.0\.1:\d+)`)[1]
	p.awaits("Try, in another terminal")
	keyFile := filepath.Join(data, "demo.key")
	for what, c := range map[string]struct {
		args []string
		code int
	}{
		"with a certificate": {[]string{"--tls", certs.dir(mtls.Client)}, 0},
		"without":            {nil, 1},
		"not on the list":    {[]string{"--tls", certs.dir(mtls.Quote)}, 1},
	} {
		args := append([]string{"dialects", "--server", address, "--key-file", keyFile, "--timeout", "5s"}, c.args...)
		if code := start(t, "beltwright", args...).exits(); code != c.code {
			t.Errorf("%s: exit code %d, want %d", what, code, c.code)
		}
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(certs.ca.CertificatePEM())
	get := func(config *tls.Config) (string, error) {
		transport := &http.Transport{TLSClientConfig: config, ForceAttemptHTTP2: true}
		defer transport.CloseIdleConnections()
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		defer cancel()
		request, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/readyz", http.NoBody)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := (&http.Client{Transport: transport}).Do(request)
		if err != nil {
			return "", err
		}
		defer func() { _ = answer.Body.Close() }()
		return fmt.Sprintf("%d %s %x", answer.StatusCode, answer.Proto, answer.TLS.Version), nil
	}
	if got, err := get(&tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS13}); err != nil || got != "200 HTTP/1.1 304" {
		t.Errorf("HTTPS: %s, %v", got, err)
	}
	var unknown *tls.CertificateVerificationError
	if _, err := get(&tls.Config{MinVersion: tls.VersionTLS13}); !errors.As(err, &unknown) {
		t.Errorf("HTTPS to one who does not trust the authority: %v", err)
	}
	if _, err := get(&tls.Config{RootCAs: pool, MaxVersion: tls.VersionTLS12, MinVersion: tls.VersionTLS12}); err == nil {
		t.Error("HTTPS by TLS 1.2 was answered")
	}
}

func TestOffLoopbackNeedsEncryption(t *testing.T) {
	t.Parallel()
	certs := makeCertificates(t)
	own := certs.dir(mtls.AllInOne)
	serving := func(args ...string) *process {
		return start(t, "beltwright", append([]string{"serve", "--data", filepath.Join(t.TempDir(), "data")}, args...)...)
	}
	for what, args := range map[string][]string{
		"REST":                  {"--http", "0.0.0.0:0", "--grpc", "127.0.0.1:0"},
		"gRPC":                  {"--http", "127.0.0.1:0", "--grpc", "0.0.0.0:0"},
		"REST with gRPC's":      {"--http", "0.0.0.0:0", "--grpc", "127.0.0.1:0", "--tls", own},
		"gRPC behind a proxy":   {"--http", "127.0.0.1:0", "--grpc", "0.0.0.0:0", "--behind-proxy"},
		"a list without TLS":    {"--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--allow", "gateway"},
		"half of a certificate": {"--http", "127.0.0.1:0", "--grpc", "127.0.0.1:0", "--http-cert", filepath.Join(own, mtls.CertFile)},
	} {
		if code := serving(args...).exits(); code == 0 {
			t.Errorf("%s: started and ended well", what)
		}
	}
	serving("--http", "0.0.0.0:0", "--grpc", "0.0.0.0:0", "--tls", own, "--behind-proxy").awaits("is ready")
}
