// Package answers writes messages as JSON for people and programs: the protobuf
// JSON mapping on one line, the same text for the same message (protojson
// sprinkles spaces on purpose). Fields that say nothing (zero, empty, not
// stated) are left out, but for truth values: "valid": false is an answer.
package answers

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// JSON returns a message as one line of JSON without its end. The error is for
// what JSON cannot say: a number that is none.
func JSON(message proto.Message) ([]byte, error) {
	w := newWriter()
	if err := w.message(message.ProtoReflect()); err != nil {
		return nil, fmt.Errorf("write %s as JSON: %w", message.ProtoReflect().Descriptor().Name(), err)
	}
	return w.out.Bytes(), nil
}

type writer struct {
	out  bytes.Buffer
	text *json.Encoder
}

func newWriter() *writer {
	w := &writer{}
	w.text = json.NewEncoder(&w.out)
	w.text.SetEscapeHTML(false)
	return w
}

func (w *writer) message(m protoreflect.Message) error {
	if m.Descriptor().ParentFile().Package() == "google.protobuf" {
		return w.wellKnown(m)
	}
	w.out.WriteByte('{')
	fields := m.Descriptor().Fields()
	first := true
	for i := range fields.Len() {
		field := fields.Get(i)
		if !m.Has(field) && !alwaysWritten(field) {
			continue
		}
		if !first {
			w.out.WriteByte(',')
		}
		first = false
		w.out.WriteString(`"` + field.JSONName() + `":`) // proto names need no escape
		if err := w.field(field, m.Get(field)); err != nil {
			return fmt.Errorf("%s: %w", field.JSONName(), err)
		}
	}
	w.out.WriteByte('}')
	return nil
}

// alwaysWritten tells whether false is written: for a truth value that cannot
// be absent.
func alwaysWritten(field protoreflect.FieldDescriptor) bool {
	return field.Kind() == protoreflect.BoolKind && !field.IsList() && !field.HasPresence()
}

func (w *writer) field(field protoreflect.FieldDescriptor, value protoreflect.Value) error {
	switch {
	case field.IsMap():
		return errors.New("is a map, which no answer has")
	case !field.IsList():
		return w.value(field, value)
	}
	w.out.WriteByte('[')
	for i := range value.List().Len() {
		if i > 0 {
			w.out.WriteByte(',')
		}
		if err := w.value(field, value.List().Get(i)); err != nil {
			return err
		}
	}
	w.out.WriteByte(']')
	return nil
}

func (w *writer) value(field protoreflect.FieldDescriptor, value protoreflect.Value) error {
	switch field.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		return w.message(value.Message())
	case protoreflect.EnumKind:
		if known := field.Enum().Values().ByNumber(value.Enum()); known != nil {
			w.out.WriteString(`"` + string(known.Name()) + `"`)
		} else {
			w.out.WriteString(strconv.Itoa(int(value.Enum())))
		}
		return nil
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return w.number(value.Float(), field.Kind() == protoreflect.FloatKind)
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind, protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		w.out.WriteString(`"` + value.String() + `"`) // JSON numbers lose precision
		return nil
	case protoreflect.StringKind, protoreflect.BytesKind:
		return w.plain(value.Interface())
	default:
		w.out.WriteString(value.String())
		return nil
	}
}

func (w *writer) number(x float64, short bool) error {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return fmt.Errorf("%v is no number", x)
	}
	if short {
		return w.plain(float32(x))
	}
	return w.plain(x)
}

// plain writes what package encoding/json writes as protobuf wants it.
func (w *writer) plain(value any) error {
	if err := w.text.Encode(value); err != nil {
		return err
	}
	w.out.Truncate(w.out.Len() - 1) // the encoder ends a line
	return nil
}

// wellKnown writes messages with a form of their own, such as times.
func (w *writer) wellKnown(m protoreflect.Message) error {
	raw, err := protojson.Marshal(m.Interface())
	if err != nil {
		return err
	}
	return json.Compact(&w.out, raw)
}
