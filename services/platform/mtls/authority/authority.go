// Package authority makes certificates for development and tests: a small
// authority of one's own and, for each program, a certificate that names it. It
// is not how certificates should be made where others depend on them: the
// authority's key lies in a file.
package authority

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"math/big"
	"net"
	"net/url"
	"slices"
	"strings"
	"time"

	"beltwright.example/services/platform/mtls"
)

// serialBits is the length of serial numbers; RFC 5280 §4.1.2.2 allows 20 bytes.
const serialBits = 127

// clockSkew is how far back certificates begin, for machines whose clock is late.
const clockSkew = 5 * time.Minute

// Authority signs certificates.
type Authority struct {
	certificate *x509.Certificate
	key         *ecdsa.PrivateKey
}

// Hosts are the host names and addresses that certificates are good for beside
// the identity, for browsers and tools that compare them.
type Hosts struct {
	Names     []string
	Addresses []net.IP
}

// ParseHosts sorts host names from addresses.
func ParseHosts(list []string) (Hosts, error) {
	var h Hosts
	for _, text := range list {
		if ip := net.ParseIP(text); ip != nil {
			h.Addresses = append(h.Addresses, ip)
			continue
		}
		if !hostName(text) {
			return Hosts{}, fmt.Errorf("host %q: expected a name such as localhost or an address such as 127.0.0.1", text)
		}
		h.Names = append(h.Names, strings.ToLower(text))
	}
	return h, nil
}

// hostName tells whether a text can be a DNS name: labels of letters, digits and
// hyphens (RFC 1123 §2.1).
func hostName(text string) bool {
	if text == "" || len(text) > 253 {
		return false
	}
	for label := range strings.SplitSeq(text, ".") {
		letters := strings.Trim(strings.ToLower(label), "abcdefghijklmnopqrstuvwxyz0123456789-")
		if label == "" || len(label) > 63 || letters != "" || label[0] == '-' || label[len(label)-1] == '-' {
			return false
		}
	}
	return true
}

// New makes an authority that is valid from a little before now for a while. It
// can vouch for these hosts and for identities of our domain, and nothing else:
// whoever trusts it trusts it for no other site. Names of a kind that it permits none
// of are excluded, since a kind that is not spoken of is not limited (RFC 5280
// §4.2.1.10).
func New(now time.Time, validFor time.Duration, hosts Hosts) (*Authority, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	serial, err := newSerial()
	if err != nil {
		return nil, err
	}
	template := &x509.Certificate{
		SerialNumber:                serial,
		Subject:                     pkix.Name{CommonName: "Beltwright development authority " + serial.Text(16)[:8]},
		NotBefore:                   now.Add(-clockSkew),
		NotAfter:                    now.Add(validFor),
		KeyUsage:                    x509.KeyUsageCertSign,
		BasicConstraintsValid:       true,
		IsCA:                        true,
		MaxPathLenZero:              true,
		PermittedDNSDomainsCritical: true,
		PermittedURIDomains:         []string{mtls.TrustDomain},
		PermittedDNSDomains:         hosts.Names,
	}
	for _, ip := range hosts.Addresses {
		template.PermittedIPRanges = append(template.PermittedIPRanges, single(ip))
	}
	if len(hosts.Addresses) == 0 {
		template.ExcludedIPRanges = []*net.IPNet{everyAddress(net.IPv4len), everyAddress(net.IPv6len)}
	}
	if len(hosts.Names) == 0 {
		template.ExcludedDNSDomains = []string{everyName}
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	certificate, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	return &Authority{certificate: certificate, key: key}, nil
}

// everyName is the constraint that every DNS name is within: any name can be made of
// the empty one by adding labels to its left (RFC 5280 §4.2.1.10).
const everyName = ""

// everyAddress is the range of all addresses of a length in bytes.
func everyAddress(length int) *net.IPNet {
	return &net.IPNet{IP: make(net.IP, length), Mask: make(net.IPMask, length)}
}

// single is the range of one address.
func single(ip net.IP) *net.IPNet {
	if four := ip.To4(); four != nil {
		ip = four
	}
	bits := 8 * len(ip)
	return &net.IPNet{IP: ip, Mask: net.CIDRMask(bits, bits)}
}

func newSerial() (*big.Int, error) {
	serial, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), serialBits))
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	return serial.SetBit(serial, serialBits-1, 1), nil // of full length
}

