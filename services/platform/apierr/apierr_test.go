package apierr_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

func TestReasonSurvivesWrapping(t *testing.T) {
	t.Parallel()
	err := fmt.Errorf("while selling: %w", apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "no"))
	if got := apierr.ReasonOf(err); got != fitmentv1.ErrorInfo_GATE_SHUT {
		t.Errorf("reason %v", got)
	}
	if got := apierr.ReasonOf(errors.New("plain")); got != fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
		t.Errorf("plain error has reason %v", got)
	}
}

func TestRetryCarriesTheDelay(t *testing.T) {
	t.Parallel()
	err := apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, 3*time.Second, "starting")
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.RetryInfo); ok {
			if got := info.GetRetryDelay().AsDuration(); got != 3*time.Second {
				t.Errorf("delay %v", got)
			}
			return
		}
	}
	t.Errorf("%v carries no RetryInfo", err)
}

// AIP-193: a reason has at most 63 characters of A-Z, 0-9 and underscores.
func TestReasonsFollowAIP193(t *testing.T) {
	t.Parallel()
	for _, name := range fitmentv1.ErrorInfo_Reason_name {
		if len(name) > 63 {
			t.Errorf("%s is too long", name)
		}
	}
}
