package intercept

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Registrar returns a registrar that puts off reading the request of unary
// calls until the chain's last link asks for it: a caller that is not
// authenticated cannot make the server read and parse a message, and a message
// that cannot be read is answered with a reason like everything else.
func Registrar(inner grpc.ServiceRegistrar) grpc.ServiceRegistrar {
	return registrar{inner: inner}
}

type registrar struct{ inner grpc.ServiceRegistrar }

// RegisterService registers a copy of the service with such handlers.
func (r registrar) RegisterService(desc *grpc.ServiceDesc, impl any) {
	late := *desc
	late.Methods = make([]grpc.MethodDesc, len(desc.Methods))
	for i, method := range desc.Methods {
		late.Methods[i] = grpc.MethodDesc{MethodName: method.MethodName, Handler: readLate(method.Handler)}
	}
	r.inner.RegisterService(&late, impl)
}

// pending is a request that has not been read.
type pending struct {
	read func(into any) error
	into any
	done bool
	err  error
}

// now reads the request, once. One call is one goroutine, so no lock is needed.
func (p *pending) now() error {
	if !p.done {
		p.done, p.err = true, receive(p.read, p.into)
	}
	return p.err
}

// frame is a message on its way into the type it is meant for. grpc answers a
// message that it cannot decode by itself, without a reason and before any
// decorator; so the codec keeps the failure here, and grpc sees none.
type frame struct {
	into any
	err  error
}

// codec decodes frames beside what it is made from.
type codec struct{ encoding.CodecV2 }

// Unmarshal decodes into a frame's message, or into the message itself.
func (c codec) Unmarshal(data mem.BufferSlice, into any) error {
	if f, ok := into.(*frame); ok {
		f.err = c.CodecV2.Unmarshal(data, f.into)
		return nil
	}
	return c.CodecV2.Unmarshal(data, into)
}

// Codec is the server option that Registrar and the chain need.
func Codec() grpc.ServerOption {
	return grpc.ForceServerCodecV2(codec{CodecV2: encoding.GetCodecV2(proto.Name)})
}

// receive reads one message, or says with a reason why it cannot be read.
// io.EOF, which is the end of a stream and no error, stays what it is. A message
// beyond the server's limit is refused by grpc itself before it is read, with
// RESOURCE_EXHAUSTED and no reason.
func receive(read func(any) error, into any) error {
	f := &frame{into: into}
	if err := read(f); err != nil {
		return unreadable(err)
	}
	if f.err != nil {
		return malformed()
	}
	return nil
}

func malformed() error {
	return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "the request is no well-formed protobuf message")
}

type pendingKey struct{}

func readLate(original grpc.MethodHandler) grpc.MethodHandler {
	return func(srv any, ctx context.Context, read func(any) error, interceptor grpc.UnaryServerInterceptor) (any, error) {
		request := &pending{read: read}
		ctx = context.WithValue(ctx, pendingKey{}, request)
		note := func(into any) error {
			request.into = into
			return nil
		}
		return original(srv, ctx, note, func(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			last := func(ctx context.Context, req any) (any, error) {
				if err := request.now(); err != nil { // in case no link asked for it
					return nil, err
				}
				return handler(ctx, req)
			}
			if interceptor == nil {
				return last(ctx, req)
			}
			return interceptor(ctx, req, info, last)
		})
	}
}

// readPending reads the request of the call, where that was put off.
func readPending(ctx context.Context) error {
	if request, ok := ctx.Value(pendingKey{}).(*pending); ok {
		return request.now()
	}
	return nil
}

// unreadable gives grpc's error of receiving a message its reason.
func unreadable(err error) error {
	bare, ok := status.FromError(err)
	switch {
	case !ok:
		return err
	case bare.Code() == codes.ResourceExhausted:
		return apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_REQUEST_TOO_LARGE, "the message is too large: %s", bare.Message())
	case bare.Code() == codes.Internal: // the framing is broken, or there are too few or too many messages
		return malformed()
	}
	return err
}
