package intercept

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// edgeLink sees to it that every error that leaves is a status with a reason,
// and that no text meant for operators leaves with it.
func edgeLink(log *slog.Logger) Link {
	return Link{
		Name: Edge,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			answer, err := handler(ctx, req)
			if err != nil {
				askNoMore(ctx, err)
				return nil, atEdge(ctx, log, info.FullMethod, err)
			}
			return answer, nil
		},
		Stream: func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			if err := handler(srv, stream); err != nil {
				return atEdge(stream.Context(), log, info.FullMethod, err)
			}
			return nil
		},
	}
}

func atEdge(ctx context.Context, log *slog.Logger, method string, err error) error {
	outside := Outside(err)
	if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
		level := slog.LevelDebug
		if status.Code(outside) == codes.Internal {
			level = slog.LevelError
		}
		log.Log(ctx, level, "error without a reason", "method", method, "error", err.Error())
	}
	return outside
}

// pushback is the trailer by which a server keeps grpc's clients from trying a call
// again at once.
const pushback = "grpc-retry-pushback-ms"

// askNoMore keeps the caller from trying again at once what failed because another
// service is down: this server has tried that already, and were each hop to try
// three times, the last one would be asked nine times. The error's RetryInfo says
// when it is worth it.
func askNoMore(ctx context.Context, err error) {
	if apierr.ServiceDown(err) != "" {
		_ = grpc.SetTrailer(ctx, metadata.Pairs(pushback, "-1")) // it fails only outside of a server
	}
}

// Outside returns the status that a caller may see for an error. A status that
// carries a reason leaves as it is, without the text wrapped around it; a
// context's end becomes its status; a status without a reason is given the one
// that its code suggests; anything else is INTERNAL, its text kept back.
func Outside(err error) error {
	if err == nil {
		return nil
	}
	var carrier interface{ GRPCStatus() *status.Status }
	if errors.As(err, &carrier) {
		if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
			return carrier.GRPCStatus().Err()
		}
		return reasoned(carrier.GRPCStatus())
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return timedOut()
	case errors.Is(err, context.Canceled):
		return cancelled()
	}
	return internal()
}

// reasons are what a bare code suggests. Texts of these statuses are written
// for callers; the codes that are missing are handled by reasoned.
var reasons = map[codes.Code]apierr.Reason{
	codes.InvalidArgument:    fitmentv1.ErrorInfo_FIELD_INVALID,
	codes.OutOfRange:         fitmentv1.ErrorInfo_FIELD_INVALID,
	codes.NotFound:           fitmentv1.ErrorInfo_NOT_FOUND,
	codes.AlreadyExists:      fitmentv1.ErrorInfo_ALREADY_EXISTS,
	codes.PermissionDenied:   fitmentv1.ErrorInfo_PERMISSION_MISSING,
	codes.Unauthenticated:    fitmentv1.ErrorInfo_CREDENTIAL_INVALID,
	codes.ResourceExhausted:  fitmentv1.ErrorInfo_LIMIT_REACHED,
	codes.Unimplemented:      fitmentv1.ErrorInfo_ROUTE_UNKNOWN,
	codes.Aborted:            fitmentv1.ErrorInfo_ETAG_STALE,
	codes.FailedPrecondition: fitmentv1.ErrorInfo_FIELD_INVALID,
}

// reasoned gives a status without a reason one.
func reasoned(bare *status.Status) error {
	switch bare.Code() {
	case codes.DeadlineExceeded:
		return timedOut()
	case codes.Canceled:
		return cancelled()
	case codes.Unavailable:
		// grpc's own text names addresses.
		return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, time.Second,
			"a service that is needed for this does not answer")
	default:
	}
	if reason, ok := reasons[bare.Code()]; ok {
		return apierr.New(bare.Code(), reason, "%s", bare.Message())
	}
	return internal()
}

func internal() error {
	return apierr.New(codes.Internal, fitmentv1.ErrorInfo_INTERNAL, "something failed inside; it has been logged")
}

func timedOut() error {
	return apierr.New(codes.DeadlineExceeded, fitmentv1.ErrorInfo_LIMIT_REACHED, "the call's time ran out")
}

func cancelled() error {
	return apierr.New(codes.Canceled, fitmentv1.ErrorInfo_LIMIT_REACHED, "the call was cancelled by its caller")
}
