package mtls_test

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/mtls/authority"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const day = 24 * time.Hour

// ca makes an authority that began ten days ago.
func ca(t *testing.T) *authority.Authority {
	t.Helper()
	made, err := authority.New(time.Now().Add(-10*day), 100*day, authority.Hosts{Names: []string{"localhost"}})
	if err != nil {
		t.Fatal(err)
	}
	return made
}

// pair is a certificate and its key, PEM.
type pair struct{ cert, key []byte }

func issue(t *testing.T, by *authority.Authority, r authority.Request) pair {
	t.Helper()
	cert, key, err := by.Issue(r)
	if err != nil {
		t.Fatal(err)
	}
	return pair{cert, key}
}

func named(t *testing.T, by *authority.Authority, name string) pair {
	t.Helper()
	return issue(t, by, authority.For(name, authority.Hosts{}, time.Now(), day))
}

func (p pair) tls(t *testing.T) tls.Certificate {
	t.Helper()
	made, err := tls.X509KeyPair(p.cert, p.key)
	if err != nil {
		t.Fatal(err)
	}
	return made
}

// write puts an identity into a directory.
func write(t *testing.T, dir string, trusted []byte, p pair) {
	t.Helper()
	for name, raw := range map[string][]byte{mtls.CAFile: trusted, mtls.CertFile: p.cert, mtls.KeyFile: p.key} {
		if err := os.WriteFile(filepath.Join(dir, name), raw, 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// clock is a clock that tests move.
type clock struct {
	mu     sync.Mutex
	offset time.Duration
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return time.Now().Add(c.offset)
}

func (c *clock) forward(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.offset += d
}

// lines is a log that tests read.
type lines struct {
	mu  sync.Mutex
	raw bytes.Buffer
}

func (l *lines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.raw.Write(p)
}

func (l *lines) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.raw.String(), text)
}

// person is an identity under test with what moves it.
type person struct {
	*mtls.Identity

	dir   string
	clock *clock
	log   *lines
}

func open(t *testing.T, trusted []byte, p pair) person {
	t.Helper()
	made := person{dir: t.TempDir(), clock: &clock{}, log: &lines{}}
	write(t, made.dir, trusted, p)
	var err error
	made.Identity, err = mtls.Open(made.dir, slog.New(slog.NewTextHandler(made.log, &slog.HandlerOptions{Level: slog.LevelDebug})), made.clock.now)
	if err != nil {
		t.Fatal(err)
	}
	return made
}

func (p person) server(t *testing.T, allow ...string) *tls.Config {
	t.Helper()
	config, err := p.ServerConfig(allow)
	if err != nil {
		t.Fatal(err)
	}
	return config
}

func (p person) client(t *testing.T, wanted ...string) *tls.Config {
	t.Helper()
	config, err := p.ClientConfig(wanted)
	if err != nil {
		t.Fatal(err)
	}
	return config
}

// talk connects a client to a server and sends a byte there and back; the states
// are those of both ends after it. An error is either end's.
func talk(t *testing.T, client, server *tls.Config) (tls.ConnectionState, tls.ConnectionState, error) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // it is closed right here
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = listener.Close() }()
	type end struct {
		state tls.ConnectionState
		err   error
	}
	served := make(chan end, 1)
	go func() {
		conn, err := listener.Accept()
		if err != nil {
			served <- end{err: err}
			return
		}
		secured := tls.Server(conn, server)
		defer func() { _ = conn.Close() }()
		_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
		var one [1]byte
		_, err = io.ReadFull(secured, one[:])
		if err == nil {
			_, err = secured.Write(one[:])
		}
		served <- end{secured.ConnectionState(), err}
	}()
	conn, err := net.Dial("tcp", listener.Addr().String()) //nolint:noctx // a deadline follows
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
	if client.ServerName == "" {
		client = client.Clone()
		client.ServerName = "nowhere.example" // host names do not count
	}
	secured := tls.Client(conn, client)
	var one [1]byte
	_, err = secured.Write([]byte{7})
	if err == nil {
		_, err = io.ReadFull(secured, one[:])
	}
	if err != nil {
		_ = conn.Close()
	}
	other := <-served
	return secured.ConnectionState(), other.state, errors.Join(err, other.err)
}

