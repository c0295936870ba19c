// Package strict reads requests from JSON and from query parameters, and refuses
// whatever it does not fully understand: unknown fields, fields given twice,
// values of another type, numbers that are none. Errors are statuses with a
// reason that name every field at fault by its JSON path
// ("need.vehicle.modelYear") and say what would be right, in a text that stays
// the same from release to release. A misspelt safety field must never be
// dropped, which is what the stock decoders would do or say badly.
//
// What is accepted is a subset of the protobuf JSON mapping: enum values by
// name; integers as JSON integers or, since JSON numbers lose precision, as
// text; null for a field that is not stated.
package strict

import (
	"fmt"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

const (
	// MaxDepth is how deep objects and lists may lie in each other.
	MaxDepth = 32
	// maxViolations bounds an error's list.
	maxViolations = 20
)

// JSON reads a message from one JSON object. The message is unchanged where an
// error is returned: MALFORMED_REQUEST where raw is no such object, otherwise
// FIELD_UNKNOWN or FIELD_INVALID.
func JSON(raw []byte, into proto.Message) error {
	if err := Check(raw, into); err != nil {
		return err
	}
	fresh := into.ProtoReflect().New().Interface()
	if err := protojson.Unmarshal(raw, fresh); err != nil {
		// Check lets nothing through that gets here; a test compares both on
		// random input. Should one slip through, it is refused all the same.
		return malformed("the body is no %s in JSON; expected what the API document describes",
			into.ProtoReflect().Descriptor().Name())
	}
	proto.Reset(into)
	proto.Merge(into, fresh)
	return nil
}

// Check says whether JSON would read raw as a message of that type.
func Check(raw []byte, message proto.Message) error {
	if !utf8.Valid(raw) {
		return malformed("the body is not valid UTF-8; expected a JSON object in UTF-8")
	}
	w := newWalker(raw)
	if err := w.body(message.ProtoReflect().Descriptor()); err != nil {
		return err
	}
	return w.err()
}

func malformed(format string, args ...any) error {
	return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_MALFORMED_REQUEST, format, args...)
}

// findings collects what is wrong with fields.
type findings struct {
	unknown, invalid []apierr.Violation
}

func (f *findings) full() bool { return len(f.unknown)+len(f.invalid) >= maxViolations }

func (f *findings) addUnknown(path, problem, expected string) {
	if !f.full() {
		f.unknown = append(f.unknown, apierr.Violation{Field: path, Problem: problem, Expected: expected})
	}
}

func (f *findings) addInvalid(path, problem, expected string, args ...any) {
	if !f.full() {
		f.invalid = append(f.invalid, apierr.Violation{Field: path, Problem: problem, Expected: fmt.Sprintf(expected, args...)})
	}
}

// err names the unknown fields first: while there are any, what the known ones
// say is only half of what was meant.
func (f *findings) err() error {
	switch {
	case len(f.unknown) > 0:
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_UNKNOWN, f.unknown...)
	case len(f.invalid) > 0:
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, f.invalid...)
	}
	return nil
}
