package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/problem"
	"beltwright.example/services/quote/quote"
)

const (
	// problemField and limitsField begin the names of fields of the problem that is
	// weighed, and of the limits beside it.
	problemField = "problem."
	limitsField  = "limits."
	// largestAnswer bounds an answer in bytes, well below what a server sends.
	largestAnswer = 8 << 20
)

// WeighChoices compares the policies of a problem on inline input and stores
// nothing.
func (*Server) WeighChoices(ctx context.Context, request *quotev1.WeighChoicesRequest) (*quotev1.WeighChoicesResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	if request.GetProblem() == nil {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID,
			apierr.Violation{Field: "problem", Problem: "is missing", Expected: "what is to be planned, as planPurchase takes it"})
	}
	weighed, err := planProblem(request.GetProblem(), problemField)
	if err != nil {
		return nil, err
	}
	tradeOff, err := quote.Choices(weighed, request.GetLimits(), own, aNewPart)
	if err != nil {
		return nil, planRefusal(err, problemField)
	}
	answer := &quotev1.WeighChoicesResponse{TradeOff: tradeOff}
	if size := proto.Size(answer); size > largestAnswer {
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"the answer has %d points and would take %d bytes; use shorter ids, fewer offers, or limits", len(tradeOff.GetPoints()), size)
	}
	return answer, nil
}

// aNewPart is what the fallback of inline input is called.
const aNewPart = "a new part"

// own is the name of an offer on inline input: its id.
func own(id string) string { return id }

// planRefusal is what the caller is told about a problem that cannot be planned; at
// is what the names of its fields begin with.
func planRefusal(err error, at string) error {
	var invalid *problem.InvalidError
	if !errors.As(err, &invalid) {
		return fmt.Errorf("plan on inline input: %w", err)
	}
	violations := make([]apierr.Violation, len(invalid.Violations))
	for i, v := range invalid.Violations {
		violations[i] = apierr.Violation(v)
		if !strings.HasPrefix(v.Field, limitsField) {
			violations[i].Field = at + v.Field
		}
	}
	return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, violations...)
}
