package rest

import (
	"context"
	"errors"
	"io"
	"mime"
	"net/http"
	"net/url"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/policy"
)

// exchange is one HTTP request on its way to a gRPC method. The generated
// handlers turn whatever goes wrong while they read a body or a query into bare
// text, so they are given a request without either; the connection that they
// call fills the message instead, and its errors reach the client whole.
type exchange struct {
	writer  http.ResponseWriter
	request *http.Request
	key     string
}

type exchangeKey struct{}

// bare returns the request that the generated handlers see: method and path,
// and nothing that they could pass on.
func bare(ctx context.Context, e *exchange) *http.Request {
	r := e.request.WithContext(context.WithValue(ctx, exchangeKey{}, e))
	r.Header = http.Header{}
	r.Body = http.NoBody
	r.ContentLength = 0
	r.Host = ""
	r.RemoteAddr = ""
	r.URL = &url.URL{Path: e.request.URL.Path, RawPath: e.request.URL.RawPath}
	return r
}

// caller is the connection that the generated handlers call.
type caller struct {
	inner   grpc.ClientConnInterface
	policy  policy.Table
	limits  *limit.Limits
	maxBody int64
}

// newCaller makes one over a connection of the options. It asks for leave before it
// reads the body, and for room after that: a slow body takes none.
func newCaller(o Options, conn grpc.ClientConnInterface) caller {
	if both, ok := conn.(counted); ok {
		conn = both.roomy
	}
	return caller{inner: conn, policy: o.Policy, limits: o.Limits, maxBody: o.MaxBody}
}

// Invoke fills the request message from body or query and makes the call with
// the caller's credential and no other metadata.
func (c caller) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	e, ok := ctx.Value(exchangeKey{}).(*exchange)
	message, isProto := args.(proto.Message)
	if !ok || !isProto {
		return errors.New("rest: a call without its request")
	}
	done, err := admit(ctx, c.policy, c.limits, method)
	if err != nil {
		return err
	}
	defer done()
	if err := e.fill(message, c.maxBody); err != nil {
		return err
	}
	return jsonPaths(c.inner.Invoke(withKey(ctx, e.key), method, args, reply, opts...))
}

// NewStream is not used: no route leads to a stream.
func (caller) NewStream(context.Context, *grpc.StreamDesc, string, ...grpc.CallOption) (grpc.ClientStream, error) {
	return nil, unknownRoute()
}

// withKey returns a context whose calls carry the key and nothing else.
func withKey(ctx context.Context, key string) context.Context {
	return auth.WithKey(metadata.NewOutgoingContext(ctx, metadata.MD{}), key)
}

// fill reads the HTTP request into a message that holds what the path said.
func (e *exchange) fill(message proto.Message, maxBody int64) error {
	values, err := strict.ParseQuery(e.request.URL.RawQuery)
	if err != nil {
		return err
	}
	if e.request.Method == http.MethodGet {
		if err := e.noBody(); err != nil {
			return err
		}
		return strict.Query(values, message)
	}
	if err := strict.NoQuery(values); err != nil {
		return err
	}
	if err := jsonType(e.request.Header); err != nil {
		return err
	}
	raw, err := e.read(maxBody)
	if err != nil {
		return err
	}
	body := message.ProtoReflect().New().Interface()
	if err := strict.JSON(raw, body); err != nil {
		return err
	}
	if err := agrees(body.ProtoReflect(), message.ProtoReflect(), ""); err != nil {
		return err
	}
	proto.Merge(message, body)
	return nil
}

func (e *exchange) noBody() error {
	var one [1]byte
	if n, _ := io.ReadFull(e.request.Body, one[:]); n > 0 {
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
			"a GET request has a body; expected query parameters only")
	}
	return nil
}

// read reads the body, which must not be longer than allowed.
func (e *exchange) read(maxBody int64) ([]byte, error) {
	raw, err := io.ReadAll(http.MaxBytesReader(e.writer, e.request.Body, maxBody))
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &tooLarge):
		return nil, apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_REQUEST_TOO_LARGE,
			"the body is larger than %d bytes; expected at most that many", maxBody)
	case err != nil:
		return nil, apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST,
			"the body ended early; expected all of what its headers announce, within the time limit")
	}
	return raw, nil
}

// jsonType accepts JSON, no type at all, and what command-line clients send
// where nobody said a type.
func jsonType(h http.Header) error {
	if compressed(h) {
		return unsupported("the body is compressed; expected it as it is")
	}
	value := h.Get("Content-Type")
	if value == "" {
		return nil
	}
	kind, _, err := mime.ParseMediaType(value)
	if err != nil || kind != "application/json" && kind != "application/x-www-form-urlencoded" {
		return unsupported("the body is not declared as JSON; expected Content-Type: application/json")
	}
	return nil
}

// compressed tells whether a body is not as it is.
func compressed(h http.Header) bool {
	coding := h.Get("Content-Encoding")
	return coding != "" && coding != "identity"
}

func unsupported(text string) error {
	return httpError{
		status: http.StatusUnsupportedMediaType,
		error:  apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, "%s", text),
	}
}

// agrees refuses a body that says something else than the path.
func agrees(body, path protoreflect.Message, prefix string) error {
	var err error
	path.Range(func(field protoreflect.FieldDescriptor, said protoreflect.Value) bool {
		name := prefix + field.JSONName()
		switch {
		case !body.Has(field):
		case field.Message() != nil:
			err = agrees(body.Get(field).Message(), said.Message(), name+".")
		case !body.Get(field).Equal(said):
			err = apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
				Field: name, Problem: "differs from the path", Expected: "what the path says, or nothing",
			})
		}
		return err == nil
	})
	return err
}
