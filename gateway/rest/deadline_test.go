package rest

import (
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"sync"
	"testing"
	"time"
)

// slowConnection is a body that nothing is sent on, and the deadline of reading
// it, as the connection of an HTTP/1 server has them.
type slowConnection struct {
	http.ResponseWriter

	mu       sync.Mutex
	deadline time.Time
	moved    chan struct{} // closed and replaced when the deadline moves
	reading  chan struct{} // gets a value when a Read begins to wait
}

func newSlowConnection() *slowConnection {
	return &slowConnection{ResponseWriter: httptest.NewRecorder(), moved: make(chan struct{}), reading: make(chan struct{}, 1)}
}

// SetReadDeadline is what http.ResponseController looks for.
func (c *slowConnection) SetReadDeadline(at time.Time) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.deadline = at
	close(c.moved)
	c.moved = make(chan struct{})
	return nil
}

func (c *slowConnection) state() (time.Time, chan struct{}) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.deadline, c.moved
}

// Read implements io.Reader.
func (c *slowConnection) Read([]byte) (int, error) {
	c.reading <- struct{}{}
	for {
		deadline, moved := c.state()
		if !deadline.IsZero() && time.Now().After(deadline) {
			return 0, os.ErrDeadlineExceeded
		}
		<-moved
	}
}

// Close implements io.Closer.
func (*slowConnection) Close() error { return nil }

func stalled(t *testing.T) (*slowConnection, *client) {
	t.Helper()
	connection := newSlowConnection()
	r := httptest.NewRequestWithContext(t.Context(), http.MethodPost, "/", connection)
	return connection, newClient(connection, r, time.Hour)
}

// TestStopReadingIsTheLastWord: a Read that begins after it, or beside it, must
// not give itself time again and keep the handler until the stall time is over.
func TestStopReadingIsTheLastWord(t *testing.T) {
	t.Parallel()
	connection, c := stalled(t)
	c.stopReading()
	if n, err := c.Read(make([]byte, 1)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a Read after it: %d, %v", n, err)
	}
	if deadline, _ := connection.state(); !deadline.Before(time.Now()) || c.problem != nil {
		t.Errorf("deadline %v, problem %v", deadline, c.problem)
	}

	connection, c = stalled(t)
	answers := make(chan error, 1)
	go func() { _, err := io.Copy(io.Discard, c); answers <- err }()
	<-connection.reading
	c.stopReading()
	if err := <-answers; !errors.Is(err, os.ErrDeadlineExceeded) || c.problem != nil {
		t.Errorf("a Read under way: %v, problem %v", err, c.problem)
	}
	for range 200 { // beside each other, in either order
		_, c := stalled(t)
		go func() { _, err := c.Read(make([]byte, 1)); answers <- err }()
		c.stopReading()
		if err := <-answers; !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("a Read beside it: %v", err)
		}
	}
}
