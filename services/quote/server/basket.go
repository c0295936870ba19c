package server

import (
	"context"
	"errors"
	"strconv"
	"time"

	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/basket"
	"beltwright.example/services/quote/problem"
	"beltwright.example/services/quote/quote"
)

const (
	// basketTime is how long a basket is searched where the request does not say,
	// and mostBasketTime how long it may ask for.
	basketTime     = 4 * time.Second
	mostBasketTime = 20 * time.Second
	// mostBasketNodes bounds node_limit. It is also what counts where none is
	// stated: then time alone ends the search.
	mostBasketNodes = 100_000_000
)

// SolveBasket chooses a seller for each part. It stores nothing.
func (*Server) SolveBasket(ctx context.Context, request *quotev1.SolveBasketRequest) (*quotev1.SolveBasketResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	var fields check.Fields
	fields.Int("time_limit_ms", int64(request.GetTimeLimitMs()), 0, mostBasketTime.Milliseconds())
	fields.Int("node_limit", int64(request.GetNodeLimit()), 0, mostBasketNodes)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	p := basketProblem(request)
	limited, cancel := searchTime(ctx, time.Duration(request.GetTimeLimitMs())*time.Millisecond)
	defer cancel()
	nodes := int(request.GetNodeLimit())
	if nodes == 0 {
		nodes = mostBasketNodes
	}
	solution, err := basket.Solve(p, basket.Budget{Nodes: nodes, Stop: func() bool { return limited.Err() != nil }})
	if err != nil {
		return nil, basketRefusal(err)
	}
	if err := ctx.Err(); err != nil { // nobody waits for the answer
		return nil, status.FromContextError(err).Err()
	}
	answer := &quotev1.SolveBasketResponse{
		Total: solution.Total, Proven: solution.Proven, Nodes: int32(solution.Nodes), Bound: solution.Bound,
		Method: string(solution.Method), Workings: quote.WorkingProtos(p.Workings(solution)),
	}
	for _, choice := range solution.Assignment {
		answer.Assignment = append(answer.Assignment, &quotev1.BasketChoice{Part: choice.Part, Seller: choice.Seller})
	}
	return answer, nil
}

func basketProblem(request *quotev1.SolveBasketRequest) basket.Problem {
	p := basket.Problem{Currency: request.GetCurrencyCode(), Parts: request.GetParts()}
	for _, seller := range request.GetSellers() {
		s := basket.Seller{ID: seller.GetId(), Freight: seller.GetFreight()}
		for _, offer := range seller.GetOffers() {
			s.Offers = append(s.Offers, basket.Offer{Part: offer.GetPart(), Price: offer.GetPrice()})
		}
		p.Sellers = append(p.Sellers, s)
	}
	return p
}

// searchTime ends a search after the limit, or basketTime where none is stated, and
// in any case while a tenth of the caller's own time is left for the answer.
func searchTime(ctx context.Context, limit time.Duration) (context.Context, context.CancelFunc) {
	if limit == 0 {
		limit = basketTime
	}
	if deadline, ok := ctx.Deadline(); ok {
		left := time.Until(deadline)
		limit = min(limit, left-left/10)
	}
	return context.WithTimeout(ctx, limit)
}

// basketRefusal is what the caller is told about a basket that cannot be searched.
func basketRefusal(err error) error {
	var invalid *problem.InvalidError
	var missing *basket.UnofferedError
	var violations []apierr.Violation
	switch {
	case errors.As(err, &invalid):
		for _, v := range invalid.Violations {
			violations = append(violations, apierr.Violation(v))
		}
	case errors.As(err, &missing):
		var fields check.Fields
		for n, part := range missing.Parts {
			fields.Add(missing.Fields[n], strconv.Quote(part)+" is offered by no seller", "an offer of it, or a basket without it")
		}
		violations = fields.Violations()
	default:
		return err
	}
	return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, violations...)
}
