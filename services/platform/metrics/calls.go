package metrics

import (
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/reflect/protoreflect"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/method"
)

// calls are the metrics of gRPC calls that a server answers: rate, errors and
// duration by method.
type calls struct {
	requests, refusals, signIns, rows *prometheus.CounterVec
	seconds                           *prometheus.HistogramVec
	inFlight                          *prometheus.GaugeVec
}

func newCalls() calls {
	return calls{
		requests: counter("rpc_requests_total", "gRPC calls that have ended, by method and status code.", "method", "code"),
		seconds:  histogram("rpc_seconds", "How long gRPC calls took, by method. A stream takes as long as it is open.", durations(), "method"),
		inFlight: gauge("rpc_in_flight", "gRPC calls under way, by method.", "method"),
		refusals: counter("rpc_refusals_total", "gRPC calls that ended with an error, by its reason: RATE_LIMITED, OVERLOADED and QUOTA_REACHED say that a limit did its work.", "reason"),
		signIns:  counter("sign_ins_total", "Attempts of people to sign in, by way (password, token) and outcome (done, refused, limited, failed).", "way", "outcome"),
		rows:     counter("import_rows_total", "Rows of CSV imports that were answered, by import, outcome and mode (kept, dry).", "import", "outcome", "mode"),
	}
}

func (c *calls) collectors() []prometheus.Collector {
	return []prometheus.Collector{c.requests, c.seconds, c.inFlight, c.refusals, c.signIns, c.rows}
}

// Call notes that a gRPC call has begun. What it returns notes the end, with the
// status code and the reason that the caller got; it is to be called once.
func (s *Set) Call(fullMethod string) (ended func(code codes.Code, reason fitmentv1.ErrorInfo_Reason)) {
	if s == nil {
		return func(codes.Code, fitmentv1.ErrorInfo_Reason) {}
	}
	method, began := methodLabel(fullMethod), time.Now()
	s.calls.inFlight.WithLabelValues(method).Inc()
	return func(code codes.Code, reason fitmentv1.ErrorInfo_Reason) {
		s.calls.inFlight.WithLabelValues(method).Dec()
		s.calls.requests.WithLabelValues(method, codeLabel(code)).Inc()
		s.calls.seconds.WithLabelValues(method).Observe(time.Since(began).Seconds())
		if code != codes.OK {
			s.calls.refusals.WithLabelValues(reasonLabel(reason)).Inc()
		}
		if way := signIns[fullMethod]; way != "" {
			s.calls.signIns.WithLabelValues(way, signInOutcome(code, reason)).Inc()
		}
	}
}

// signIns are the methods by which people sign in, with the way's label.
var signIns = map[string]string{ //nolint:gochecknoglobals // a table
	fitmentv1.IdentityService_SignIn_FullMethodName:          "password",
	fitmentv1.IdentityService_SignInWithToken_FullMethodName: "token",
}

func signInOutcome(code codes.Code, reason fitmentv1.ErrorInfo_Reason) string {
	switch {
	case code == codes.OK:
		return "done"
	case reason == fitmentv1.ErrorInfo_SIGN_IN_REFUSED:
		return "refused"
	case reason == fitmentv1.ErrorInfo_RATE_LIMITED || reason == fitmentv1.ErrorInfo_OVERLOADED:
		return "limited"
	}
	return "failed"
}

// Row notes that a row of an import has been answered: fullMethod is the import's,
// dry where nothing was to be kept.
func (s *Set) Row(fullMethod string, outcome fitmentv1.RowResult_Outcome, dry bool) {
	if s == nil {
		return
	}
	mode := "kept"
	if dry {
		mode = "dry"
	}
	name := methodLabel(fullMethod)
	name = name[strings.LastIndexByte(name, '/')+1:]
	s.calls.rows.WithLabelValues(name, enumLabel(outcome.Descriptor(), outcome.Number()), mode).Inc()
}

// declared remembers the labels of declared methods, as looking one up takes locks.
var declared sync.Map //nolint:gochecknoglobals // a cache of what never changes

// methodLabel is the method where some service declares it.
func methodLabel(fullMethod string) string {
	if label, ok := declared.Load(fullMethod); ok {
		text, _ := label.(string)
		return text
	}
	service, name, ok := method.Split(fullMethod)
	if !ok {
		return other
	}
	declared.Store(fullMethod, service+"/"+name)
	return service + "/" + name
}

// codeLabel is a status code's name where it is one of gRPC's.
func codeLabel(code codes.Code) string {
	if code > codes.Unauthenticated {
		return other
	}
	return code.String()
}

func reasonLabel(reason fitmentv1.ErrorInfo_Reason) string {
	return enumLabel(reason.Descriptor(), reason.Number())
}

// enumLabel is the name of a declared value.
func enumLabel(enum protoreflect.EnumDescriptor, number protoreflect.EnumNumber) string {
	if value := enum.Values().ByNumber(number); value != nil {
		return string(value.Name())
	}
	return other
}
