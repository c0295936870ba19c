package breaker

import "google.golang.org/grpc"

// Interceptors are those of a set, for tests that need no connection.
func Interceptors(s *Set) (grpc.UnaryClientInterceptor, grpc.StreamClientInterceptor) {
	return s.unary, s.stream
}
