package serve

import (
	"errors"
	"net"
	"sync"
)

// Join makes one listener of several, so that one server answers a network
// address and callers of its own process alike. Its address is that of the
// first. Closing it closes all.
func Join(listeners ...net.Listener) net.Listener {
	j := &joined{listeners: listeners, accepted: make(chan accepted), closed: make(chan struct{})}
	for _, listener := range listeners {
		j.running.Add(1)
		go j.accept(listener)
	}
	return j
}

type accepted struct {
	conn net.Conn
	err  error
}

type joined struct {
	listeners []net.Listener
	accepted  chan accepted
	closed    chan struct{}
	once      sync.Once
	running   sync.WaitGroup
}

// accept hands on what one listener accepts, until it fails or all is closed.
func (j *joined) accept(listener net.Listener) {
	defer j.running.Done()
	for {
		conn, err := listener.Accept()
		select {
		case j.accepted <- accepted{conn, err}:
		case <-j.closed:
			if conn != nil {
				_ = conn.Close()
			}
			return
		}
		if err != nil && !passing(err) {
			return
		}
	}
}

// passing tells whether a listener may still accept after an error, such as
// having run out of file descriptors; the server pauses before it asks again.
func passing(err error) bool {
	var temporary interface{ Temporary() bool }
	return errors.As(err, &temporary) && temporary.Temporary()
}

// Accept returns the next connection of any listener.
func (j *joined) Accept() (net.Conn, error) {
	select {
	case a := <-j.accepted:
		return a.conn, a.err
	case <-j.closed:
		return nil, net.ErrClosed
	}
}

// Close closes all listeners and waits for their goroutines.
func (j *joined) Close() error {
	var errs []error
	j.once.Do(func() {
		close(j.closed)
		for _, listener := range j.listeners {
			errs = append(errs, listener.Close())
		}
		j.running.Wait()
	})
	return errors.Join(errs...)
}

// Addr is the first listener's address.
func (j *joined) Addr() net.Addr { return j.listeners[0].Addr() }
