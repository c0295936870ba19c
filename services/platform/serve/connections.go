package serve

import (
	"net"
	"net/netip"
	"sync"
)

// Connections bounds how many connections a listener keeps open. What comes above
// is closed at once instead of waiting: in a queue the connections of an attacker
// would stand before everybody else's. Each costs about 50 KB while it does nothing.
type Connections struct {
	// Total bounds all connections. 0 means DefaultConnections.
	Total int
	// PerAddress bounds those of one address, IPv6 by its /64, which is one
	// customer's. 0 means DefaultPerAddress; a negative number no bound, for a server
	// behind a proxy, where all come from one.
	PerAddress int
}

// Defaults of Connections.
const (
	DefaultConnections = 1024
	DefaultPerAddress  = 256
)

// Limit bounds the connections of a listener.
func Limit(listener net.Listener, bounds Connections) net.Listener {
	if bounds.Total == 0 {
		bounds.Total = DefaultConnections
	}
	if bounds.PerAddress == 0 {
		bounds.PerAddress = DefaultPerAddress
	}
	return &limited{Listener: listener, bounds: bounds, by: map[netip.Prefix]int{}}
}

// limited counts what it hands out.
type limited struct {
	net.Listener

	bounds Connections
	mu     sync.Mutex
	all    int
	by     map[netip.Prefix]int
}

// Accept returns the next connection that is within the bounds.
func (l *limited) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		from := network(conn.RemoteAddr())
		if l.take(from) {
			return &counted{Conn: conn, done: sync.OnceFunc(func() { l.give(from) })}, nil
		}
		if tcp, ok := conn.(*net.TCPConn); ok {
			_ = tcp.SetLinger(0) // nothing of it stays with the kernel
		}
		_ = conn.Close()
	}
}

func (l *limited) take(from netip.Prefix) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.all >= l.bounds.Total || l.bounds.PerAddress > 0 && l.by[from] >= l.bounds.PerAddress {
		return false
	}
	l.all++
	l.by[from]++
	return true
}

func (l *limited) give(from netip.Prefix) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.all--
	if l.by[from]--; l.by[from] == 0 {
		delete(l.by, from)
	}
}

// network is whose connection it is; connections that are not from a network are
// one party's.
func network(address net.Addr) netip.Prefix {
	tcp, ok := address.(*net.TCPAddr)
	if !ok {
		return netip.Prefix{}
	}
	ip := tcp.AddrPort().Addr().Unmap()
	bits := 64
	if ip.Is4() {
		bits = 32
	}
	prefix, err := ip.WithZone("").Prefix(bits)
	if err != nil {
		return netip.Prefix{}
	}
	return prefix
}

// counted gives its place back once it is closed.
type counted struct {
	net.Conn

	done func()
}

// Close implements net.Conn.
func (c *counted) Close() error {
	c.done()
	return c.Conn.Close()
}
