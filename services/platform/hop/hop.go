// Package hop names the service at the other end of a call. A call may pass
// several services; where one of them does not answer, the error says which.
package hop

import (
	"context"
	"errors"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// The services that calls go to.
const (
	// Fitment decides what fits and holds listings.
	Fitment = "fitment"
	// Quote prices, quotes and keeps books.
	Quote = "quote"
)

// Service returns the full gRPC name of the service of a method path:
// "beltwright.fitment.v1.ListingService" of "/beltwright.fitment.v1.ListingService/GetListing";
// "" where the path is malformed.
func Service(fullMethod string) string {
	name, ok := strings.CutPrefix(fullMethod, "/")
	service, method, cut := strings.Cut(name, "/")
	if !ok || !cut || method == "" {
		return ""
	}
	return service
}

// Side returns which of our services serves a gRPC service, by its full name or a
// path of one of its methods: Fitment or Quote; "" for those of others, such as
// health.
func Side(name string) string {
	rest, ok := strings.CutPrefix(strings.TrimPrefix(name, "/"), "beltwright.")
	if !ok {
		return ""
	}
	side, _, _ := strings.Cut(rest, ".")
	switch side {
	case Fitment, Quote:
		return side
	}
	return ""
}

// retryAfter is when asking a service again that did not answer is worth it.
const retryAfter = time.Second

// Name returns the dial options of a connection whose errors name the service that
// did not answer. What a service says itself stays as it is; only what the
// transport says in its place (nobody listens, the connection broke, the time ran
// out) is put into our words, since grpc's name addresses and no service.
func Name() []grpc.DialOption {
	return []grpc.DialOption{grpc.WithChainUnaryInterceptor(nameUnary), grpc.WithChainStreamInterceptor(nameStream)}
}

func nameUnary(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	return Named(method, invoke(ctx, method, req, reply, conn, opts...))
}

func nameStream(
	ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption,
) (grpc.ClientStream, error) {
	stream, err := open(ctx, desc, conn, method, opts...)
	if err != nil {
		return nil, Named(method, err)
	}
	return &named{ClientStream: stream, method: method}, nil
}

type named struct {
	grpc.ClientStream

	method string
}

// RecvMsg receives one message, or returns an error that names the service.
func (s *named) RecvMsg(into any) error { return Named(s.method, s.ClientStream.RecvMsg(into)) }

// Named returns the error of a call of a method, naming the service where it did
// not answer.
func Named(fullMethod string, err error) error {
	side := Side(fullMethod)
	if err == nil || side == "" || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
		return err
	}
	switch code(err) {
	case codes.Unavailable:
		return apierr.Down(codes.Unavailable, side, retryAfter, "the %s service does not answer", side)
	case codes.DeadlineExceeded:
		return apierr.Down(codes.DeadlineExceeded, side, retryAfter, "the %s service did not answer in time", side)
	default:
		return err
	}
}

// code is an error's code; a context's end has one too.
func code(err error) codes.Code {
	if errors.Is(err, context.DeadlineExceeded) {
		return codes.DeadlineExceeded
	}
	return status.Code(err)
}
