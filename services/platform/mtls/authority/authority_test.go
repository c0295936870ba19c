package authority_test

import (
	"crypto/x509"
	"encoding/pem"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/mtls/authority"
)

const day = 24 * time.Hour

func parse(t *testing.T, raw []byte) *x509.Certificate {
	t.Helper()
	block, _ := pem.Decode(raw)
	certificate, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	return certificate
}

func TestAuthorityVouchesForItsHostsAndNamesOnly(t *testing.T) {
	t.Parallel()
	now := time.Now()
	hosts, err := authority.ParseHosts([]string{"localhost", "127.0.0.1", "::1"})
	if err != nil {
		t.Fatal(err)
	}
	ca, err := authority.New(now, 30*day, hosts)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(hosts.Names, ca.Hosts().Names); diff != "" || len(ca.Hosts().Addresses) != 2 {
		t.Errorf("%v, %s", ca.Hosts(), diff)
	}
	raw, _, err := ca.Issue(authority.For(mtls.Quote, hosts, now, day))
	if err != nil {
		t.Fatal(err)
	}
	leaf, root := parse(t, raw), parse(t, ca.CertificatePEM())
	pool := x509.NewCertPool()
	pool.AddCert(root)
	for _, host := range []string{"localhost", "127.0.0.1", "::1"} {
		if _, err := leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: host}); err != nil {
			t.Errorf("%s: %v", host, err)
		}
	}
	if name, err := mtls.NameOf(leaf); err != nil || name != mtls.Quote {
		t.Errorf("%q, %v", name, err)
	}
	// RFC 5280 §4.2.1.9 and §4.2.1.3: an authority says so and may sign; a leaf is none.
	if !root.IsCA || !root.MaxPathLenZero || root.KeyUsage != x509.KeyUsageCertSign || leaf.IsCA || leaf.KeyUsage != x509.KeyUsageDigitalSignature {
		t.Errorf("authority %v %v, leaf %v %v", root.IsCA, root.KeyUsage, leaf.IsCA, leaf.KeyUsage)
	}
	for what, r := range map[string]authority.Request{
		"another host":            authority.For(mtls.Quote, authority.Hosts{Names: []string{"bank.example"}}, now, day),
		"longer than itself":      authority.For(mtls.Quote, hosts, now, 31*day),
		"an address not its own":  authority.For(mtls.Quote, mustHosts(t, "192.0.2.1"), now, day),
		"an address of its range": authority.For(mtls.Quote, mustHosts(t, "127.0.0.2"), now, day),
	} {
		if _, _, err := ca.Issue(r); err == nil {
			t.Errorf("%s: vouched for", what)
		}
	}
}

// Even who has the key cannot make a certificate of another site that a browser
// with this authority would take: the limit is in the authority (RFC 5280
// §4.2.1.10). The control is a host of its own.
func TestLimitsHoldForWhoeverHasTheKey(t *testing.T) {
	t.Parallel()
	now := time.Now()
	type try struct {
		own, host string
		good      bool
	}
	tries := []try{{"localhost", "localhost", true}, {"192.0.2.7", "192.0.2.7", true}, {"2001:db8::7", "2001:db8::7", true}}
	for _, own := range []string{"", "localhost", "192.0.2.7", "2001:db8::7"} {
		for _, host := range []string{"bank.example", "198.51.100.9", "2001:db8::9", "::ffff:198.51.100.9"} {
			tries = append(tries, try{own, host, false})
		}
	}
	for _, c := range tries {
		var hosts authority.Hosts
		if c.own != "" {
			hosts = mustHosts(t, c.own)
		}
		narrow, err := authority.New(now, 30*day, hosts)
		if err != nil {
			t.Fatal(err)
		}
		key, err := narrow.KeyPEM()
		if err != nil {
			t.Fatal(err)
		}
		// The same key under a certificate that says less: a forger's tool.
		forger, err := authority.Forge(narrow.CertificatePEM(), key, mustHosts(t, c.host))
		if err != nil {
			t.Fatal(err)
		}
		raw, _, err := forger.Issue(authority.For(mtls.Quote, mustHosts(t, c.host), now, day))
		if err != nil {
			t.Fatal(err)
		}
		pool := x509.NewCertPool()
		pool.AddCert(parse(t, narrow.CertificatePEM()))
		_, err = parse(t, raw).Verify(x509.VerifyOptions{Roots: pool, DNSName: c.host})
		if (err == nil) != c.good {
			t.Errorf("an authority for %q vouches for %s: %v", c.own, c.host, err)
		}
		if wrong, ok := errors.AsType[x509.CertificateInvalidError](err); !c.good && (!ok || wrong.Reason != x509.CANotAuthorizedForThisName) {
			t.Errorf("an authority for %q and %s: refused for another reason: %v", c.own, c.host, err)
		}
	}
}

