package cli

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// sides is the connection to both services: one server that has both, or two.
// Each call goes to the side that serves its method.
type sides struct {
	fitment, quote *grpc.ClientConn
}

// quotePrefix opens the full name of every method of the quote side.
var quotePrefix = "/" + string(quotev1.File_beltwright_quote_v1_quote_proto.Package()) + "."

func (s *sides) of(method string) *grpc.ClientConn {
	if strings.HasPrefix(method, quotePrefix) {
		return s.quote
	}
	return s.fitment
}

// Invoke makes a unary call.
func (s *sides) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	return s.of(method).Invoke(ctx, method, args, reply, opts...)
}

// NewStream opens a stream.
func (s *sides) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	return s.of(method).NewStream(ctx, desc, method, opts...)
}

// Close closes the connections.
func (s *sides) Close() error {
	if s.quote == s.fitment {
		return s.fitment.Close()
	}
	return errors.Join(s.fitment.Close(), s.quote.Close())
}
