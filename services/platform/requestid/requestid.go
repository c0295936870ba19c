// Package requestid names a request in the logs of all processes that it passes: an
// id that the gateway makes, or takes over from a caller who sent a well-formed one,
// and that travels with every call made for the request.
//
// It has nothing to do with the request_id of writes, which makes a write safe to
// repeat: this one is for reading logs only, and nothing is decided by it.
package requestid

import (
	"context"
	"crypto/rand"
	"encoding/hex"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"
)

// Header carries the id, in HTTP requests and answers and, in lower case as gRPC
// wants it, in metadata.
const (
	Header = "X-Request-Id"
	key    = "x-request-id"
)

// Longest is how many characters an id has at most.
const Longest = 64

// size is how many random bytes an id of ours is made from: two requests share
// one with a chance of 2^-96.
const size = 12

// New makes an id: 24 hexadecimal digits.
func New() string {
	var raw [size]byte
	_, _ = rand.Read(raw[:]) // never fails
	return hex.EncodeToString(raw[:])
}

// Valid tells whether a text may be an id: 1 to 64 of A–Z, a–z, 0–9, "-" and "_".
// Nothing else comes into a log line or a header by this way.
func Valid(id string) bool {
	if id == "" || len(id) > Longest {
		return false
	}
	for i := range len(id) {
		c := id[i]
		if (c < 'a' || c > 'z') && (c < 'A' || c > 'Z') && (c < '0' || c > '9') && c != '-' && c != '_' {
			return false
		}
	}
	return true
}

// Choose returns the one id among what a caller sent, or a new one where there is
// none, there are several, or it is not well-formed.
func Choose(sent []string) string {
	if len(sent) == 1 && Valid(sent[0]) {
		return sent[0]
	}
	return New()
}

type contextKey struct{}

// NewContext returns a context of a request with the id.
func NewContext(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, contextKey{}, id)
}

// FromContext returns the id of the request that the context belongs to; "" where
// it belongs to none.
func FromContext(ctx context.Context) string {
	id, _ := ctx.Value(contextKey{}).(string)
	return id
}

// Incoming returns the context of a gRPC call that a server answers, with the id
// that the caller sent or a new one, and the metadata that tells him.
func Incoming(ctx context.Context) (context.Context, metadata.MD) {
	id := Choose(metadata.ValueFromIncomingContext(ctx, key))
	return NewContext(ctx, id), metadata.Pairs(key, id)
}

// Forward returns the dial options of a connection whose calls carry the id of the
// request that they are made for.
func Forward() []grpc.DialOption {
	return []grpc.DialOption{grpc.WithChainUnaryInterceptor(forwardUnary), grpc.WithChainStreamInterceptor(forwardStream)}
}

func forwardUnary(ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption) error {
	return invoke(outgoing(ctx), method, req, reply, conn, opts...)
}

func forwardStream(
	ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, opts ...grpc.CallOption,
) (grpc.ClientStream, error) {
	return open(outgoing(ctx), desc, conn, method, opts...)
}

func outgoing(ctx context.Context) context.Context {
	id := FromContext(ctx)
	if id == "" {
		return ctx
	}
	md, _ := metadata.FromOutgoingContext(ctx) // a copy
	if md == nil {
		md = metadata.MD{}
	}
	md.Set(key, id)
	return metadata.NewOutgoingContext(ctx, md)
}
