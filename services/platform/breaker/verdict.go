package breaker

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/apierr"
)

var (
	// errSaysNothing is the outcome of a call that is neither a success nor a
	// failure.
	errSaysNothing = errors.New("breaker: says nothing about the service")
	// errFailed is the outcome of a call that the service failed.
	errFailed = errors.New("breaker: the service failed")
)

// verdict says what a call's end says about the service of a side: nil, errFailed
// or errSaysNothing. Ctx is the caller's, waited how long the call took.
func (c Config) verdict(ctx context.Context, side string, err error, waited time.Duration) error {
	if err == nil {
		return nil
	}
	if errors.Is(ctx.Err(), context.Canceled) {
		return errSaysNothing // whatever came of it, its caller had left
	}
	code := status.Code(err)
	if errors.Is(err, context.DeadlineExceeded) {
		code = codes.DeadlineExceeded
	}
	other := apierr.ServiceDown(err)
	switch {
	case code == codes.Canceled || errors.Is(err, context.Canceled):
		return errSaysNothing
	case code != codes.Unavailable && code != codes.DeadlineExceeded:
		return nil
	case other != "" && other != side:
		return nil
	case code == codes.DeadlineExceeded && waited < c.Patience:
		return errSaysNothing
	}
	return errFailed
}
