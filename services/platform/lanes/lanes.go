// Package lanes spreads the calls that a process makes over several connections to one
// server. A server lets a connection carry only so many calls at once, and what comes
// above waits on the caller's side, unseen and for as long as its caller likes. Where
// one connection carried everything, as many watches would keep every other call out,
// whoever they belong to.
//
// Calls that last (watches, files) and calls that are answered at once have
// connections of their own, so that neither stands in the other's way. More are opened
// as they are needed, up to a bound; then a call is refused with OVERLOADED, which is
// better than an unseen wait.
package lanes

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/limit"
)

// Defaults of Config.
const (
	// DefaultEach leaves room below what our servers let one connection carry (128):
	// for watching the server's health, and for what is never refused.
	DefaultEach = 100
	// DefaultMost is for each of the two kinds of calls. Of both together a server
	// sees fewer connections than it allows one address.
	DefaultMost = 24
)

// Conn is a connection that can be closed.
type Conn interface {
	grpc.ClientConnInterface
	io.Closer
}

// Config says how calls are spread. The zero value means the defaults.
type Config struct {
	// Each is how many calls one connection carries at most.
	Each int
	// Most is how many connections are opened for each kind of calls.
	Most int
}

// Lanes are connections to one server that look like one.
type Lanes struct {
	open   func() (Conn, error)
	config Config

	mu             sync.Mutex
	brief, lasting []*lane
	closed         bool
}

// lane is a connection and how many calls it carries.
type lane struct {
	conn  Conn
	calls int
}

var _ Conn = (*Lanes)(nil)

// New returns lanes over connections that open makes, the first of which it makes at
// once. Close closes them all.
func New[C Conn](config Config, open func() (C, error)) (*Lanes, error) {
	if config.Each < 0 || config.Most < 0 {
		return nil, fmt.Errorf("lanes: %d calls on each of %d connections; expected 0 for the default, or more", config.Each, config.Most)
	}
	l := &Lanes{config: config, open: func() (Conn, error) { return open() }}
	if config.Each == 0 {
		l.config.Each = DefaultEach
	}
	if config.Most == 0 {
		l.config.Most = DefaultMost
	}
	first, err := open()
	if err != nil {
		return nil, err
	}
	l.brief = []*lane{{conn: first}}
	return l, nil
}

// Invoke implements grpc.ClientConnInterface.
func (l *Lanes) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	conn, leave, err := l.enter(method)
	if err != nil {
		return err
	}
	defer leave()
	return conn.Invoke(ctx, method, args, reply, opts...) //nolint:wrapcheck // a status, which must stay itself
}

// NewStream implements grpc.ClientConnInterface. The stream counts until its last
// answer has been received or ctx ends, one of which whoever opens one sees to.
func (l *Lanes) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	conn, leave, err := l.enter(method)
	if err != nil {
		return nil, err
	}
	stream, err := conn.NewStream(ctx, desc, method, opts...)
	if err != nil {
		leave()
		return nil, err //nolint:wrapcheck // a status, which must stay itself
	}
	context.AfterFunc(ctx, leave)
	return &counted{ClientStream: stream, leave: leave, several: desc.ServerStreams}, nil
}

// counted is a stream that gives its place back at its end.
type counted struct {
	grpc.ClientStream

	leave func()
	// several tells that more than one answer may come.
	several bool
}

// RecvMsg implements grpc.ClientStream.
func (c *counted) RecvMsg(into any) error {
	err := c.ClientStream.RecvMsg(into)
	if err != nil || !c.several {
		c.leave()
	}
	return err //nolint:wrapcheck // a status, or io.EOF, which must stay itself
}

// Close implements io.Closer.
func (l *Lanes) Close() error {
	l.mu.Lock()
	l.closed = true
	all := slices.Concat(l.brief, l.lasting)
	l.mu.Unlock()
	failures := make([]error, 0, len(all))
	for _, one := range all {
		failures = append(failures, one.conn.Close())
	}
	return errors.Join(failures...)
}

// enter finds a connection that has room for a call of a method.
func (l *Lanes) enter(method string) (conn Conn, leave func(), err error) {
	class := limit.Of(method)
	l.mu.Lock()
	defer l.mu.Unlock()
	kind := &l.brief
	if class == limit.Watch || class == limit.Bulk {
		kind = &l.lasting
	}
	one, err := l.roomy(kind, class == limit.Free)
	if err != nil {
		return nil, nil, err
	}
	one.calls++
	return one.conn, sync.OnceFunc(func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		one.calls--
	}), nil
}

// roomy is the first connection of a kind that has room, a new one, or, for what is
// never refused, the one with the fewest calls.
func (l *Lanes) roomy(kind *[]*lane, always bool) (*lane, error) {
	for _, one := range *kind {
		if one.calls < l.config.Each {
			return one, nil
		}
	}
	if len(*kind) < l.config.Most && !l.closed {
		conn, err := l.open()
		if err != nil {
			return nil, err
		}
		one := &lane{conn: conn}
		*kind = append(*kind, one)
		return one, nil
	}
	if always && len(*kind) > 0 {
		return slices.MinFunc(*kind, func(a, b *lane) int { return a.calls - b.calls }), nil
	}
	return nil, limit.Overloaded()
}
