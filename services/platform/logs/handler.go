// Package logs makes log lines that say which request they belong to and hold no
// secrets: no key, session, password or token and no VIN, wherever in a line it
// stands.
package logs

import (
	"context"
	"encoding"
	"fmt"
	"log/slog"
	"strings"
	"time"
	"unicode/utf8"

	"go.opentelemetry.io/otel/trace"

	"beltwright.example/services/platform/requestid"
)

// Keys of what is added to each line that belongs to a request.
const (
	// RequestKey is the request's id.
	RequestKey = "request"
	// TraceKey is the id of the trace that the request belongs to.
	TraceKey = "trace_id"
)

// Handler masks what passes through it on the way to another handler.
type Handler struct {
	next slog.Handler
	// hidden is true inside of a group that is named as a secret.
	hidden bool
}

var _ slog.Handler = (*Handler)(nil)

// New returns a handler in front of next that masks messages, keys and values (see
// Text), and adds the ids of the request and the trace.
func New(next slog.Handler) *Handler { return &Handler{next: next} }

// Enabled implements slog.Handler.
func (h *Handler) Enabled(ctx context.Context, level slog.Level) bool {
	return h.next.Enabled(ctx, level)
}

// Handle implements slog.Handler.
func (h *Handler) Handle(ctx context.Context, record slog.Record) error {
	out := slog.NewRecord(record.Time, record.Level, Text(record.Message), record.PC)
	record.Attrs(func(attr slog.Attr) bool {
		out.AddAttrs(maskAttr(attr, h.hidden))
		return true
	})
	if id := requestid.FromContext(ctx); id != "" {
		out.AddAttrs(slog.String(RequestKey, Text(id)))
	}
	if span := trace.SpanContextFromContext(ctx); span.HasTraceID() {
		out.AddAttrs(slog.String(TraceKey, span.TraceID().String()))
	}
	if err := h.next.Handle(ctx, out); err != nil {
		return fmt.Errorf("write a log line: %w", err)
	}
	return nil
}

// WithAttrs implements slog.Handler.
func (h *Handler) WithAttrs(attrs []slog.Attr) slog.Handler {
	return &Handler{next: h.next.WithAttrs(maskAttrs(attrs, h.hidden)), hidden: h.hidden}
}

// WithGroup implements slog.Handler.
func (h *Handler) WithGroup(name string) slog.Handler {
	return &Handler{next: h.next.WithGroup(Text(name)), hidden: h.hidden || secretKey(name)}
}

func maskAttrs(attrs []slog.Attr, hidden bool) []slog.Attr {
	masked := make([]slog.Attr, len(attrs))
	for i, attr := range attrs {
		masked[i] = maskAttr(attr, hidden)
	}
	return masked
}

func maskAttr(attr slog.Attr, hidden bool) slog.Attr {
	hidden = hidden || secretKey(attr.Key)
	value := attr.Value.Resolve()
	switch {
	case value.Kind() == slog.KindGroup:
		value = slog.GroupValue(maskAttrs(value.Group(), hidden)...)
	case hidden:
		value = slog.StringValue(maskedSecret)
	default:
		value = maskValue(value)
	}
	return slog.Attr{Key: Text(attr.Key), Value: value}
}

// maskValue masks a value that is no group and whose key is harmless.
func maskValue(value slog.Value) slog.Value {
	switch value.Kind() {
	case slog.KindString:
		return slog.StringValue(Text(value.String()))
	case slog.KindAny:
		return maskAny(value.Any())
	case slog.KindInt64, slog.KindUint64:
		// A number of 17 digits may be a VIN that was read as a number.
		if text := value.String(); Text(text) != text {
			return slog.StringValue(Text(text))
		}
	case slog.KindBool, slog.KindDuration, slog.KindFloat64, slog.KindTime, slog.KindGroup, slog.KindLogValuer:
	}
	return value
}

// maskAny turns what is none of slog's own kinds into a masked text, since what a
// handler would print of it cannot be masked in place.
func maskAny(value any) slog.Value {
	switch v := value.(type) {
	case nil:
		return slog.AnyValue(nil)
	case []byte:
		if !utf8.Valid(v) {
			return slog.StringValue(fmt.Sprintf("[%d bytes]", len(v)))
		}
		return slog.StringValue(Text(string(v)))
	case []string:
		masked := make([]string, len(v))
		for i, text := range v {
			masked[i] = Text(text)
		}
		return slog.AnyValue(masked)
	case error:
		return slog.StringValue(Text(v.Error()))
	case time.Time:
		return slog.TimeValue(v)
	case fmt.Stringer:
		return slog.StringValue(Text(v.String()))
	case encoding.TextMarshaler:
		text, err := v.MarshalText()
		if err != nil {
			return slog.StringValue(Text(err.Error()))
		}
		return slog.StringValue(Text(string(text)))
	case *slog.Source:
		return slog.AnyValue(v)
	}
	return slog.StringValue(Text(fmt.Sprintf("%+v", value)))
}

// secretWords are parts of keys whose values are never logged.
var secretWords = []string{ //nolint:gochecknoglobals // a table
	"password", "passwd", "passphrase", "secret", "token", "authorization", "cookie", "credential", "pepper", "bearer",
}

// secretKey tells whether a key names something that must not be logged. "key" alone
// is one; the id, the prefix and the file of a key are none.
func secretKey(key string) bool {
	key = strings.ToLower(key)
	if key == "key" || key == "api_key" || key == "apikey" {
		return true
	}
	for _, word := range secretWords {
		if strings.Contains(key, word) {
			return true
		}
	}
	return false
}
