package authority

import "crypto/x509"

// Forge is an authority with the key and subject of another, which believes that
// it may vouch for further hosts.
func Forge(certificate, key []byte, hosts Hosts) (*Authority, error) {
	a, err := Load(certificate, key)
	if err != nil {
		return nil, err
	}
	wide, err := x509.ParseCertificate(a.certificate.Raw)
	if err != nil {
		return nil, err
	}
	wide.PermittedDNSDomains = append(wide.PermittedDNSDomains, hosts.Names...)
	for _, ip := range hosts.Addresses {
		wide.PermittedIPRanges = append(wide.PermittedIPRanges, single(ip))
	}
	a.certificate = wide
	return a, nil
}
