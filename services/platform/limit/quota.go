package limit

import (
	"errors"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

// Quota is the status for an error of a store that keeps no more records of a kind,
// FAILED_PRECONDITION since waiting does not help; other errors stay as they are.
func Quota(err error) error {
	var quota *store.QuotaError
	if !errors.As(err, &quota) {
		return err
	}
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTA_REACHED,
		"%s; whoever runs this deployment can allow more", quota)
}
