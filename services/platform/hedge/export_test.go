package hedge

import "google.golang.org/grpc"

// Interceptor is a hedger's, for tests that need no connection.
func Interceptor(h *Hedger) grpc.UnaryClientInterceptor { return h.unary }
