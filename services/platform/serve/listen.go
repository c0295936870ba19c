package serve

import (
	"context"
	"errors"
	"fmt"
	"net"
)

// ErrOffLoopback is why an address is refused that others than this machine reach. What
// would let it be is for callers to say, who know their flags.
var ErrOffLoopback = errors.New("is not on loopback")

// Listen opens a TCP listener for connections that are not encrypted: only
// loopback addresses are allowed; "localhost" counts as one. Its connections are
// bounded.
func Listen(ctx context.Context, address string) (net.Listener, error) {
	if err := checkLoopback(address); err != nil {
		return nil, err
	}
	return ListenSecured(ctx, address, Connections{})
}

// ListenSecured opens a TCP listener on any address, for a server that encrypts or
// stands behind one that does.
func ListenSecured(ctx context.Context, address string, bounds Connections) (net.Listener, error) {
	if err := checkAddress(address); err != nil {
		return nil, err
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("serve: %w", err)
	}
	return Limit(listener, bounds), nil
}

// checkAddress checks the form of an address, "host:port".
func checkAddress(address string) error {
	if _, _, err := net.SplitHostPort(address); err != nil {
		return fmt.Errorf("serve: address %q: expected HOST:PORT such as 127.0.0.1:9091", address)
	}
	return nil
}

// checkLoopback checks an address as it was given, "host:port".
func checkLoopback(address string) error {
	if err := checkAddress(address); err != nil {
		return err
	}
	host, _, _ := net.SplitHostPort(address)
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return fmt.Errorf("serve: address %q %w; expected 127.0.0.1:PORT, [::1]:PORT or localhost:PORT, "+
			"since these connections are not encrypted", address, ErrOffLoopback)
	}
	return nil
}

// loopbackOnly checks where a listener really listens, or each of a joined one;
// in-memory listeners pass.
func loopbackOnly(listener net.Listener) error {
	all := []net.Listener{listener}
	if several, ok := listener.(*joined); ok {
		all = several.listeners
	}
	for _, one := range all {
		if tcp, ok := one.Addr().(*net.TCPAddr); ok && !tcp.IP.IsLoopback() {
			return fmt.Errorf("serve: %v %w, and these connections are not encrypted", tcp, ErrOffLoopback)
		}
	}
	return nil
}