// forged are certificates that nobody may get in with, by what is wrong.
func forged(t *testing.T, good *authority.Authority, name string) map[string]tls.Certificate {
	t.Helper()
	now := time.Now()
	with := func(change func(*authority.Request)) tls.Certificate {
		r := authority.For(name, authority.Hosts{}, now, day)
		change(&r)
		return issue(t, good, r).tls(t)
	}
	uris := func(list ...string) tls.Certificate {
		return with(func(r *authority.Request) {
			r.URIs = nil
			for _, text := range list {
				uri, err := url.Parse(text)
				if err != nil {
					t.Fatal(err)
				}
				r.URIs = append(r.URIs, uri)
			}
		})
	}
	us := "spiffe://" + mtls.TrustDomain + "/"
	return map[string]tls.Certificate{
		"a name that is not on the list":   uris(us + "somebody"),
		"no URI, only a host name":         with(func(r *authority.Request) { r.URIs, r.Hosts.Names = nil, []string{"localhost"} }),
		"two URIs":                         uris(us+name, us+"somebody"),
		"another scheme":                   uris("https://" + mtls.TrustDomain + "/" + name),
		"another domain":                   uris("spiffe://elsewhere/" + name),
		"a longer path":                    uris(us + name + "/x"),
		"a query":                          uris(us + name + "?x=1"),
		"upper case":                       uris(us + strings.ToUpper(name)),
		"a user before the domain":         uris("spiffe://u@" + mtls.TrustDomain + "/" + name),
		"ended":                            with(func(r *authority.Request) { r.NotBefore, r.NotAfter = now.Add(-2*day), now.Add(-time.Minute) }),
		"not yet begun":                    with(func(r *authority.Request) { r.NotBefore = now.Add(time.Hour) }),
		"another authority":                named(t, ca(t), name).tls(t),
		"for signing code, not connecting": with(func(r *authority.Request) { r.Usages = []x509.ExtKeyUsage{x509.ExtKeyUsageCodeSigning} }),
	}
}

func TestOnlyGoodCallersAreLetIn(t *testing.T) {
	t.Parallel()
	good := ca(t)
	server := open(t, good.CertificatePEM(), named(t, good, mtls.Fitment)).server(t, mtls.Gateway, mtls.Quote)
	// The control asks for a certificate and checks nothing of it: whatever is
	// refused above must get in here, or the attack was none.
	lax := &tls.Config{Certificates: []tls.Certificate{named(t, good, mtls.Fitment).tls(t)}, ClientAuth: tls.RequestClientCert, MinVersion: tls.VersionTLS12}
	attacks := map[string]*tls.Config{}
	for what, certificate := range forged(t, good, mtls.Gateway) {
		attacks[what] = &tls.Config{GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &certificate, nil }}
	}
	right := named(t, good, mtls.Gateway).tls(t)
	usage := authority.For(mtls.Gateway, authority.Hosts{}, time.Now(), day)
	usage.Usages = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}
	only := issue(t, good, usage).tls(t)
	attacks["no certificate"] = &tls.Config{}
	attacks["TLS 1.2"] = &tls.Config{Certificates: []tls.Certificate{right}, MaxVersion: tls.VersionTLS12}
	attacks["a server's certificate"] = &tls.Config{GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &only, nil }}
	for what, client := range attacks {
		client.InsecureSkipVerify = true
		client.MinVersion = tls.VersionTLS12
		if _, _, err := talk(t, client, server); err == nil {
			t.Errorf("%s: let in", what)
		}
		if _, _, err := talk(t, client, lax); err != nil {
			t.Errorf("%s: the control without checks refused it too: %v", what, err)
		}
	}
	for _, name := range []string{mtls.Gateway, mtls.Quote} {
		client := open(t, good.CertificatePEM(), named(t, good, name)).client(t, mtls.Fitment)
		ours, theirs, err := talk(t, client, server)
		if err != nil {
			t.Errorf("%s, which is on the list: %v", name, err)
			continue
		}
		if ours.Version != tls.VersionTLS13 || ours.NegotiatedProtocol != "h2" {
			t.Errorf("TLS %#x speaking %q; expected TLS 1.3 speaking h2", ours.Version, ours.NegotiatedProtocol)
		}
		if got, err := mtls.NameOf(theirs.PeerCertificates[0]); err != nil || got != name {
			t.Errorf("the server took %s for %q, %v", name, got, err)
		}
	}
	t.Logf("%d attacks", len(attacks))
}

