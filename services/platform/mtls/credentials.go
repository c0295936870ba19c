package mtls

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"slices"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
)

// ServerConfig returns the TLS settings of a server that lets in the callers of
// these names and nobody else. Each connection takes the files as they are then.
func (i *Identity) ServerConfig(allow []string) (*tls.Config, error) {
	if err := checkAllow(allow); err != nil {
		return nil, err
	}
	allow = slices.Clone(allow)
	base := &tls.Config{MinVersion: tls.VersionTLS13, NextProtos: []string{"h2"}}
	base.GetConfigForClient = func(*tls.ClientHelloInfo) (*tls.Config, error) {
		now := i.current()
		return &tls.Config{
			MinVersion:   tls.VersionTLS13,
			NextProtos:   []string{"h2"},
			Certificates: []tls.Certificate{now.certificate},
			ClientAuth:   tls.RequireAndVerifyClientCert,
			ClientCAs:    now.authorities,
			Time:         i.now,
			// A session that went on by a ticket would not show its certificate
			// again, and would outlive a change of the files.
			SessionTicketsDisabled: true,
			VerifyConnection: func(state tls.ConnectionState) error {
				return i.permit(state, now.authorities, x509.ExtKeyUsageClientAuth, allow)
			},
		}, nil
	}
	return base, nil
}

// ClientConfig returns the TLS settings of a caller that wants to reach a server
// of one of these names.
func (i *Identity) ClientConfig(wanted []string) (*tls.Config, error) {
	if err := checkAllow(wanted); err != nil {
		return nil, err
	}
	wanted = slices.Clone(wanted)
	return &tls.Config{
		MinVersion: tls.VersionTLS13,
		NextProtos: []string{"h2"},
		Time:       i.now,
		GetClientCertificate: func(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
			return &i.current().certificate, nil
		},
		// The library's own check would use the authorities of when the connection
		// was set up, and compare host names. permit checks the chain in full.
		InsecureSkipVerify: true, //nolint:gosec // VerifyConnection verifies the chain and the name
		VerifyConnection: func(state tls.ConnectionState) error {
			return i.permit(state, i.current().authorities, x509.ExtKeyUsageServerAuth, wanted)
		},
	}, nil
}

// permit verifies the other side's chain and looks its name up in the list. It
// runs for every connection.
func (i *Identity) permit(state tls.ConnectionState, authorities *x509.CertPool, usage x509.ExtKeyUsage, list []string) error {
	if state.Version < tls.VersionTLS13 {
		return errors.New("mtls: expected TLS 1.3")
	}
	if err := verify(state.PeerCertificates, authorities, usage, i.now()); err != nil {
		return fmt.Errorf("mtls: %w", err)
	}
	name, err := NameOf(state.PeerCertificates[0])
	if err != nil {
		return fmt.Errorf("mtls: %w", err)
	}
	if !slices.Contains(list, name) {
		return fmt.Errorf("mtls: the other side is %q; expected one of %v", name, list)
	}
	return nil
}

func checkAllow(list []string) error {
	if len(list) == 0 {
		return errors.New("mtls: the list of names is empty; nobody could connect")
	}
	for _, name := range list {
		if err := CheckName(name); err != nil {
			return fmt.Errorf("mtls: %w", err)
		}
	}
	return nil
}

// ServerCredentials are ServerConfig for a gRPC server. Connections inside the
// process (package bufconn) are let through without TLS: nobody else can open one.
func (i *Identity) ServerCredentials(allow []string) (credentials.TransportCredentials, error) {
	config, err := i.ServerConfig(allow)
	if err != nil {
		return nil, err
	}
	return server{TransportCredentials: credentials.NewTLS(config), inside: insecure.NewCredentials(), identity: i}, nil
}

// ClientCredentials are ClientConfig for a gRPC connection.
func (i *Identity) ClientCredentials(wanted []string) (credentials.TransportCredentials, error) {
	config, err := i.ClientConfig(wanted)
	if err != nil {
		return nil, err
	}
	return credentials.NewTLS(config), nil
}

// server does the server's handshake; the embedded credentials do the rest.
type server struct {
	credentials.TransportCredentials

	inside   credentials.TransportCredentials
	identity *Identity
}

// ServerHandshake implements credentials.TransportCredentials. Who is refused is
// logged here: grpc itself says it to nobody.
func (s server) ServerHandshake(conn net.Conn) (net.Conn, credentials.AuthInfo, error) {
	if conn.LocalAddr().Network() == "bufconn" {
		return s.inside.ServerHandshake(conn)
	}
	secured, info, err := s.TransportCredentials.ServerHandshake(conn)
	if err != nil {
		s.identity.log.Debug("a connection was refused", "from", conn.RemoteAddr().String(), "error", err)
		return nil, nil, err
	}
	return secured, info, nil
}

// ClientHandshake implements credentials.TransportCredentials.
func (server) ClientHandshake(context.Context, string, net.Conn) (net.Conn, credentials.AuthInfo, error) {
	return nil, nil, errors.New("mtls: these credentials are a server's")
}

// Clone implements credentials.TransportCredentials.
func (s server) Clone() credentials.TransportCredentials {
	s.TransportCredentials = s.TransportCredentials.Clone()
	return s
}
