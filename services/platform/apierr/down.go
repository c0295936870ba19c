package apierr

import (
	"errors"
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// serviceKey is the key in ErrorInfo's metadata that names a service.
const serviceKey = "service"

// Down is the error where a service that is needed does not do its part:
// DEPENDENCY_DOWN, with the service's name in ErrorInfo's metadata under
// "service", so that whoever gets the error over several hops knows which of them
// stands still. After says when trying again is worth it.
func Down(code codes.Code, service string, after time.Duration, format string, args ...any) error {
	info := &errdetails.ErrorInfo{
		Reason: fitmentv1.ErrorInfo_DEPENDENCY_DOWN.String(), Domain: Domain, Metadata: map[string]string{serviceKey: service},
	}
	plain := status.New(code, fmt.Sprintf(format, args...))
	full, err := plain.WithDetails(info, &errdetails.RetryInfo{RetryDelay: durationpb.New(after)})
	if err != nil { // only for an OK code, which no caller passes
		return plain.Err()
	}
	return full.Err()
}

// ServiceDown returns the service that an error of Down names, looking through
// wrapping; "" where it names none.
func ServiceDown(err error) string {
	var carrier interface{ GRPCStatus() *status.Status }
	if !errors.As(err, &carrier) {
		return ""
	}
	for _, detail := range carrier.GRPCStatus().Details() {
		info, ok := detail.(*errdetails.ErrorInfo)
		if ok && info.GetDomain() == Domain && info.GetReason() == fitmentv1.ErrorInfo_DEPENDENCY_DOWN.String() {
			return info.GetMetadata()[serviceKey]
		}
	}
	return ""
}
