package intercept

import (
	"context"
	"fmt"
	"log/slog"
	"runtime/debug"

	"google.golang.org/grpc"
)

// recoveryLink turns a panic into an INTERNAL answer; the stack goes to the log
// and nothing of it to the caller.
func recoveryLink(log *slog.Logger) Link {
	return Link{
		Name: Recovery,
		Unary: func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (answer any, err error) {
			defer func() {
				if p := recover(); p != nil {
					answer, err = nil, recovered(ctx, log, info.FullMethod, p)
				}
			}()
			return handler(ctx, req)
		},
		Stream: func(srv any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) (err error) {
			defer func() {
				if p := recover(); p != nil {
					err = recovered(stream.Context(), log, info.FullMethod, p)
				}
			}()
			return handler(srv, stream)
		},
	}
}

func recovered(ctx context.Context, log *slog.Logger, method string, p any) error {
	log.ErrorContext(ctx, "panic", "method", method, "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
	return internal()
}
