package mtls

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"
)

// Files of an identity, PEM, in one directory.
const (
	// CAFile holds the authorities that are trusted, one or several.
	CAFile = "ca.pem"
	// CertFile holds the certificate, then those between it and the authority.
	CertFile = "cert.pem"
	// KeyFile holds the certificate's private key; others may not read it.
	KeyFile = "key.pem"
)

// rereadEvery is how often the files are read at most. Each new connection looks.
const rereadEvery = time.Second

// maxFile bounds a file that is read: bundles of authorities are small.
const maxFile = 1 << 20

// Identity is who a process is to others, and whom it can recognise.
type Identity struct {
	dir string
	log *slog.Logger
	now func() time.Time

	mu      sync.Mutex
	set     *set
	refused []byte // contents that were looked at and not taken
	read    time.Time
	warned  time.Time
}

// set is one consistent state of the three files.
type set struct {
	raw         []byte // all contents
	name        string
	certificate tls.Certificate
	authorities *x509.CertPool
}

// Open reads the identity in a directory. It fails where a file is missing, the
// parts do not belong together, the certificate is not valid now, or the key may
// be read by everybody.
func Open(dir string, log *slog.Logger, now func() time.Time) (*Identity, error) {
	if log == nil {
		log = slog.Default()
	}
	i := &Identity{dir: dir, log: log, now: now}
	raw, err := readAll(dir)
	if errors.Is(err, fs.ErrNotExist) {
		err = fmt.Errorf("%w; expected %s, %s and %s, as \"beltwright devcerts\" makes them in a folder for each program", err, CAFile, CertFile, KeyFile)
	}
	if err != nil {
		return nil, fmt.Errorf("TLS in %s: %w", dir, err)
	}
	if i.set, err = parse(raw, now()); err != nil {
		return nil, fmt.Errorf("TLS in %s: %w", dir, err)
	}
	i.read = now()
	return i, nil
}

// Name is who the process is.
func (i *Identity) Name() string { return i.current().name }

// Expires is when the certificate in use ends.
func (i *Identity) Expires() time.Time { return i.current().certificate.Leaf.NotAfter }

// Serial is the serial number of the certificate in use, as text, so that logs
// and tests can tell certificates apart.
func (i *Identity) Serial() string { return i.current().certificate.Leaf.SerialNumber.Text(16) }

// current returns the state to use for a new connection; it reads the files again
// where they were not read in the last second. Files that do not belong together,
// as while they are being replaced, leave the state as it is.
func (i *Identity) current() *set {
	i.mu.Lock()
	defer i.mu.Unlock()
	now := i.now()
	if now.Sub(i.read) >= rereadEvery || now.Before(i.read) {
		i.read = now
		i.reread(now)
	}
	return i.set
}

func (i *Identity) reread(now time.Time) {
	raw, err := readAll(i.dir)
	if err == nil && bytes.Equal(raw.joined(), i.set.raw) {
		i.refused = nil
		i.warn(now)
		return
	}
	var fresh *set
	if err == nil {
		fresh, err = parse(raw, now)
	}
	if err != nil {
		// The same broken contents are named once, not at every connection.
		if tried := raw.joined(); i.refused == nil || !bytes.Equal(tried, i.refused) {
			i.refused = tried
			i.log.Error("the TLS files changed and cannot be used; the certificate of before stays in use", "dir", i.dir, "error", err)
		}
		return
	}
	i.set, i.refused, i.warned = fresh, nil, time.Time{}
	i.log.Info("took the changed TLS files", "dir", i.dir, "name", fresh.name, "expires", fresh.certificate.Leaf.NotAfter)
	i.warn(now)
}

// warnEvery is how often it is said that a certificate ends soon.
const warnEvery = 12 * time.Hour

// warn says when less than a tenth of the certificate's time is left.
func (i *Identity) warn(now time.Time) {
	leaf := i.set.certificate.Leaf
	left := leaf.NotAfter.Sub(now)
	if left > leaf.NotAfter.Sub(leaf.NotBefore)/10 || !i.warned.IsZero() && now.Sub(i.warned) < warnEvery {
		return
	}
	i.warned = now
	i.log.Warn("the TLS certificate ends soon; put a new one into its place, no restart is needed",
		"dir", i.dir, "name", i.set.name, "expires", leaf.NotAfter)
}

// contents are the three files as read.
type contents struct{ ca, cert, key []byte }

func (c contents) joined() []byte { return slices.Concat(c.ca, []byte{0}, c.cert, []byte{0}, c.key) }

func readAll(dir string) (c contents, err error) {
	for _, file := range []struct {
		name string
		into *[]byte
	}{{CAFile, &c.ca}, {CertFile, &c.cert}, {KeyFile, &c.key}} {
		if *file.into, err = readFile(filepath.Join(dir, file.name), file.name == KeyFile); err != nil {
			return c, err
		}
	}
	return c, nil
}

// readFile reads a small regular file; a secret one must not be open to everybody.
func readFile(path string, secret bool) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	switch {
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is no regular file", path)
	case info.Size() > maxFile:
		return nil, fmt.Errorf("%s is larger than %d bytes", path, maxFile)
	case secret && info.Mode().Perm()&0o007 != 0:
		return nil, fmt.Errorf("%s has mode %04o: every user of the machine may use it; expected 0600 or 0640", path, info.Mode().Perm())
	}
	return os.ReadFile(path) //nolint:gosec // the operator named the directory
}

// parse makes a state of the files, which must belong together: the key to the
// certificate, the certificate to one of the authorities, valid now for both ends
// of a connection, and with a name.
func parse(raw contents, now time.Time) (*set, error) {
	pair, err := tls.X509KeyPair(raw.cert, raw.key)
	if err != nil {
		return nil, fmt.Errorf("%s and %s: %w", CertFile, KeyFile, err)
	}
	if pair.Leaf == nil {
		if pair.Leaf, err = x509.ParseCertificate(pair.Certificate[0]); err != nil {
			return nil, fmt.Errorf("%s: %w", CertFile, err)
		}
	}
	authorities := x509.NewCertPool()
	if !authorities.AppendCertsFromPEM(raw.ca) {
		return nil, fmt.Errorf("%s: no certificate in it", CAFile)
	}
	name, err := NameOf(pair.Leaf)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", CertFile, err)
	}
	chain := []*x509.Certificate{pair.Leaf}
	for _, der := range pair.Certificate[1:] {
		between, err := x509.ParseCertificate(der)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", CertFile, err)
		}
		chain = append(chain, between)
	}
	for _, usage := range []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth} {
		if err := verify(chain, authorities, usage, now); err != nil {
			return nil, fmt.Errorf("%s under %s: %w", CertFile, CAFile, err)
		}
	}
	return &set{raw: raw.joined(), name: name, certificate: pair, authorities: authorities}, nil
}

// verify checks a chain, the leaf first, for one use at one time.
func verify(chain []*x509.Certificate, authorities *x509.CertPool, usage x509.ExtKeyUsage, now time.Time) error {
	if len(chain) == 0 {
		return errors.New("there is no certificate")
	}
	between := x509.NewCertPool()
	for _, c := range chain[1:] {
		between.AddCert(c)
	}
	_, err := chain[0].Verify(x509.VerifyOptions{
		Roots: authorities, Intermediates: between, CurrentTime: now, KeyUsages: []x509.ExtKeyUsage{usage},
	})
	return err
}
