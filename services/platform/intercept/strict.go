package intercept

import (
	"context"
	"fmt"
	"math"
	"strconv"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// strictLink reads the request and refuses what no handler would notice: fields
// it does not know (a misspelt safety field must not be dropped), numbers that
// are none, and enum values that do not exist. Messages of a client's stream
// are judged one by one, as they are received.
func strictLink() Link {
	return Link{
		Name: Strict,
		Unary: func(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
			if err := readPending(ctx); err != nil {
				return nil, err
			}
			if err := Judge(req); err != nil {
				return nil, err
			}
			return handler(ctx, req)
		},
		Stream: func(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
			return handler(srv, &strictStream{ServerStream: stream})
		},
	}
}

type strictStream struct {
	grpc.ServerStream
}

// RecvMsg receives one message and judges it.
func (s *strictStream) RecvMsg(into any) error {
	if err := receive(s.ServerStream.RecvMsg, into); err != nil {
		return err
	}
	return Judge(into)
}

// maxViolations bounds how much of a bad message is named.
const maxViolations = 16

// Judge returns nil, or INVALID_ARGUMENT that names what is wrong: fields that
// the message does not know by path and number (FIELD_UNKNOWN), otherwise NaN,
// infinities and enum values that do not exist by path (FIELD_INVALID). Paths
// are proto field names: "need.readings[0].ohms". Only proto messages are
// judged.
func Judge(message any) error {
	m, ok := message.(proto.Message)
	if !ok {
		return nil
	}
	var found findings
	found.message(m.ProtoReflect(), "")
	if len(found.unknown) > 0 {
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_UNKNOWN, found.unknown...)
	}
	if len(found.invalid) > 0 {
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, found.invalid...)
	}
	return nil
}

type findings struct {
	unknown, invalid []apierr.Violation
}

func (f *findings) full() bool { return len(f.unknown)+len(f.invalid) >= maxViolations }

func (f *findings) message(m protoreflect.Message, path string) {
	f.unknownFields(m.GetUnknown(), m.Descriptor(), path)
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		name := string(field.Name())
		if path != "" {
			name = path + "." + name
		}
		switch {
		case !judged(field):
		case field.IsList():
			list := value.List()
			for i := 0; i < list.Len() && !f.full(); i++ {
				f.value(field, list.Get(i), name+"["+strconv.Itoa(i)+"]")
			}
		case field.IsMap():
			value.Map().Range(func(key protoreflect.MapKey, entry protoreflect.Value) bool {
				f.value(field.MapValue(), entry, fmt.Sprintf("%s[%q]", name, key.String()))
				return !f.full()
			})
		default:
			f.value(field, value, name)
		}
		return !f.full()
	})
}

// judged tells whether values of a field can be wrong in themselves; it spares
// walking through long lists of numbers and texts.
func judged(field protoreflect.FieldDescriptor) bool {
	if field.IsMap() {
		field = field.MapValue()
	}
	switch field.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind, protoreflect.EnumKind, protoreflect.DoubleKind, protoreflect.FloatKind:
		return true
	default:
		return false
	}
}

func (f *findings) value(field protoreflect.FieldDescriptor, value protoreflect.Value, path string) {
	switch field.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		f.message(value.Message(), path)
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		if x := value.Float(); math.IsNaN(x) || math.IsInf(x, 0) {
			f.invalid = append(f.invalid, apierr.Violation{
				Field: path, Problem: strconv.FormatFloat(x, 'g', -1, 64) + " is no number", Expected: "a finite number",
			})
		}
	case protoreflect.EnumKind:
		if number := value.Enum(); field.Enum().Values().ByNumber(number) == nil {
			f.invalid = append(f.invalid, apierr.Violation{
				Field: path, Problem: fmt.Sprintf("%d is no %s", number, field.Enum().Name()), Expected: "one of the declared values",
			})
		}
	default:
	}
}

// unknownFields names the fields in raw, the bytes of a message that its type
// does not explain.
func (f *findings) unknownFields(raw []byte, in protoreflect.MessageDescriptor, path string) {
	for len(raw) > 0 && !f.full() {
		number, _, size := protowire.ConsumeField(raw)
		if size < 0 { // the decoder checked them
			return
		}
		raw = raw[size:]
		name := strconv.Itoa(int(number))
		if path != "" {
			name = path + "." + name
		}
		if n := len(f.unknown); n > 0 && f.unknown[n-1].Field == name { // a repeated field
			continue
		}
		f.unknown = append(f.unknown, apierr.Violation{
			Field:    name,
			Problem:  fmt.Sprintf("%s has no field number %d", in.FullName(), number),
			Expected: "only fields of the published contract",
		})
	}
}
