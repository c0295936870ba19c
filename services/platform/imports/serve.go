package imports

import (
	"context"
	"errors"
	"fmt"
	"io"

	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

// Message is the request of every Import RPC: options first, then chunks.
type Message interface {
	GetOptions() *fitmentv1.ImportOptions
	GetChunk() []byte
}

// Job is what an Import RPC runs once it knows the caller's options.
type Job struct {
	// Store receives the rows.
	Store store.Store
	// Target is what the file is read into.
	Target Target
	// Owner is the tenant that the rows belong to.
	Owner string
	// Committed is Input.Committed.
	Committed func(ctx context.Context) error
}

// Serve runs one Import RPC. Start checks who may import what, from the options
// of the first message; row and summary wrap the answers:
//
//	return imports.Serve(stream, s.startParts,
//		func(r *fitmentv1.RowResult) *fitmentv1.ImportPartsResponse {
//			return &fitmentv1.ImportPartsResponse{Content: &fitmentv1.ImportPartsResponse_Row{Row: r}}
//		},
//		func(r *fitmentv1.ImportSummary) *fitmentv1.ImportPartsResponse {
//			return &fitmentv1.ImportPartsResponse{Content: &fitmentv1.ImportPartsResponse_Summary{Summary: r}}
//		})
func Serve[Req, Res any, Ptr interface {
	*Req
	Message
}](
	stream grpc.BidiStreamingServer[Req, Res],
	start func(ctx context.Context, options *fitmentv1.ImportOptions) (Job, error),
	row func(*fitmentv1.RowResult) *Res,
	summary func(*fitmentv1.ImportSummary) *Res,
) error {
	receive := func() (Message, error) {
		message, err := stream.Recv()
		return Ptr(message), err
	}
	options, err := firstOptions(receive)
	if err != nil {
		return err
	}
	job, err := start(stream.Context(), options)
	if err != nil {
		return err
	}
	in := Input{Options: options, Owner: job.Owner, Read: &chunkReader{receive: receive}, Committed: job.Committed}
	sum, err := Run(stream.Context(), job.Store, job.Target, in, func(result *fitmentv1.RowResult) error {
		return stream.Send(row(result))
	})
	if err != nil {
		return err
	}
	return stream.Send(summary(sum))
}

// firstOptions reads the first message, which must carry the options.
func firstOptions(receive func() (Message, error)) (*fitmentv1.ImportOptions, error) {
	message, err := receive()
	switch {
	case errors.Is(err, io.EOF):
		return nil, malformed("options", "is missing", "options in the first message, then the file")
	case err != nil:
		return nil, err
	case message.GetOptions() == nil:
		return nil, malformed("options", "is missing in the first message", "options first, which may be empty, then the file")
	}
	return message.GetOptions(), nil
}

// chunkReader reads the file from the messages after the first.
type chunkReader struct {
	receive func() (Message, error)
	left    []byte
}

// Read implements io.Reader.
func (c *chunkReader) Read(into []byte) (int, error) {
	for len(c.left) == 0 {
		message, err := c.receive()
		if err != nil {
			return 0, err
		}
		if message.GetOptions() != nil {
			return 0, malformed("options", "came a second time", "options in the first message only")
		}
		c.left = message.GetChunk()
		if len(c.left) > MaxChunk {
			return 0, apierr.Invalid(fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, apierr.Violation{
				Field: "chunk", Problem: fmt.Sprintf("has %d bytes", len(c.left)),
				Expected: fmt.Sprintf("pieces of at most %d bytes", MaxChunk),
			})
		}
	}
	n := copy(into, c.left)
	c.left = c.left[n:]
	return n, nil
}

// malformed is INVALID_ARGUMENT for an upload that is no proper file.
func malformed(field, problem, expected string) error {
	return apierr.Invalid(fitmentv1.ErrorInfo_MALFORMED_REQUEST,
		apierr.Violation{Field: field, Problem: problem, Expected: expected})
}
