// Package guard stands between the gateway and the services: what a service
// answers is not passed on where it cannot be true.
package guard

import (
	"context"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
)

// Sense returns the dial option of a connection that refuses answers which
// contradict themselves or the question: a verdict that does not follow from fit
// and reuse, a yes without findings of every gating family that say yes, a
// listing or part of another kind than the one needed. A service that answers so
// is broken, and nobody may read "fits" in what it says; the caller gets
// UNAVAILABLE with DEPENDENCY_DOWN.
func Sense() grpc.DialOption { return grpc.WithChainUnaryInterceptor(sense) }

func sense(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if err := invoke(ctx, method, request, reply, conn, options...); err != nil {
		return err
	}
	if err := judge(request, reply); err != nil {
		return apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN,
			"the fitment service answered with something that cannot be true (%v); nothing may be concluded from it", err)
	}
	return nil
}

// judge looks at the answers that carry decisions, or say what may be bought.
func judge(request, reply any) error {
	asked, _ := request.(interface{ GetNeed() *fitmentv1.Need })
	if asked == nil {
		return nil
	}
	need := asked.GetNeed()
	switch reply := reply.(type) {
	case *fitmentv1.DecideResponse:
		return judgeDecide(request, reply.GetDecision())
	case *fitmentv1.FindDonorsResponse:
		for _, donor := range reply.GetDonors() {
			if err := quote.SenseDonor(need, donor); err != nil {
				return err
			}
		}
	case *fitmentv1.FindPartsResponse:
		for _, match := range reply.GetParts() {
			if err := quote.SensePart(need, match); err != nil {
				return err
			}
		}
	}
	return nil
}

// judgeDecide judges by the listing where the request carries it; of a stored
// listing only its name is known here.
func judgeDecide(request any, decision *fitmentv1.Decision) error {
	asked, ok := request.(*fitmentv1.DecideRequest)
	if !ok || asked.GetListingName() != "" {
		return quote.SenseDecision(decision)
	}
	return quote.SenseDecided(asked.GetNeed(), asked.GetListing(), decision)
}
