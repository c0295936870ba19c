package strict

import (
	"encoding/base64"
	"encoding/json"
	"math"
	"regexp"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
)

const timestampName protoreflect.FullName = "google.protobuf.Timestamp"

// integer is how an integer is written, in JSON and as text.
var integer = regexp.MustCompile(`^(0|-?[1-9][0-9]{0,19})$`)

// scalarProblem says what is wrong with a value, or nothing.
func scalarProblem(field protoreflect.FieldDescriptor, token json.Token) string {
	if field.Message() != nil {
		return timestampProblem(token)
	}
	switch field.Kind() {
	case protoreflect.BoolKind:
		if _, ok := token.(bool); ok {
			return ""
		}
	case protoreflect.StringKind:
		if _, ok := token.(string); ok {
			return ""
		}
	case protoreflect.BytesKind:
		if text, ok := token.(string); ok && isBase64(text) {
			return ""
		}
	case protoreflect.EnumKind:
		if text, ok := token.(string); ok && field.Enum().Values().ByName(protoreflect.Name(text)) != nil {
			return ""
		}
	case protoreflect.DoubleKind, protoreflect.FloatKind:
		return floatProblem(field, token)
	default:
		return integerProblem(field, token)
	}
	return "is " + described(token)
}

func floatProblem(field protoreflect.FieldDescriptor, token json.Token) string {
	number, ok := token.(json.Number)
	if !ok {
		return "is " + described(token)
	}
	if _, err := strconv.ParseFloat(number.String(), bits(field)); err != nil {
		return "is " + described(token) + ", which is out of range"
	}
	return ""
}

func integerProblem(field protoreflect.FieldDescriptor, token json.Token) string {
	var text string
	switch token := token.(type) {
	case json.Number:
		text = token.String()
	case string:
		text = token
	default:
		return "is " + described(token)
	}
	if !integer.MatchString(text) {
		return "is " + described(token)
	}
	if _, err := parseInteger(field, text); err != nil {
		return "is " + described(token) + ", which is out of range"
	}
	return ""
}

// parseInteger reads an integer of the field's type.
func parseInteger(field protoreflect.FieldDescriptor, text string) (protoreflect.Value, error) {
	switch field.Kind() {
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		n, err := strconv.ParseUint(text, 10, 32)
		return protoreflect.ValueOfUint32(uint32(n)), err
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		n, err := strconv.ParseUint(text, 10, 64)
		return protoreflect.ValueOfUint64(n), err
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		n, err := strconv.ParseInt(text, 10, 64)
		return protoreflect.ValueOfInt64(n), err
	default:
		n, err := strconv.ParseInt(text, 10, 32)
		return protoreflect.ValueOfInt32(int32(n)), err
	}
}

func bits(field protoreflect.FieldDescriptor) int {
	switch field.Kind() {
	case protoreflect.FloatKind, protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind,
		protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		return 32
	default:
		return 64
	}
}

// Bounds of google.protobuf.Timestamp, as its definition states them.
var (
	firstMoment = time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC)
	endOfTime   = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)
)

// moment is RFC 3339 with at most nanoseconds. Package time reads more than
// that, such as a comma before the fraction.
var moment = regexp.MustCompile(`^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)$`)

func timestampProblem(token json.Token) string {
	text, ok := token.(string)
	if !ok || !moment.MatchString(text) {
		return "is " + described(token)
	}
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil || at.Before(firstMoment) || !at.Before(endOfTime) {
		return "is " + described(token)
	}
	return ""
}

func isBase64(text string) bool {
	encoding := base64.StdEncoding
	if strings.ContainsAny(text, "-_") {
		encoding = base64.URLEncoding
	}
	if len(text)%4 != 0 {
		encoding = encoding.WithPadding(base64.NoPadding)
	}
	_, err := encoding.DecodeString(text)
	return err == nil
}

// wanted says what a field takes.
func wanted(field protoreflect.FieldDescriptor) string {
	if message := field.Message(); message != nil {
		if message.FullName() == timestampName {
			return `a time such as "2026-03-01T12:00:00Z"`
		}
		return "an object with fields of " + string(message.Name())
	}
	switch field.Kind() {
	case protoreflect.BoolKind:
		return "true or false"
	case protoreflect.StringKind:
		return "text"
	case protoreflect.BytesKind:
		return "bytes as base64 text"
	case protoreflect.EnumKind:
		return oneOf(enumNames(field.Enum()))
	case protoreflect.DoubleKind:
		return "a number"
	case protoreflect.FloatKind:
		return "a number of at most " + strconv.FormatFloat(math.MaxFloat32, 'g', 3, 64)
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind, protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		return "an integer from 0 that fits in " + strconv.Itoa(bits(field)) + " bits"
	default:
		return "an integer that fits in " + strconv.Itoa(bits(field)) + " bits"
	}
}

// enumNames lists the values that say something.
func enumNames(enum protoreflect.EnumDescriptor) []string {
	var names []string
	for i := range enum.Values().Len() {
		if value := enum.Values().Get(i); value.Number() != 0 {
			names = append(names, string(value.Name()))
		}
	}
	return names
}

// longestShown bounds how much of a wrong value is repeated.
const longestShown = 40

// described names a value by what it is.
func described(token json.Token) string {
	switch token := token.(type) {
	case json.Delim:
		if token == '[' {
			return "a list"
		}
		return "an object"
	case string:
		if len(token) > longestShown {
			token = strings.ToValidUTF8(token[:longestShown], "") + "…"
		}
		return "the text " + strconv.Quote(token)
	case json.Number:
		text := token.String()
		if len(text) > longestShown {
			text = text[:longestShown] + "…"
		}
		return "the number " + text
	case bool:
		return strconv.FormatBool(token)
	default:
		return "null"
	}
}

// loneSurrogate tells whether a JSON string, as written, escapes half of a
// UTF-16 pair without the other half.
func loneSurrogate(literal []byte) bool {
	high := false // the escape before was the first half of a pair
	for i := 0; i < len(literal); i++ {
		unit, escaped := rune(-1), false
		if literal[i] == '\\' && i+1 < len(literal) {
			i++
			if literal[i] == 'u' && i+4 < len(literal) {
				code, err := strconv.ParseUint(string(literal[i+1:i+5]), 16, 32)
				unit, escaped = rune(code), err == nil
				i += 4
			}
		}
		low := escaped && unit >= 0xDC00 && unit <= 0xDFFF
		if high != low {
			return true
		}
		high = escaped && unit >= 0xD800 && unit <= 0xDBFF
	}
	return high
}