func TestCallersTalkToTheRightServerOnly(t *testing.T) {
	t.Parallel()
	good := ca(t)
	client := open(t, good.CertificatePEM(), named(t, good, mtls.Gateway)).client(t, mtls.Fitment, mtls.AllInOne)
	servers := map[string]*tls.Config{}
	for what, certificate := range forged(t, good, mtls.Fitment) {
		servers[what] = &tls.Config{Certificates: []tls.Certificate{certificate}}
	}
	servers["TLS 1.2"] = &tls.Config{Certificates: []tls.Certificate{named(t, good, mtls.Fitment).tls(t)}, MaxVersion: tls.VersionTLS12}
	usage := authority.For(mtls.Fitment, authority.Hosts{}, time.Now(), day)
	usage.Usages = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	servers["a client's certificate"] = &tls.Config{Certificates: []tls.Certificate{issue(t, good, usage).tls(t)}}
	for what, server := range servers {
		server.MinVersion = tls.VersionTLS12
		server.NextProtos = []string{"h2"}
		if _, _, err := talk(t, client, server); err == nil {
			t.Errorf("%s: talked to", what)
		}
		// The control checks nothing.
		if _, _, err := talk(t, &tls.Config{InsecureSkipVerify: true, MinVersion: tls.VersionTLS12}, server); err != nil {
			t.Errorf("%s: the control without checks refused it too: %v", what, err)
		}
	}
	for _, name := range []string{mtls.Fitment, mtls.AllInOne} {
		server := open(t, good.CertificatePEM(), named(t, good, name)).server(t, mtls.Gateway)
		if _, _, err := talk(t, client, server); err != nil {
			t.Errorf("%s, which is wanted: %v", name, err)
		}
	}
}

