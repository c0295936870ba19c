// Package apierr makes the errors that leave a server: gRPC statuses that carry
// google.rpc.ErrorInfo with a reason from the API's own list, and BadRequest or
// RetryInfo where they apply.
package apierr

import (
	"errors"
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Domain is the ErrorInfo domain of every error of this project.
const Domain = "beltwright"

// Reason is the stable cause of an error.
type Reason = fitmentv1.ErrorInfo_Reason

// Violation names a field, what is wrong with it and what would be right.
type Violation struct {
	Field, Problem, Expected string
}

// New returns a status error with the reason.
func New(code codes.Code, reason Reason, format string, args ...any) error {
	return build(code, reason, fmt.Sprintf(format, args...))
}

// Retry is New with the time after which trying again is worth it.
func Retry(code codes.Code, reason Reason, after time.Duration, format string, args ...any) error {
	return build(code, reason, fmt.Sprintf(format, args...),
		&errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
}

// Invalid returns INVALID_ARGUMENT naming every violation. Reason is normally
// FIELD_INVALID.
func Invalid(reason Reason, violations ...Violation) error {
	bad := &errdetails.BadRequest{}
	text := "invalid request"
	for i, v := range violations {
		description := v.Problem
		if v.Expected != "" {
			description += "; expected " + v.Expected
		}
		bad.FieldViolations = append(bad.FieldViolations,
			&errdetails.BadRequest_FieldViolation{Field: v.Field, Description: description, Reason: reason.String()})
		if i == 0 {
			text = v.Field + ": " + description
		}
	}
	if n := len(violations); n > 1 {
		text = fmt.Sprintf("%s (and %d more)", text, n-1)
	}
	return build(codes.InvalidArgument, reason, text, bad)
}

// ReasonOf returns the reason that an error carries, looking through wrapping;
// REASON_UNSPECIFIED where it carries none of ours.
func ReasonOf(err error) Reason {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return fitmentv1.ErrorInfo_REASON_UNSPECIFIED
	}
	for _, detail := range carrier.GRPCStatus().Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.GetDomain() == Domain {
			return Reason(fitmentv1.ErrorInfo_Reason_value[info.GetReason()])
		}
	}
	return fitmentv1.ErrorInfo_REASON_UNSPECIFIED
}

func build(code codes.Code, reason Reason, text string, more ...protoadapt.MessageV1) error {
	details := append([]protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: reason.String(), Domain: Domain}}, more...)
	plain := status.New(code, text)
	full, err := plain.WithDetails(details...)
	if err != nil { // only for an OK code, which no caller passes
		return plain.Err()
	}
	return full.Err()
}
