package rest

import (
	"cmp"
	"context"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/strict"
	"beltwright.example/gateway/upload"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/apierr"
)

// importer serves one import path: the body is a CSV file, the answer a line of
// JSON a row while the file is read, and in the last line the summary or the
// error that ended it.
type importer struct {
	kind  upload.Kind
	conn  grpc.ClientConnInterface
	stall time.Duration
	log   *slog.Logger
}

// importPath is the path that takes files of a kind.
func importPath(kind upload.Kind) string { return "/v1/" + kind.Path() + ":import" }

func importers(o Options) map[string]importer {
	all := map[string]importer{}
	for _, kind := range upload.Kinds() {
		conn := o.Fitment
		if kind.Quote {
			conn = o.Quote
		}
		all[importPath(kind)] = importer{kind: kind, conn: conn, stall: o.Stall, log: o.Log}
	}
	return all
}

// serve runs one import. It returns the errors that keep it from starting, for
// an ordinary error answer, and writes all others itself.
func (im importer) serve(w http.ResponseWriter, r *http.Request, key string) error {
	options, err := importOptions(r)
	if err != nil {
		return err
	}
	client := newClient(w, r, im.stall)
	defer client.done()
	ctx, cancel := context.WithCancel(withKey(r.Context(), key))
	defer cancel()
	stream, err := upload.Open(ctx, im.conn, im.kind, options)
	if err != nil {
		return err
	}
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		if stream.Copy(client) != nil {
			cancel() // the stream then says so, or client.problem does
		}
	}()
	answers := receive(ctx, stream)
	err = client.answer(answers)
	cancel()
	client.stopReading()
	<-sent
	for range answers {
		// until the receiver has ended
	}
	if err != nil {
		client.fail(cmp.Or(client.problem, err))
	}
	return nil
}

// importOptions reads what is not the file.
func importOptions(r *http.Request) (*fitmentv1.ImportOptions, error) {
	values, err := strict.ParseQuery(r.URL.RawQuery)
	if err != nil {
		return nil, err
	}
	options := &fitmentv1.ImportOptions{}
	if err := strict.Query(values, options); err != nil {
		return nil, err
	}
	if compressed(r.Header) {
		return nil, unsupported("the file is compressed; expected it as it is")
	}
	kind, parameters, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	charset := strings.ToLower(parameters["charset"])
	if err != nil || kind != "text/csv" || charset != "" && charset != "utf-8" && charset != "us-ascii" {
		return nil, unsupported("the body is not declared as a CSV file; expected Content-Type: text/csv, in UTF-8")
	}
	return options, nil
}

// brokenUpload says why the rest of a file did not come.
func brokenUpload(err error) error {
	if errors.Is(err, os.ErrDeadlineExceeded) {
		return apierr.New(codes.DeadlineExceeded, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
			"the upload stalled; rows that were answered are stored, send the file again for the others")
	}
	return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
		"the upload ended early; rows that were answered are stored, send the file again for the others")
}

// answer is a line of the answer, or why there are no more.
type answer struct {
	message proto.Message
	last    bool
	err     error
}

// receive takes answers off a stream until the summary, an error, or the end of
// ctx, and closes the channel then.
func receive(ctx context.Context, stream *upload.Stream) <-chan answer {
	out := make(chan answer, 64)
	go func() {
		defer close(out)
		for {
			row, summary, err := stream.Receive()
			next := answer{message: row, err: err}
			if summary != nil {
				next = answer{message: summary, last: true}
			}
			select {
			case out <- next:
			case <-ctx.Done():
				return
			}
			if next.last || next.err != nil {
				return
			}
		}
	}()
	return out
}

// client is the other end of an import, or of another upload: it reads the body
// and takes the lines.
// Each read and each write gets its own time.
type client struct {
	io.Reader
	lines

	broken  func(error) error // says why the rest of the body did not come
	problem error             // that, once it is so; for whoever knows that no Read runs

	mu      sync.Mutex // orders the read deadlines: none follows the last one
	stopped bool       // no Read may begin or go on
	ended   bool       // the file was read to its end
}

func newClient(w http.ResponseWriter, r *http.Request, stall time.Duration) *client {
	c := &client{Reader: r.Body, lines: newLines(w, stall), broken: brokenUpload}
	// Without it, HTTP/1 would read the whole file before the first line leaves.
	// A connection that cannot do it (HTTP/2) does it anyway.
	_ = c.controller.EnableFullDuplex()
	return c
}

// Read implements io.Reader.
func (c *client) Read(into []byte) (int, error) {
	if !c.beginRead() {
		return 0, os.ErrDeadlineExceeded
	}
	n, err := c.Reader.Read(into)
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case errors.Is(err, io.EOF):
		// From here on the server listens for the client going away; that must
		// not look like a client that stalls.
		c.ended = true
		_ = c.controller.SetReadDeadline(time.Time{})
	case errors.Is(err, os.ErrDeadlineExceeded) && c.stopped:
		// stopReading, not the client
	case err != nil:
		c.problem = c.broken(err)
	}
	return n, err
}

// beginRead gives a Read its time; false where reading is over.
func (c *client) beginRead() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.stopped {
		_ = c.controller.SetReadDeadline(time.Now().Add(c.stall))
	}
	return !c.stopped
}

// stopReading makes a Read that is under way return, and every later one.
func (c *client) stopReading() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stopped = true
	if !c.ended {
		_ = c.controller.SetReadDeadline(time.Unix(1, 0))
	}
}

const (
	// drainBytes and drainTime bound how much of an unwanted rest of a file is
	// read, so that a client that sends before it reads gets to see the answer.
	drainBytes = 4 << 20
	drainTime  = time.Second
)

// done reads a rest of the file. No Read is under way any more.
func (c *client) done() {
	if c.ended {
		return
	}
	_ = c.controller.SetReadDeadline(time.Now().Add(drainTime))
	_, _ = io.CopyN(io.Discard, c.Reader, drainBytes)
}

// answer writes lines as they come and flushes whenever none is waiting.
func (c *client) answer(lines <-chan answer) error {
	for {
		var next answer
		var ok bool
		select {
		case next, ok = <-lines:
		default:
			if err := c.flush(); err != nil {
				return err
			}
			next, ok = <-lines
		}
		switch {
		case !ok:
			return errors.New("the import was given up")
		case next.err != nil:
			return next.err
		}
		if err := c.line(next); err != nil {
			return err
		}
		if next.last {
			return c.flush()
		}
	}
}

func (c *client) line(next answer) error {
	raw, err := answers.JSON(next.message)
	if err != nil {
		return err
	}
	if next.last {
		raw = append(append([]byte(`{"summary":`), raw...), '}')
	}
	return c.write(raw)
}
