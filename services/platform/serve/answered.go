package serve

import (
	"context"
	"errors"
	"io"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// answered gives a unary call a status that lost it on the way. Where a server
// refuses a call before its message has been sent, as ours do with a wrong credential,
// grpc (1.85) sees the end of the stream instead; when that happens to a call that is
// being tried again, the end, io.EOF, is all that its caller is told, and it would
// count as an UNKNOWN error. Only what was UNAVAILABLE is tried again, so that is
// what the call was.
func answered(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	err := invoke(ctx, method, req, reply, conn, opts...)
	var carrier interface{ GRPCStatus() *status.Status }
	if errors.Is(err, io.EOF) && !errors.As(err, &carrier) {
		return status.Error(codes.Unavailable, "the server ended the call before it was sent")
	}
	return err
}
