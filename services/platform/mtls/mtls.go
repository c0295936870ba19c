// Package mtls is how the services know one another: TLS 1.3 with a certificate
// on both sides, each naming its owner in one URI (spiffe://beltwright/NAME, the
// form of the SPIFFE X.509-SVID standard), and on each side a list of the names
// that it talks to. Host names and addresses are not compared: they say where
// somebody is, not who. The files are read again while the process runs, so that
// certificates and the authority change without a restart.
//
// A certificate says which program is calling, never for whom: every call needs
// the credential of its user besides.
package mtls

import (
	"crypto/x509"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
)

// TrustDomain is the host part of every identity.
const TrustDomain = "beltwright"

// Names of the programs. Whoever runs them may invent more for other callers.
const (
	// Gateway is the REST gateway alone.
	Gateway = "gateway"
	// Fitment is the fitment service alone.
	Fitment = "fitment"
	// Quote is the quote service alone.
	Quote = "quote"
	// Client is a person's command line.
	Client = "client"
	// AllInOne is the program that is gateway and both services at once.
	AllInOne = "beltwright"
)

// FitmentServers and QuoteServers are the names of servers that offer the side's
// services.
func FitmentServers() []string { return []string{Fitment, AllInOne} }

// QuoteServers are the names of servers that offer the quote side.
func QuoteServers() []string { return []string{Quote, AllInOne} }

var names = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?$`)

// CheckName says what is wrong with a name of a program.
func CheckName(name string) error {
	if !names.MatchString(name) {
		return fmt.Errorf("name %q: expected 1 to 32 characters a-z, 0-9 and -, not - at an end", name)
	}
	return nil
}

// URI returns the identity of a name.
func URI(name string) *url.URL {
	return &url.URL{Scheme: "spiffe", Host: TrustDomain, Path: "/" + name}
}

// errIdentity is wrapped by everything that NameOf returns.
var errIdentity = errors.New("the certificate does not say who it is for")

// NameOf returns the name in a certificate. There must be exactly one URI in it,
// of our domain: with two, each side could read another one.
func NameOf(certificate *x509.Certificate) (string, error) {
	if len(certificate.URIs) != 1 {
		return "", fmt.Errorf("%w: it carries %d URIs; expected one, spiffe://%s/NAME", errIdentity, len(certificate.URIs), TrustDomain)
	}
	uri := certificate.URIs[0]
	name := strings.TrimPrefix(uri.Path, "/")
	if CheckName(name) != nil || uri.String() != URI(name).String() {
		return "", fmt.Errorf("%w: its URI is %q; expected spiffe://%s/NAME", errIdentity, uri, TrustDomain)
	}
	return name, nil
}

// ParseAllow reads a list of names as a flag gives it, "gateway,quote". Names
// given twice are refused, as is an empty list: it would let nobody in.
func ParseAllow(list string) ([]string, error) {
	var allow []string
	for part := range strings.SplitSeq(list, ",") {
		name := strings.TrimSpace(part)
		if err := CheckName(name); err != nil {
			return nil, fmt.Errorf("list of names %q: %w", list, err)
		}
		if slices.Contains(allow, name) {
			return nil, fmt.Errorf("list of names %q: %s is there twice", list, name)
		}
		allow = append(allow, name)
	}
	return allow, nil
}

// Allowed is the list of names of a server whose identity is in dir: as the flag
// says, or the preset where it says nothing. Without an identity there is no list,
// and a flag that wants one is refused.
func Allowed(dir, list string, preset []string) ([]string, error) {
	switch {
	case dir == "" && list != "":
		return nil, errors.New("without TLS nobody can be told by name; give the directory of a certificate too")
	case dir == "":
		return nil, nil
	case list == "":
		return preset, nil
	}
	return ParseAllow(list)
}
