// Package guard stands between the gateway and the services: what a service
// answers is not passed on where it cannot be true.
package guard

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/quote/quote"
)

// Sense returns the dial options of a connection that refuses answers which
// contradict themselves or the question: a verdict that does not follow from fit
// and reuse, a yes without findings of every gating family that say yes, a
// listing or part of another kind than the one needed. A service that answers so
// is broken, and nobody may read "fits" in what it says; the caller gets
// UNAVAILABLE with DEPENDENCY_DOWN.
func Sense() []grpc.DialOption {
	return []grpc.DialOption{grpc.WithChainUnaryInterceptor(sense), grpc.WithChainStreamInterceptor(senseStream)}
}

func sense(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if err := invoke(ctx, method, request, reply, conn, options...); err != nil {
		return err
	}
	return untrue(judge(request, reply))
}

// retryAfter is when asking again is worth it.
const retryAfter = 2 * time.Second

// untrue is the answer in place of one that makes no sense.
func untrue(err error) error {
	if err == nil {
		return nil
	}
	return apierr.Down(codes.Unavailable, hop.Fitment, retryAfter,
		"the fitment service answered with something that cannot be true (%v); nothing may be concluded from it", err)
}

// senseStream judges what streams send.
func senseStream(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, options ...grpc.CallOption) (grpc.ClientStream, error) {
	stream, err := open(ctx, desc, conn, method, options...)
	if err != nil {
		return nil, err
	}
	return judged{stream}, nil
}

// judged is a stream whose messages are judged.
type judged struct{ grpc.ClientStream }

// RecvMsg receives one message, or says that it makes no sense. The stream is then
// of no use any more: whoever opened it ends it with its context.
func (j judged) RecvMsg(into any) error {
	if err := j.ClientStream.RecvMsg(into); err != nil {
		return err
	}
	if change, ok := into.(*fitmentv1.WatchDonorsResponse); ok {
		return untrue(judgeChange(change))
	}
	return nil
}

// judgeChange judges what a watch tells: a new donor must be decided as one that is
// told. The need is not known here.
func judgeChange(change *fitmentv1.WatchDonorsResponse) error {
	if change.GetChange() != fitmentv1.WatchDonorsResponse_NEW {
		return nil
	}
	decision := change.GetDonor().GetDecision()
	if v := decision.GetVerdict(); v != fitmentv1.Decision_FITS && v != fitmentv1.Decision_PROVE_FIRST {
		return fmt.Errorf("%.80q is told as a donor although it is decided %s", change.GetDonor().GetListing().GetName(), v)
	}
	return quote.SenseDecision(decision)
}

// judge looks at the answers that carry decisions, or say what may be bought.
func judge(request, reply any) error {
	// Of a kept decision only what is decided now is judged: one that was kept by
	// earlier rules may lack what is asked for today, and must stay readable.
	switch reply := reply.(type) {
	case *fitmentv1.KeepDecisionResponse:
		kept := reply.GetKeptDecision()
		return quote.SenseDecided(kept.GetNeed(), kept.GetListing(), kept.GetDecision())
	case *fitmentv1.RecomputeDecisionResponse:
		return judgeRecomputed(reply)
	case *fitmentv1.GetEvidenceRequestResponse:
		if reply.GetDecision() == nil { // it is for the shop only
			return nil
		}
		return quote.SenseDecision(reply.GetDecision())
	}
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

func judgeRecomputed(reply *fitmentv1.RecomputeDecisionResponse) error {
	err := quote.SenseDecision(reply.GetAgain())
	if reply.GetNow() != nil {
		err = errors.Join(err, quote.SenseDecision(reply.GetNow()))
	}
	if reply.GetSame() != proto.Equal(reply.GetKept(), reply.GetAgain()) {
		err = errors.Join(err, errors.New("a decision is said to be the same although it is not, or the other way round"))
	}
	return err
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
