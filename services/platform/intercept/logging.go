package intercept

import (
	"context"
	"log/slog"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
)

// caller is where the auth link, further in, notes who is calling, for the log
// line that is written further out.
type caller struct{ principal identity.Principal }

type callerKey struct{}

// loggingLink writes one line a call: method, code, reason, time taken, tenant
// and key id; never the key, never the request.
func loggingLink(log *slog.Logger) Link {
	return Link{
		Name: Logging,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (answer any, err error) {
			who := &caller{}
			ctx = context.WithValue(ctx, callerKey{}, who)
			finish := started(ctx, log, info.FullMethod, who)
			// Deferred, so that a call that panics is logged too.
			completed := false
			defer func() { finish(completed, err) }()
			answer, err = handler(ctx, req)
			completed = true
			return answer, err
		},
		Stream: func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
			who := &caller{}
			ctx := context.WithValue(stream.Context(), callerKey{}, who)
			finish := started(ctx, log, info.FullMethod, who)
			completed := false
			defer func() { finish(completed, err) }()
			err = handler(srv, &withContext{ServerStream: stream, ctx: ctx})
			completed = true
			return err
		},
	}
}

// started notes the start of a call and returns what logs its end.
func started(ctx context.Context, log *slog.Logger, method string, who *caller) func(completed bool, err error) {
	start := time.Now()
	return func(completed bool, err error) {
		code := status.Code(err)
		if !completed {
			code, err = codes.Internal, internal()
		}
		log.LogAttrs(ctx, level(method, code), "call",
			slog.String("method", method),
			slog.String("code", code.String()),
			slog.String("reason", reasonText(err)),
			slog.Duration("took", time.Since(start)),
			slog.String("tenant", who.principal.Tenant),
			slog.String("key_id", who.principal.KeyID),
		)
	}
}

func reasonText(err error) string {
	if err == nil {
		return ""
	}
	return apierr.ReasonOf(err).String()
}

// level keeps health checks out of the way and brings our own failures up.
func level(method string, code codes.Code) slog.Level {
	switch {
	case code == codes.Internal || code == codes.Unknown || code == codes.DataLoss:
		return slog.LevelError
	case isHealth(method):
		return slog.LevelDebug
	}
	return slog.LevelInfo
}