// Load reads an authority from its certificate and key, PEM.
func Load(certificate, key []byte) (*Authority, error) {
	block, _ := pem.Decode(certificate)
	if block == nil || block.Type != "CERTIFICATE" {
		return nil, errors.New("authority: no certificate in PEM")
	}
	parsed, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	if block, _ = pem.Decode(key); block == nil {
		return nil, errors.New("authority: no key in PEM")
	}
	secret, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	own, ok := secret.(*ecdsa.PrivateKey)
	if !ok || !own.PublicKey.Equal(parsed.PublicKey) || !parsed.IsCA {
		return nil, errors.New("authority: the key is not that of the certificate, or the certificate is no authority's")
	}
	return &Authority{certificate: parsed, key: own}, nil
}

// CertificatePEM is the authority's certificate.
func (a *Authority) CertificatePEM() []byte { return asPEM("CERTIFICATE", a.certificate.Raw) }

// KeyPEM is the authority's key, which whoever has it can be anybody with.
func (a *Authority) KeyPEM() ([]byte, error) { return keyPEM(a.key) }

// Expires is when the authority ends.
func (a *Authority) Expires() time.Time { return a.certificate.NotAfter }

// Hosts are what the authority can vouch for.
func (a *Authority) Hosts() Hosts {
	h := Hosts{Names: slices.Clone(a.certificate.PermittedDNSDomains)}
	for _, one := range a.certificate.PermittedIPRanges {
		h.Addresses = append(h.Addresses, one.IP)
	}
	return h
}

// Request says what certificate is wanted.
type Request struct {
	// URIs are the identities; a program has one.
	URIs []*url.URL
	// Hosts are what it is good for beside.
	Hosts Hosts
	// NotBefore and NotAfter bound its time.
	NotBefore, NotAfter time.Time
	// Usages are the ends of a connection that it is for; none means both.
	Usages []x509.ExtKeyUsage
}

// For is the request for a program's certificate from a little before now.
func For(name string, hosts Hosts, now time.Time, validFor time.Duration) Request {
	return Request{URIs: []*url.URL{mtls.URI(name)}, Hosts: hosts, NotBefore: now.Add(-clockSkew), NotAfter: now.Add(validFor)}
}

// Issue makes a key and a certificate for it, both PEM. A certificate cannot outlast its authority.
func (a *Authority) Issue(r Request) (certificate, key []byte, err error) {
	if r.NotAfter.After(a.certificate.NotAfter) {
		return nil, nil, fmt.Errorf("authority: it ends at %s, before the certificate would (%s)",
			a.certificate.NotAfter.Format(time.RFC3339), r.NotAfter.Format(time.RFC3339))
	}
	for _, host := range r.Hosts.Names {
		if !slices.Contains(a.certificate.PermittedDNSDomains, host) {
			return nil, nil, fmt.Errorf("authority: it was made without the host %q and cannot vouch for it", host)
		}
	}
	for _, ip := range r.Hosts.Addresses {
		if !slices.ContainsFunc(a.certificate.PermittedIPRanges, func(n *net.IPNet) bool { return n.Contains(ip) }) {
			return nil, nil, fmt.Errorf("authority: it was made without the address %s and cannot vouch for it", ip)
		}
	}
	secret, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, fmt.Errorf("authority: %w", err)
	}
	serial, err := newSerial()
	if err != nil {
		return nil, nil, err
	}
	usages := r.Usages
	if len(usages) == 0 {
		usages = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}
	}
	template := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{Organization: []string{"Beltwright development"}},
		URIs:         r.URIs,
		DNSNames:     r.Hosts.Names,
		IPAddresses:  r.Hosts.Addresses,
		NotBefore:    r.NotBefore,
		NotAfter:     r.NotAfter,
		KeyUsage:     x509.KeyUsageDigitalSignature,
		ExtKeyUsage:  usages,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, a.certificate, secret.Public(), a.key)
	if err != nil {
		return nil, nil, fmt.Errorf("authority: %w", err)
	}
	if key, err = keyPEM(secret); err != nil {
		return nil, nil, err
	}
	return asPEM("CERTIFICATE", der), key, nil
}

func keyPEM(key *ecdsa.PrivateKey) ([]byte, error) {
	der, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	return asPEM("PRIVATE KEY", der), nil
}

func asPEM(kind string, der []byte) []byte {
	return pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der})
}
