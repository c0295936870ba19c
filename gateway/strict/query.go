package strict

import (
	"maps"
	"math"
	"net/url"
	"slices"
	"strconv"
	"unicode/utf8"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Query reads query parameters into a message that may already hold what the
// path said. A parameter names a field of the message, which must be a single
// text, number, truth value or enum, by its JSON name or its proto name.
func Query(values url.Values, into proto.Message) error {
	m := into.ProtoReflect()
	var found findings
	taken := map[protoreflect.FieldNumber]bool{}
	for _, key := range slices.Sorted(maps.Keys(values)) {
		field := fieldOf(m.Descriptor(), key)
		if field == nil || !queryable(field) {
			found.addUnknown(readable(key), "is no query parameter of this method", parameters(m))
			continue
		}
		name := field.JSONName()
		switch {
		case taken[field.Number()] || len(values[key]) != 1:
			found.addInvalid(name, "is given twice", "it once")
		case m.Has(field):
			found.addInvalid(name, "is a query parameter, but the path says it", "it in the path only")
		default:
			if value, ok := queryValue(field, values[key][0]); ok {
				m.Set(field, value)
			} else {
				found.addInvalid(name, "is "+described(values[key][0]), "%s", wanted(field))
			}
		}
		taken[field.Number()] = true
	}
	return found.err()
}

// NoQuery refuses every query parameter, for methods whose request is the body.
func NoQuery(values url.Values) error {
	var found findings
	for _, key := range slices.Sorted(maps.Keys(values)) {
		found.addUnknown(readable(key), "is a query parameter, and this method takes none", "every field in the JSON body")
	}
	return found.err()
}

// ParseQuery splits a raw query; the error is MALFORMED_REQUEST.
func ParseQuery(raw string) (url.Values, error) {
	values, err := url.ParseQuery(raw)
	if err != nil {
		return nil, malformed("the query is malformed; expected name=value pairs joined by &, percent-encoded")
	}
	return values, nil
}

func queryable(field protoreflect.FieldDescriptor) bool {
	return field.Message() == nil && !field.IsList() && field.Kind() != protoreflect.BytesKind
}

func parameters(m protoreflect.Message) string {
	var names []string
	for i := range m.Descriptor().Fields().Len() {
		if field := m.Descriptor().Fields().Get(i); queryable(field) && !m.Has(field) {
			names = append(names, field.JSONName())
		}
	}
	if len(names) == 0 {
		return "no query parameter"
	}
	slices.Sort(names)
	return oneOf(names)
}

func queryValue(field protoreflect.FieldDescriptor, text string) (protoreflect.Value, bool) {
	none := protoreflect.Value{}
	switch field.Kind() {
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(text), utf8.ValidString(text)
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(text == "true"), text == "true" || text == "false"
	case protoreflect.EnumKind:
		value := field.Enum().Values().ByName(protoreflect.Name(text))
		if value == nil {
			return none, false
		}
		return protoreflect.ValueOfEnum(value.Number()), true
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return floatValue(field, text)
	default:
		if !integer.MatchString(text) {
			return none, false
		}
		value, err := parseInteger(field, text)
		return value, err == nil
	}
}

func floatValue(field protoreflect.FieldDescriptor, text string) (protoreflect.Value, bool) {
	x, err := strconv.ParseFloat(text, bits(field))
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
		return protoreflect.Value{}, false
	}
	if field.Kind() == protoreflect.FloatKind {
		return protoreflect.ValueOfFloat32(float32(x)), true
	}
	return protoreflect.ValueOfFloat64(x), true
}