// An authority without hosts still vouches for who programs are.
func TestIdentitiesNeedNoHosts(t *testing.T) {
	t.Parallel()
	now := time.Now()
	for _, own := range [][]string{nil, {"localhost"}, {"192.0.2.7"}} {
		ca, err := authority.New(now, 30*day, mustHosts(t, own...))
		if err != nil {
			t.Fatal(err)
		}
		raw, _, err := ca.Issue(authority.For(mtls.Quote, mustHosts(t, own...), now, day))
		if err != nil {
			t.Fatal(err)
		}
		pool := x509.NewCertPool()
		pool.AddCert(parse(t, ca.CertificatePEM()))
		if _, err := parse(t, raw).Verify(x509.VerifyOptions{Roots: pool}); err != nil {
			t.Errorf("%v: %v", own, err)
		}
	}
}

func mustHosts(t *testing.T, list ...string) authority.Hosts {
	t.Helper()
	hosts, err := authority.ParseHosts(list)
	if err != nil {
		t.Fatal(err)
	}
	return hosts
}

func TestLoadGoesOnWhereNewEnded(t *testing.T) {
	t.Parallel()
	now := time.Now()
	ca, err := authority.New(now, 30*day, authority.Hosts{})
	if err != nil {
		t.Fatal(err)
	}
	other, err := authority.New(now, 30*day, authority.Hosts{})
	if err != nil {
		t.Fatal(err)
	}
	key, err := ca.KeyPEM()
	if err != nil {
		t.Fatal(err)
	}
	again, err := authority.Load(ca.CertificatePEM(), key)
	if err != nil {
		t.Fatal(err)
	}
	raw, _, err := again.Issue(authority.For(mtls.Client, authority.Hosts{}, now, day))
	if err != nil {
		t.Fatal(err)
	}
	if err := parse(t, raw).CheckSignatureFrom(parse(t, ca.CertificatePEM())); err != nil {
		t.Error(err)
	}
	leaf, leafKey, err := ca.Issue(authority.For(mtls.Client, authority.Hosts{}, now, day))
	if err != nil {
		t.Fatal(err)
	}
	for what, files := range map[string][2][]byte{
		"another's key":     {other.CertificatePEM(), key},
		"no key":            {ca.CertificatePEM(), nil},
		"no certificate":    {nil, key},
		"not an authority":  {leaf, leafKey},
		"the wrong way":     {key, ca.CertificatePEM()},
		"broken inside PEM": {[]byte(strings.Replace(string(ca.CertificatePEM()), "MII", "AAA", 1)), key},
	} {
		if _, err := authority.Load(files[0], files[1]); err == nil {
			t.Errorf("%s: loaded", what)
		}
	}
}

func TestHosts(t *testing.T) {
	t.Parallel()
	for text, good := range map[string]bool{
		"localhost": true, "Yard-PC.lan": true, "127.0.0.1": true, "2001:db8::1": true,
		"": false, "*.example": false, "a b": false, "-a": false, "a-": false, "a..b": false, "a_b": false, strings.Repeat("a", 64): false, "http://x": false, "x:80": false,
	} {
		if _, err := authority.ParseHosts([]string{text}); (err == nil) != good {
			t.Errorf("%q: %v", text, err)
		}
	}
}

// FuzzHosts looks for a host that is taken, and that no certificate can be made for.
func FuzzHosts(f *testing.F) {
	for _, seed := range []string{"localhost", "yard-pc.lan", "127.0.0.1", "::1", "::ffff:1.2.3.4", "fe80::1%eth0", "*.x", "é.example", "a.b.", "1.2.3"} {
		f.Add(seed)
	}
	now := time.Now()
	f.Fuzz(func(t *testing.T, text string) {
		hosts, err := authority.ParseHosts([]string{text})
		if err != nil {
			return
		}
		if len(hosts.Names)+len(hosts.Addresses) != 1 {
			t.Fatalf("%q became %v", text, hosts)
		}
		ca, err := authority.New(now, day, hosts)
		if err != nil {
			t.Fatalf("%q: %v", text, err)
		}
		if _, _, err := ca.Issue(authority.For(mtls.Quote, ca.Hosts(), now, time.Hour)); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
	})
}
