package apierr_test

import (
	"errors"
	"slices"
	"testing"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

func TestWithinNamesFieldsFromTheOutside(t *testing.T) {
	t.Parallel()
	inner := apierr.Invalid(fitmentv1.ErrorInfo_FIELD_UNKNOWN,
		apierr.Violation{Field: "codes[0]", Problem: "is no code", Expected: "B0058"}, apierr.Violation{Field: "window", Problem: "is empty"})
	got := apierr.Within("step.read.", inner)
	want := []apierr.Violation{{Field: "step.read.codes[0]", Problem: "is no code", Expected: "B0058"}, {Field: "step.read.window", Problem: "is empty"}}
	if list := apierr.Violations(got); !slices.Equal(list, want) || apierr.ReasonOf(got) != fitmentv1.ErrorInfo_FIELD_UNKNOWN {
		t.Errorf("got %+v, %s", list, apierr.ReasonOf(got))
	}
	other := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "no such thing")
	if !errors.Is(apierr.Within("x.", other), other) || apierr.Within("x.", nil) != nil || apierr.Violations(errors.New("plain")) != nil {
		t.Error("an error without fields was changed")
	}
}
