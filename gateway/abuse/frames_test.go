package abuse_test

import (
	"bufio"
	"bytes"
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"strconv"
	"sync"
	"sync/atomic"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"
)

// wire is an HTTP/2 connection without a client library's manners.
type wire struct {
	net.Conn

	out    *bufio.Writer
	frames *http2.Framer
	block  bytes.Buffer
	pack   *hpack.Encoder
	next   uint32

	// What the other side said: answers to pings and settings, the last gRPC status,
	// and whether it wants no more.
	acks, status atomic.Int64
	over         atomic.Bool
	ended        chan struct{}

	mu sync.Mutex
	// room is how many bytes of data the other side takes, on the connection; of
	// streams, each begins with window.
	room   int
	window int
	moved  chan struct{}
}

// standardWindow is the size that RFC 9113 §6.9.2 begins with.
const standardWindow = 65535

// open makes the HTTP/2 opening of a connection: preface and settings. Where wanted,
// what the other side says is read.
func (x target) open(ctx context.Context, to string, reading bool) (*wire, error) {
	conn, err := x.connect(ctx, to)
	if err != nil {
		return nil, err
	}
	if to == x.rest && x.secure != nil {
		conn = tls.Client(conn, &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}}) // it attacks, whoever it is
	}
	if deadline, ok := ctx.Deadline(); ok {
		_ = conn.SetDeadline(deadline)
	}
	w := &wire{
		Conn: conn, out: bufio.NewWriterSize(conn, 64<<10), next: 1, ended: make(chan struct{}),
		room: standardWindow, window: standardWindow, moved: make(chan struct{}, 1),
	}
	w.status.Store(-1)
	w.pack = hpack.NewEncoder(&w.block)
	w.frames = http2.NewFramer(w.out, conn)
	w.frames.ReadMetaHeaders = hpack.NewDecoder(4096, nil)
	if reading {
		go w.listen()
	} else {
		close(w.ended)
	}
	if _, err := w.out.WriteString(http2.ClientPreface); err != nil {
		return w, err
	}
	if err := w.frames.WriteSettings(); err != nil {
		return w, err
	}
	return w, w.out.Flush()
}

// listen reads frames until the connection ends.
func (w *wire) listen() {
	defer close(w.ended)
	for {
		frame, err := w.frames.ReadFrame()
		if err != nil {
			return
		}
		switch frame := frame.(type) {
		case *http2.PingFrame:
			if frame.IsAck() {
				w.acks.Add(1)
			}
		case *http2.SettingsFrame:
			if frame.IsAck() {
				w.acks.Add(1)
			}
			if value, ok := frame.Value(http2.SettingInitialWindowSize); ok {
				w.grant(0, int(value)-standardWindow)
			}
		case *http2.WindowUpdateFrame:
			if frame.StreamID == 0 {
				w.grant(int(frame.Increment), 0)
			} else {
				w.grant(0, int(frame.Increment))
			}
		case *http2.RSTStreamFrame:
			w.finish()
		case *http2.MetaHeadersFrame:
			if frame.StreamEnded() {
				w.finish()
			}
			for _, field := range frame.Fields {
				if number, err := strconv.ParseInt(field.Value, 10, 64); field.Name == "grpc-status" && err == nil {
					w.status.Store(number)
				}
			}
		}
	}
}

// grant notes room for data: on the connection, and on the one stream that sends.
func (w *wire) grant(connection, stream int) {
	w.mu.Lock()
	w.room += connection
	w.window += stream
	w.mu.Unlock()
	select {
	case w.moved <- struct{}{}:
	default:
	}
}

// finish notes that the other side is done with the stream that sends.
func (w *wire) finish() {
	w.over.Store(true)
	w.grant(0, 0)
}

// take waits for room for data and takes at most so much; 0 once the other side is
// done with it.
func (w *wire) take(most int) int {
	for !w.over.Load() {
		w.mu.Lock()
		n := min(most, w.room, w.window)
		if n > 0 {
			w.room -= n
			w.window -= n
		}
		w.mu.Unlock()
		if n > 0 {
			return n
		}
		select {
		case <-w.moved:
		case <-w.ended:
			return 0
		}
	}
	return 0
}

// close ends the connection and waits for the reader, if there is one.
func (w *wire) close() {
	_ = w.Close()
	<-w.ended
}

// headers encodes the headers of a gRPC call.
func (w *wire) headers(method, key string, more ...hpack.HeaderField) []byte {
	w.block.Reset()
	fields := []hpack.HeaderField{
		{Name: ":method", Value: "POST"},
		{Name: ":scheme", Value: "http"},
		{Name: ":path", Value: method},
		{Name: ":authority", Value: "localhost"},
		{Name: "content-type", Value: "application/grpc"},
		{Name: "te", Value: "trailers"},
	}
	if key != "" {
		fields = append(fields, hpack.HeaderField{Name: "authorization", Value: "Bearer " + key})
	}
	for _, field := range append(fields, more...) {
		_ = w.pack.WriteField(field) // a buffer takes everything
	}
	return w.block.Bytes()
}

// get encodes the headers of a GET by HTTPS.
func (w *wire) get(path, key string) []byte {
	w.block.Reset()
	for _, field := range []hpack.HeaderField{
		{Name: ":method", Value: http.MethodGet},
		{Name: ":scheme", Value: "https"},
		{Name: ":path", Value: path},
		{Name: ":authority", Value: "localhost"},
		{Name: "authorization", Value: "Bearer " + key},
	} {
		_ = w.pack.WriteField(field) // a buffer takes everything
	}
	return w.block.Bytes()
}

// call opens a stream and returns its number.
func (w *wire) call(block []byte, end bool) (uint32, error) {
	id := w.next
	w.next += 2
	return id, w.frames.WriteHeaders(http2.HeadersFrameParam{StreamID: id, BlockFragment: block, EndHeaders: true, EndStream: end})
}

// message frames a gRPC message.
func message(compressed bool, body []byte) []byte {
	framed := make([]byte, 5, 5+len(body))
	if compressed {
		framed[0] = 1
	}
	framed[1], framed[2], framed[3], framed[4] = byte(len(body)>>24), byte(len(body)>>16), byte(len(body)>>8), byte(len(body))
	return append(framed, body...)
}

// data sends bytes on a stream, the only one that sends any, as fast as the other
// side lets it.
func (w *wire) data(id uint32, body []byte) error {
	for len(body) > 0 {
		n := w.take(min(len(body), 16<<10))
		if n == 0 {
			return net.ErrClosed
		}
		if err := w.frames.WriteData(id, n == len(body), body[:n]); err != nil {
			return err
		}
		body = body[n:]
		if err := w.out.Flush(); err != nil {
			return err
		}
	}
	return nil
}

// answer reads one HTTP/1 answer's status line, or says why there is none.
func answer(conn net.Conn) string {
	line, err := bufio.NewReader(io.LimitReader(conn, 4<<10)).ReadString('\n')
	if err != nil {
		return fmt.Sprintf("no answer: %v", err)
	}
	return line
}
