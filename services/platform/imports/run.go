package imports

import (
	"context"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

// Run imports one file. It calls send for each row, in order, once the row is
// durable, and returns the sums.
func Run(
	ctx context.Context, st store.Store, target Target, in Input, send func(*fitmentv1.RowResult) error,
) (*fitmentv1.ImportSummary, error) {
	_, _, _, _, _ = ctx, st, target, in, send
	return nil, apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, "imports are being built")
}
