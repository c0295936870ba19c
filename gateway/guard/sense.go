// Package guard stands between the gateway and the services: what a service
// answers is not passed on where it cannot be true.
package guard

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
)

// Sense returns the dial option of a connection that refuses decisions which
// contradict themselves: a verdict that does not follow from fit and reuse, or a
// yes without findings that say yes. A service that answers so is broken, and
// nobody may read "fits" in what it says; the caller gets UNAVAILABLE with
// DEPENDENCY_DOWN.
func Sense() grpc.DialOption { return grpc.WithChainUnaryInterceptor(sense) }

func sense(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if err := invoke(ctx, method, request, reply, conn, options...); err != nil {
		return err
	}
	if err := judge(reply); err != nil {
		return apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN,
			"the fitment service answered with something that cannot be true (%v); nothing may be concluded from it", err)
	}
	return nil
}

// judge looks at the answers that carry decisions.
func judge(reply any) error {
	switch reply := reply.(type) {
	case *fitmentv1.DecideResponse:
		return quote.SenseDecision(reply.GetDecision())
	case *fitmentv1.FindDonorsResponse:
		for _, donor := range reply.GetDonors() {
			if err := quote.SenseDecision(donor.GetDecision()); err != nil {
				return fmt.Errorf("%.80s: %w", donor.GetListing().GetName(), err)
			}
		}
	}
	return nil
}
