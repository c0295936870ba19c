package cli_test

import (
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// reviser keeps one quote and the revision that was asked for.
type reviser struct {
	quotev1.UnimplementedQuoteServiceServer

	stored *quotev1.Quote
	asked  *quotev1.ReviseQuoteRequest
}

func (r *reviser) GetQuote(context.Context, *quotev1.GetQuoteRequest) (*quotev1.GetQuoteResponse, error) {
	return &quotev1.GetQuoteResponse{Quote: r.stored}, nil
}

func (r *reviser) ReviseQuote(_ context.Context, request *quotev1.ReviseQuoteRequest) (*quotev1.ReviseQuoteResponse, error) {
	r.asked = request
	return &quotev1.ReviseQuoteResponse{Quote: r.stored}, nil
}

func revisable(state quotev1.Quote_State) *quotev1.Quote {
	q := linedQuote()
	q.State, q.DayCost, q.LateCost, q.Customer, q.Parallel, q.TaxPlace = state, 3000, 6000, "R. Ash", true, "US-WA"
	q.Supplies = []*quotev1.SupplyLine{{Label: "thread lock", Amount: 300}}
	q.Limits = &quotev1.Limits{MaxCost: 30000, MinLowerBound: .9}
	for _, line := range q.GetLines() {
		line.Need = proto.CloneOf(theNeed())
		line.Need.Jurisdiction = "US-WA"
		line.Labour = &quotev1.Labour{FitMinutes: 30, HourlyRate: 10000}
	}
	return q
}

// TestRevisingChangesWhatIsSaid: what no flag speaks of stays as it was asked for.
func TestRevisingChangesWhatIsSaid(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		args   []string
		change func(r *quotev1.PrepareQuoteRequest)
	}{
		"nothing":  {nil, func(*quotev1.PrepareQuoteRequest) {}},
		"day cost": {[]string{"--day-cost", "50"}, func(r *quotev1.PrepareQuoteRequest) { r.DayCost = 5000 }},
		"taken away": {[]string{"--day-cost", "0", "--customer", "", "--parallel=false", "--max-cost", "0", "--min-lower-bound", "0"}, func(r *quotev1.PrepareQuoteRequest) {
			r.DayCost, r.Customer, r.Parallel, r.Limits = 0, "", false, nil
		}},
		"rate and minutes": {[]string{"--hourly-rate", "120", "--fit-minutes", "45"}, func(r *quotev1.PrepareQuoteRequest) {
			r.Labour.FitMinutes, r.Labour.HourlyRate, r.FurtherNeeds[0].Labour.HourlyRate = 45, 12000, 12000
		}},
		"supplies and parts": {[]string{"--supply", "tape=1.00", "--also", "kind=clock-spring"}, func(r *quotev1.PrepareQuoteRequest) {
			r.Supplies = []*quotev1.SupplyLine{{Label: "tape", Amount: 100}}
			further := r.GetFurtherNeeds()[0]
			further.Need.Kind, further.Need.Position, further.Labour.FitMinutes = fitmentv1.Part_CLOCK_SPRING, &fitmentv1.Position{}, 0
			further.Need.PartMaker, further.Need.PartNumber = "", ""
		}},
		"vehicle and place": {[]string{"--plant", "P", "--jurisdiction", "US-CO"}, func(r *quotev1.PrepareQuoteRequest) {
			r.TaxPlace = "US-CO"
			for _, n := range quote.Needs(r) {
				n.Need.Vehicle.Plant, n.Need.Jurisdiction = "P", "US-CO"
			}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r := &reviser{stored: revisable(quotev1.Quote_OPEN)}
			want := quote.RequestOf(r.stored)
			c.change(want)
			s := start(t, nil, nil, func(g *grpc.Server) { quotev1.RegisterQuoteServiceServer(g, r) })
			code, out, errs := run(t, "", s.to(append([]string{"quote", "revise", r.stored.GetName(), "--request-id", id}, c.args...)...)...)
			if code != cli.ExitOK || !strings.Contains(out, "version 2") {
				t.Fatalf("exit %d: %s%s", code, out, errs)
			}
			if diff := cmp.Diff(want, r.asked.GetPrepare(), protocmp.Transform()); diff != "" {
				t.Errorf("asked (-want +got):\n%s", diff)
			}
			if r.asked.GetRequestId() != id || r.asked.GetName() != r.stored.GetName() {
				t.Errorf("asked %v", r.asked)
			}
		})
	}
}

func TestRevisionsThatAreRefused(t *testing.T) {
	t.Parallel()
	for want, c := range map[string]struct {
		state quotev1.Quote_State
		args  []string
	}{
		"is accepted: it stays":   {quotev1.Quote_ACCEPTED, []string{"--kind", "anvil"}},
		"is superseded: it stays": {quotev1.Quote_SUPERSEDED, nil},
		"--day-cost: is in USD":   {quotev1.Quote_OPEN, []string{"--currency", "EUR"}},
		"is not known":            {quotev1.Quote_OPEN, []string{"--kind", "anvil"}},
	} {
		r := &reviser{stored: revisable(c.state)}
		s := start(t, nil, nil, func(g *grpc.Server) { quotev1.RegisterQuoteServiceServer(g, r) })
		code, _, errs := run(t, "", s.to(append([]string{"quote", "revise", r.stored.GetName()}, c.args...)...)...)
		if code == cli.ExitOK || !strings.Contains(errs, want) || r.asked != nil {
			t.Errorf("exit %d, %q does not say %q; asked %v", code, errs, want, r.asked)
		}
	}
}

// TestARevisionIsRepeated: under its request id, the server answers it again.
func TestARevisionIsRepeated(t *testing.T) {
	t.Parallel()
	r := &reviser{stored: revisable(quotev1.Quote_SUPERSEDED)}
	s := start(t, nil, nil, func(g *grpc.Server) { quotev1.RegisterQuoteServiceServer(g, r) })
	code, _, errs := run(t, "", s.to("quote", "revise", r.stored.GetName(), "--request-id", id)...)
	if diff := cmp.Diff(quote.RequestOf(r.stored), r.asked.GetPrepare(), protocmp.Transform()); code != cli.ExitOK || diff != "" {
		t.Errorf("exit %d: %s; asked (-want +got):\n%s", code, errs, diff)
	}
}