func TestPlainTextIsRefused(t *testing.T) {
	t.Parallel()
	good := ca(t)
	identity := open(t, good.CertificatePEM(), named(t, good, mtls.Fitment))
	secure, err := identity.ServerCredentials([]string{mtls.Gateway})
	if err != nil {
		t.Fatal(err)
	}
	ours, theirs := net.Pipe()
	defer func() { _ = errors.Join(ours.Close(), theirs.Close()) }()
	go func() {
		_, _ = theirs.Write([]byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"))
		_, _ = io.Copy(io.Discard, theirs)
	}()
	if _, _, err := secure.ServerHandshake(ours); err == nil {
		t.Error("a caller without TLS was let in")
	}
	if identity.log.count("a connection was refused") != 1 {
		t.Error("the refused connection is not in the log")
	}
}

func TestCertificatesThatEndWhileRunningAreRefused(t *testing.T) {
	t.Parallel()
	good := ca(t)
	fitment := open(t, good.CertificatePEM(), issue(t, good, authority.For(mtls.Fitment, authority.Hosts{}, time.Now(), 20*day)))
	gateway := open(t, good.CertificatePEM(), issue(t, good, authority.For(mtls.Gateway, authority.Hosts{}, time.Now(), 20*day)))
	short := open(t, good.CertificatePEM(), issue(t, good, authority.For(mtls.Gateway, authority.Hosts{}, time.Now(), 10*day)))
	server, client := fitment.server(t, mtls.Gateway), short.client(t, mtls.Fitment)
	if _, _, err := talk(t, client, server); err != nil {
		t.Fatalf("before it ends: %v", err)
	}
	for _, p := range []person{fitment, gateway, short} {
		p.clock.forward(10*day - 30*time.Minute)
	}
	if _, _, err := talk(t, client, server); err != nil {
		t.Fatalf("half an hour before it ends: %v", err)
	}
	if short.log.count("ends soon") != 1 || fitment.log.count("ends soon") != 0 {
		t.Errorf("told that it ends soon: %d times, and %d times of one that does not",
			short.log.count("ends soon"), fitment.log.count("ends soon"))
	}
	for _, p := range []person{fitment, gateway, short} {
		p.clock.forward(time.Hour)
	}
	if _, _, err := talk(t, client, server); err == nil {
		t.Error("a certificate that has ended was taken")
	}
	if _, _, err := talk(t, gateway.client(t, mtls.Fitment), server); err != nil {
		t.Errorf("the control, whose certificate goes on: %v", err)
	}
	// And a new one in its place is taken without opening anything anew.
	write(t, short.dir, good.CertificatePEM(), issue(t, good, authority.For(mtls.Gateway, authority.Hosts{}, short.clock.now(), 5*day)))
	short.clock.forward(2 * time.Second)
	if _, _, err := talk(t, client, server); err != nil {
		t.Errorf("after the files were replaced: %v", err)
	}
}

func TestHalfWrittenPairKeepsTheOld(t *testing.T) {
	t.Parallel()
	good := ca(t)
	fitment := open(t, good.CertificatePEM(), named(t, good, mtls.Fitment))
	gateway := open(t, good.CertificatePEM(), named(t, good, mtls.Gateway))
	server, client := fitment.server(t, mtls.Gateway), gateway.client(t, mtls.Fitment)
	before := fitment.Serial()
	seen := func() string {
		t.Helper()
		fitment.clock.forward(2 * time.Second)
		state, _, err := talk(t, client, server)
		if err != nil {
			t.Fatal(err)
		}
		return state.PeerCertificates[0].SerialNumber.Text(16)
	}
	next := named(t, good, mtls.Fitment)
	for what, half := range map[string]func() error{
		"the certificate without its key": func() error { return os.WriteFile(filepath.Join(fitment.dir, mtls.CertFile), next.cert, 0o600) },
		"half of the certificate": func() error {
			return os.WriteFile(filepath.Join(fitment.dir, mtls.CertFile), next.cert[:len(next.cert)/2], 0o600)
		},
		"no authority":   func() error { return os.WriteFile(filepath.Join(fitment.dir, mtls.CAFile), nil, 0o600) },
		"no certificate": func() error { return os.Remove(filepath.Join(fitment.dir, mtls.CertFile)) },
		"another authority": func() error {
			return os.WriteFile(filepath.Join(fitment.dir, mtls.CAFile), ca(t).CertificatePEM(), 0o600)
		},
	} {
		told := fitment.log.count("cannot be used")
		if err := half(); err != nil {
			t.Fatal(err)
		}
		for range 3 {
			if got := seen(); got != before {
				t.Errorf("%s: the server shows %s; expected the one of before", what, got)
			}
		}
		if got := fitment.log.count("cannot be used") - told; got != 1 {
			t.Errorf("%s: told %d times; expected once", what, got)
		}
	}
	write(t, fitment.dir, good.CertificatePEM(), next)
	want := next.tls(t).Leaf.SerialNumber.Text(16)
	if got := seen(); got != want || got == before {
		t.Errorf("complete: the server shows %s; expected the new one, %s", got, want)
	}
	if fitment.Expires() != next.tls(t).Leaf.NotAfter {
		t.Error("Expires is not the new certificate's")
	}
}

func TestAuthorityChangesWithoutRestart(t *testing.T) {
	t.Parallel()
	first, second := ca(t), ca(t)
	fitment := open(t, first.CertificatePEM(), named(t, first, mtls.Fitment))
	gateway := open(t, first.CertificatePEM(), named(t, first, mtls.Gateway))
	old := open(t, first.CertificatePEM(), named(t, first, mtls.Gateway))
	server, client, stays := fitment.server(t, mtls.Gateway), gateway.client(t, mtls.Fitment), old.client(t, mtls.Fitment)
	both := append(first.CertificatePEM(), second.CertificatePEM()...)
	step := func(what string) {
		t.Helper()
		for _, p := range []person{fitment, gateway, old} {
			p.clock.forward(2 * time.Second)
		}
		if _, _, err := talk(t, client, server); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	step("one authority")
	for _, p := range []person{fitment, gateway, old} {
		if err := os.WriteFile(filepath.Join(p.dir, mtls.CAFile), both, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	step("both trusted")
	write(t, gateway.dir, both, named(t, second, mtls.Gateway))
	step("the caller is on the new one")
	write(t, fitment.dir, both, named(t, second, mtls.Fitment))
	step("both are on the new one")
	if _, _, err := talk(t, stays, server); err != nil {
		t.Errorf("the one that stays behind, while both are trusted: %v", err)
	}
	write(t, fitment.dir, second.CertificatePEM(), named(t, second, mtls.Fitment))
	write(t, gateway.dir, second.CertificatePEM(), named(t, second, mtls.Gateway))
	step("the old one is gone")
	if _, _, err := talk(t, stays, server); err == nil {
		t.Error("a certificate of the authority that is trusted no more was taken")
	}
}

// A session that goes on by a ticket would skip the checks of the certificate.
func TestSessionsAreNotResumed(t *testing.T) {
	t.Parallel()
	good := ca(t)
	server := open(t, good.CertificatePEM(), named(t, good, mtls.Fitment)).server(t, mtls.Gateway)
	right := named(t, good, mtls.Gateway).tls(t)
	resumed := func(server *tls.Config) bool {
		t.Helper()
		client := &tls.Config{
			Certificates: []tls.Certificate{right}, InsecureSkipVerify: true, MinVersion: tls.VersionTLS13,
			ClientSessionCache: tls.NewLRUClientSessionCache(4), NextProtos: []string{"h2"}, ServerName: "one.example",
		}
		var last tls.ConnectionState
		for range 3 {
			var err error
			if last, _, err = talk(t, client, server); err != nil {
				t.Fatal(err)
			}
		}
		return last.DidResume
	}
	if resumed(server) {
		t.Error("a session was resumed")
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(good.CertificatePEM())
	if !resumed(&tls.Config{Certificates: []tls.Certificate{named(t, good, mtls.Fitment).tls(t)}, ClientAuth: tls.RequireAndVerifyClientCert, ClientCAs: pool, MinVersion: tls.VersionTLS13, NextProtos: []string{"h2"}}) {
		t.Error("the control with tickets did not resume either, so the test shows nothing")
	}
}

func TestOpenRefusesWhatCannotWork(t *testing.T) {
	t.Parallel()
	good := ca(t)
	right := named(t, good, mtls.Gateway)
	now := time.Now()
	ended := authority.For(mtls.Gateway, authority.Hosts{}, now, day)
	ended.NotBefore, ended.NotAfter = now.Add(-3*day), now.Add(-day)
	oneEnd := authority.For(mtls.Gateway, authority.Hosts{}, now, day)
	oneEnd.Usages = []x509.ExtKeyUsage{x509.ExtKeyUsageClientAuth}
	nameless := authority.For(mtls.Gateway, authority.Hosts{}, now, day)
	nameless.URIs = nil
	for what, c := range map[string]struct {
		trusted []byte
		p       pair
		change  func(dir string) error
		says    string
	}{
		"good":              {good.CertificatePEM(), right, nil, ""},
		"key for its group": {good.CertificatePEM(), right, func(dir string) error { return os.Chmod(filepath.Join(dir, mtls.KeyFile), 0o640) }, ""},
		"key for everybody": {good.CertificatePEM(), right, func(dir string) error { return os.Chmod(filepath.Join(dir, mtls.KeyFile), 0o644) }, "expected 0600"},
		"no key":            {good.CertificatePEM(), right, func(dir string) error { return os.Remove(filepath.Join(dir, mtls.KeyFile)) }, mtls.KeyFile},
		"no authority":      {nil, right, nil, mtls.CAFile},
		"another's key":     {good.CertificatePEM(), pair{right.cert, named(t, good, mtls.Gateway).key}, nil, mtls.KeyFile},
		"another authority": {ca(t).CertificatePEM(), right, nil, "unknown authority"},
		"ended":             {good.CertificatePEM(), issue(t, good, ended), nil, "expired"},
		"for one end only":  {good.CertificatePEM(), issue(t, good, oneEnd), nil, "usage"},
		"without a name":    {good.CertificatePEM(), issue(t, good, nameless), nil, "expected one"},
		"a directory for a file": {good.CertificatePEM(), right, func(dir string) error {
			p := filepath.Join(dir, mtls.CertFile)
			return errors.Join(os.Remove(p), os.Mkdir(p, 0o700))
		}, "no regular file"},
		"a file without an end":   {good.CertificatePEM(), right, func(dir string) error { return os.Truncate(filepath.Join(dir, mtls.CAFile), 2<<20) }, "larger than"},
		"text for a certificate":  {good.CertificatePEM(), pair{[]byte("x"), right.key}, nil, mtls.CertFile},
		"no certificates trusted": {[]byte("x"), right, nil, mtls.CAFile},
	} {
		dir := t.TempDir()
		write(t, dir, c.trusted, c.p)
		if c.change != nil {
			if err := c.change(dir); err != nil {
				t.Fatal(err)
			}
		}
		_, err := mtls.Open(dir, nil, time.Now)
		if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; expected it to say %q", what, err, c.says)
		}
	}
}

func TestListsOfNames(t *testing.T) {
	t.Parallel()
	preset := []string{"client"}
	for _, c := range []struct {
		dir, list string
		want      []string
		good      bool
	}{
		{"", "", nil, true},
		{"", "gateway", nil, false},
		{"d", "", preset, true},
		{"d", "gateway, quote", []string{"gateway", "quote"}, true},
		{"d", "gateway,gateway", nil, false},
		{"d", ",", nil, false},
		{"d", "Gateway", nil, false},
		{"d", strings.Repeat("a", 33), nil, false},
	} {
		got, err := mtls.Allowed(c.dir, c.list, preset)
		if (err == nil) != c.good {
			t.Errorf("%q, %q: %v", c.dir, c.list, err)
		}
		if diff := cmp.Diff(c.want, got); err == nil && diff != "" {
			t.Errorf("%q, %q: %s", c.dir, c.list, diff)
		}
	}
	good := ca(t)
	identity := open(t, good.CertificatePEM(), named(t, good, mtls.Gateway))
	if _, err := identity.ServerConfig(nil); err == nil {
		t.Error("a server that lets nobody in was made")
	}
	if _, err := identity.ClientConfig([]string{"*"}); err == nil {
		t.Error("a pattern was taken for a name")
	}
}

func TestNamesGoThereAndBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.StringMatching(`[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?`).Draw(t, "name")
		got, err := mtls.NameOf(&x509.Certificate{URIs: []*url.URL{mtls.URI(name)}})
		if err != nil || got != name {
			t.Fatalf("%q, %v", got, err)
		}
	})
}

// FuzzNames looks for texts that are taken for a name without being exactly the
// URI of it.
func FuzzNames(f *testing.F) {
	for _, seed := range []string{
		"spiffe://beltwright/gateway", "spiffe://beltwright/gateway/", "spiffe://beltwright:443/gateway", "spiffe://u@beltwright/gateway",
		"SPIFFE://beltwright/gateway", "spiffe://beltwright/gate%77ay", "spiffe://beltwright//gateway", "spiffe://beltwright/a?b#c", "gateway,quote",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if uri, err := url.Parse(text); err == nil {
			name, err := mtls.NameOf(&x509.Certificate{URIs: []*url.URL{uri}})
			if err == nil && (uri.String() != fmt.Sprintf("spiffe://%s/%s", mtls.TrustDomain, name) || mtls.CheckName(name) != nil) {
				t.Errorf("%q was taken for %q", text, name)
			}
		}
		if list, err := mtls.ParseAllow(text); err == nil {
			again, err := mtls.ParseAllow(strings.Join(list, ","))
			if diff := cmp.Diff(list, again); err != nil || diff != "" {
				t.Errorf("%q: %v, %s", text, err, diff)
			}
		}
	})
}
