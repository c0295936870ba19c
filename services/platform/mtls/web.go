package mtls

import (
	"bytes"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"sync"
	"time"
)

// Web is the certificate that a server shows to browsers and scripts, which have
// none of their own. It is read again while the process runs, like Identity.
type Web struct {
	certFile, keyFile string
	log               *slog.Logger
	now               func() time.Time

	mu       sync.Mutex
	pair     *tls.Certificate
	raw, bad []byte
	read     time.Time
}

// OpenWeb reads a certificate (with those between it and its authority) and its
// key, both PEM.
func OpenWeb(certFile, keyFile string, log *slog.Logger, now func() time.Time) (*Web, error) {
	if log == nil {
		log = slog.Default()
	}
	w := &Web{certFile: certFile, keyFile: keyFile, log: log, now: now, read: now()}
	pair, raw, err := w.load()
	if err != nil {
		return nil, fmt.Errorf("certificate of REST: %w", err)
	}
	w.pair, w.raw = pair, raw
	return w, nil
}

// load reads both files; what was read comes back with an error too.
func (w *Web) load() (*tls.Certificate, []byte, error) {
	cert, err := readFile(w.certFile, false)
	if err != nil {
		return nil, nil, err
	}
	key, err := readFile(w.keyFile, true)
	if err != nil {
		return nil, cert, err
	}
	raw := contents{cert: cert, key: key}.joined()
	pair, err := tls.X509KeyPair(cert, key)
	if err != nil {
		return nil, raw, fmt.Errorf("%s and %s: %w", w.certFile, w.keyFile, err)
	}
	if pair.Leaf == nil {
		if pair.Leaf, err = x509.ParseCertificate(pair.Certificate[0]); err != nil {
			return nil, raw, fmt.Errorf("%s: %w", w.certFile, err)
		}
	}
	if now := w.now(); now.Before(pair.Leaf.NotBefore) || now.After(pair.Leaf.NotAfter) {
		return nil, raw, fmt.Errorf("%s is valid from %s to %s, not now", w.certFile,
			pair.Leaf.NotBefore.Format(time.RFC3339), pair.Leaf.NotAfter.Format(time.RFC3339))
	}
	return &pair, raw, nil
}

// certificate is what the next connection is shown.
func (w *Web) certificate() *tls.Certificate {
	w.mu.Lock()
	defer w.mu.Unlock()
	now := w.now()
	if now.Sub(w.read) < rereadEvery && !now.Before(w.read) {
		return w.pair
	}
	w.read = now
	pair, raw, err := w.load()
	switch {
	case err == nil && !bytes.Equal(raw, w.raw):
		w.pair, w.raw, w.bad = pair, raw, nil
		w.log.Info("took the changed certificate of REST", "file", w.certFile, "expires", pair.Leaf.NotAfter)
	case err != nil && (w.bad == nil || !bytes.Equal(raw, w.bad)):
		w.bad = append([]byte{0}, raw...)[1:] // not nil, so that it is said once
		w.log.Error("the certificate of REST cannot be used; the one of before stays in use", "error", err)
	}
	return w.pair
}

// Config returns the TLS settings of a server of HTTP/1.1: TLS 1.3, which every
// browser in use speaks.
func (w *Web) Config() *tls.Config {
	return &tls.Config{
		MinVersion:             tls.VersionTLS13,
		NextProtos:             []string{"http/1.1"},
		SessionTicketsDisabled: true,
		Time:                   w.now,
		GetCertificate:         func(*tls.ClientHelloInfo) (*tls.Certificate, error) { return w.certificate(), nil },
	}
}
