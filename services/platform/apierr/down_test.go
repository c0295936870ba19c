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

// TestDownNamesTheService, also through wrapping and over the wire, and other errors
// name none.
func TestDownNamesTheService(t *testing.T) {
	t.Parallel()
	down := apierr.Down(codes.Unavailable, "fitment", 3*time.Second, "the %s service is away", "fitment")
	for name, err := range map[string]error{
		"itself": down, "wrapped": fmt.Errorf("outer: %w", down), "over the wire": status.ErrorProto(status.Convert(down).Proto()),
	} {
		if apierr.ServiceDown(err) != "fitment" || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN || status.Code(err) != codes.Unavailable {
			t.Errorf("%s: %v names %q", name, err, apierr.ServiceDown(err))
		}
	}
	var wait time.Duration
	for _, detail := range status.Convert(down).Details() {
		if retry, ok := detail.(*errdetails.RetryInfo); ok {
			wait = retry.GetRetryDelay().AsDuration()
		}
	}
	if wait != 3*time.Second || status.Convert(down).Message() != "the fitment service is away" {
		t.Errorf("%v after %v", down, wait)
	}
	foreign, err := status.New(codes.Unavailable, "x").WithDetails(&errdetails.ErrorInfo{
		Reason: "DEPENDENCY_DOWN", Domain: "elsewhere", Metadata: map[string]string{"service": "fitment"},
	})
	if err != nil {
		t.Fatal(err)
	}
	for name, err := range map[string]error{
		"none": nil, "plain": errors.New("x"), "without a service": apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "x"),
		"another domain": foreign.Err(), "another reason": apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "x"),
	} {
		if got := apierr.ServiceDown(err); got != "" {
			t.Errorf("%s names %q", name, got)
		}
	}
}
