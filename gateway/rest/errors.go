package rest

import (
	"errors"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/anypb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/apierr"
)

// httpError is an error with an HTTP status of its own, where the gRPC code
// does not tell enough.
type httpError struct {
	error

	status int
}

// Unwrap gives access to the status inside.
func (e httpError) Unwrap() error { return e.error }

func writeJSON(w http.ResponseWriter, code int, raw []byte) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(append(raw, '\n')) // a client that is gone is not told
}

// writeError answers with google.rpc.Status as JSON.
func writeError(w http.ResponseWriter, err error) {
	s := explained(err)
	if watched, ok := w.(interface {
		noted(reason fitmentv1.ErrorInfo_Reason)
	}); ok {
		watched.noted(apierr.ReasonOf(status.ErrorProto(s)))
	}
	raw, encodeErr := answers.JSON(s)
	if encodeErr != nil {
		raw = []byte(`{"code":13,"message":"the error cannot be written"}`)
	}
	if s.GetCode() == int32(codes.Unauthenticated) {
		w.Header().Set("WWW-Authenticate", `Bearer realm="beltwright"`)
	}
	for _, detail := range s.GetDetails() {
		retry := &errdetails.RetryInfo{}
		if detail.UnmarshalTo(retry) == nil {
			w.Header().Set("Retry-After", retryAfter(retry.GetRetryDelay().AsDuration()))
		}
	}
	if reason := apierr.ReasonOf(status.ErrorProto(s)); reason == fitmentv1.ErrorInfo_RATE_LIMITED || reason == fitmentv1.ErrorInfo_OVERLOADED {
		giveUpBody(w)
	}
	writeJSON(w, statusOf(err, s), raw)
}

// retryAfter gives whole seconds, rounded up (RFC 9110 §10.2.3).
func retryAfter(delay time.Duration) string {
	return strconv.FormatInt(int64(max((delay+time.Second-1)/time.Second, 1)), 10)
}

// statusOf maps an error to an HTTP status: as grpc-gateway does, but for what
// the code alone does not tell.
func statusOf(err error, s *spb.Status) int {
	var own httpError
	switch {
	case errors.As(err, &own):
		return own.status
	case apierr.ReasonOf(status.ErrorProto(s)) == fitmentv1.ErrorInfo_REQUEST_TOO_LARGE:
		return http.StatusRequestEntityTooLarge
	case apierr.ReasonOf(status.ErrorProto(s)) == fitmentv1.ErrorInfo_OVERLOADED:
		// 503 is the server's trouble (RFC 9110 §15.6.4), 429 the client's (RFC 6585 §4).
		return http.StatusServiceUnavailable
	}
	return runtime.HTTPStatusFromCode(codes.Code(s.GetCode()))
}

// explained is an error as the client sees it: with a reason in every case and
// without what only we should know.
func explained(err error) *spb.Status {
	if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
		err = reasoned(status.Code(err))
	}
	s := carried(err)
	var details []*anypb.Any
	for _, detail := range s.GetDetails() {
		if _, err := detail.UnmarshalNew(); err == nil { // otherwise of a type that we cannot write
			details = append(details, detail)
		}
	}
	s.Details = details
	return s
}

// carried returns a copy of the status inside an error, in its own words: those
// of the wrapping around it are for the log.
func carried(err error) *spb.Status {
	var carrier interface{ GRPCStatus() *status.Status }
	if errors.As(err, &carrier) {
		return proto.CloneOf(carrier.GRPCStatus().Proto())
	}
	return proto.CloneOf(status.Convert(err).Proto())
}

// reasoned gives an error that carries no reason of ours, such as one that grpc
// itself made, one. Its text stays inside: it may name addresses.
func reasoned(code codes.Code) error {
	switch code {
	case codes.Unavailable:
		return apierr.Retry(code, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, time.Second, "a service behind the gateway does not answer")
	case codes.DeadlineExceeded:
		return apierr.Retry(code, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, time.Second, "a service behind the gateway did not answer in time")
	case codes.Canceled:
		return apierr.New(code, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "the request was given up")
	case codes.ResourceExhausted:
		return apierr.New(code, fitmentv1.ErrorInfo_LIMIT_REACHED, "the answer or the request is larger than a service allows")
	case codes.Unimplemented:
		return apierr.New(code, fitmentv1.ErrorInfo_ROUTE_UNKNOWN, "a service behind the gateway does not know this method")
	default:
		return apierr.New(codes.Internal, fitmentv1.ErrorInfo_INTERNAL, "something failed inside")
	}
}

// jsonPaths rewrites proto field names to JSON names.
func jsonPaths(err error) error { return renamed(err, camel) }

// renamed rewrites the names of fields, in an error's violations and in its message,
// which starts with the first one.
func renamed(err error, name func(string) string) error {
	if err == nil {
		return nil
	}
	s := carried(err)
	for i, detail := range s.GetDetails() {
		bad := &errdetails.BadRequest{}
		if detail.UnmarshalTo(bad) != nil {
			continue
		}
		for j, violation := range bad.GetFieldViolations() {
			before := violation.GetField()
			violation.Field = name(before)
			if rest, ok := strings.CutPrefix(s.GetMessage(), before+":"); ok && j == 0 {
				s.Message = violation.GetField() + ":" + rest
			}
		}
		if rewritten, err := anypb.New(bad); err == nil {
			s.Details[i] = rewritten
		}
	}
	return status.ErrorProto(s)
}

// camel turns the snake_case of proto names into the lowerCamelCase of JSON
// names, as the protobuf JSON mapping does.
func camel(path string) string {
	var out strings.Builder
	upper := false
	for _, r := range path {
		switch {
		case r == '_':
			upper = true
			continue
		case upper && r >= 'a' && r <= 'z':
			r -= 'a' - 'A'
		}
		upper = false
		out.WriteRune(r)
	}
	return out.String()
}

// marshaler writes answers; what it reads is always empty, see exchange.
type marshaler struct {
	*runtime.JSONPb
}

func newMarshaler() marshaler { return marshaler{JSONPb: &runtime.JSONPb{}} }

// Marshal implements runtime.Marshaler.
func (m marshaler) Marshal(v any) ([]byte, error) {
	message, ok := v.(proto.Message)
	if !ok {
		return m.JSONPb.Marshal(v)
	}
	raw, err := answers.JSON(message)
	return append(raw, '\n'), err
}

// NewDecoder implements runtime.Marshaler.
func (marshaler) NewDecoder(io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(any) error { return io.EOF })
}
