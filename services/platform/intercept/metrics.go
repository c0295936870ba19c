package intercept

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/metrics"
)

// metricsLink counts calls by method and by what their callers get, and the rows of
// imports by what became of them.
func metricsLink(set *metrics.Set) Link {
	return Link{
		Name: Metrics,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (answer any, err error) {
			finish := counted(set, info.FullMethod)
			// Deferred, so that a call that panics is counted too.
			completed := false
			defer func() { finish(completed, err) }()
			answer, err = handler(ctx, req)
			completed = true
			return answer, err
		},
		Stream: func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
			finish := counted(set, info.FullMethod)
			completed := false
			defer func() { finish(completed, err) }()
			err = handler(srv, &rowCounter{ServerStream: stream, set: set, method: info.FullMethod})
			completed = true
			return err
		},
	}
}

// counted notes the start of a call and returns what notes its end.
func counted(set *metrics.Set, method string) func(completed bool, err error) {
	ended := set.Call(method)
	return func(completed bool, err error) {
		switch {
		case !completed:
			ended(codes.Internal, fitmentv1.ErrorInfo_INTERNAL)
		case err != nil:
			ended(status.Code(err), apierr.ReasonOf(err))
		default:
			ended(codes.OK, fitmentv1.ErrorInfo_REASON_UNSPECIFIED)
		}
	}
}

// rowCounter counts the rows that an import answers; other streams pass.
type rowCounter struct {
	grpc.ServerStream

	set    *metrics.Set
	method string
	dry    bool
}

// RecvMsg receives a message and notes whether it asks for a dry run.
func (r *rowCounter) RecvMsg(into any) error {
	if err := r.ServerStream.RecvMsg(into); err != nil {
		return err //nolint:wrapcheck // a status of the layer below, or io.EOF, which must stay itself
	}
	if asked, ok := into.(interface {
		GetOptions() *fitmentv1.ImportOptions
	}); ok && asked.GetOptions() != nil {
		r.dry = asked.GetOptions().GetDryRun()
	}
	return nil
}

// SendMsg sends a message and counts the row in it.
func (r *rowCounter) SendMsg(message any) error {
	if err := r.ServerStream.SendMsg(message); err != nil {
		return err //nolint:wrapcheck // a status of the layer below
	}
	if answered, ok := message.(interface{ GetRow() *fitmentv1.RowResult }); ok && answered.GetRow() != nil {
		r.set.Row(r.method, answered.GetRow().GetOutcome(), r.dry)
	}
	return nil
}
