package guard_test

import (
	"context"
	"net"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"beltwright.example/gateway/guard"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
)

const buckle = fitmentv1.Part_BUCKLE_PRETENSIONER

// broken is a fitment service that answers whatever it is told to.
type broken struct {
	fitmentv1.UnimplementedFitmentServiceServer
	fitmentv1.UnimplementedEvidenceServiceServer

	donor *fitmentv1.Donor
	match *fitmentv1.PartMatch

	recomputed *fitmentv1.RecomputeDecisionResponse
	change     *fitmentv1.WatchDonorsResponse
}

func (b broken) Decide(context.Context, *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	return &fitmentv1.DecideResponse{Decision: b.donor.GetDecision()}, nil
}

func (b broken) FindDonors(context.Context, *fitmentv1.FindDonorsRequest) (*fitmentv1.FindDonorsResponse, error) {
	return &fitmentv1.FindDonorsResponse{Donors: []*fitmentv1.Donor{b.donor}}, nil
}

func (b broken) FindParts(context.Context, *fitmentv1.FindPartsRequest) (*fitmentv1.FindPartsResponse, error) {
	return &fitmentv1.FindPartsResponse{Parts: []*fitmentv1.PartMatch{b.match}}, nil
}

func (b broken) KeepDecision(context.Context, *fitmentv1.KeepDecisionRequest) (*fitmentv1.KeepDecisionResponse, error) {
	return &fitmentv1.KeepDecisionResponse{KeptDecision: &fitmentv1.KeptDecision{Need: need(), Listing: b.donor.GetListing(), Decision: b.donor.GetDecision()}}, nil
}

func (b broken) GetKeptDecision(context.Context, *fitmentv1.GetKeptDecisionRequest) (*fitmentv1.GetKeptDecisionResponse, error) {
	return &fitmentv1.GetKeptDecisionResponse{KeptDecision: &fitmentv1.KeptDecision{Decision: b.donor.GetDecision()}}, nil
}

func (b broken) RecomputeDecision(context.Context, *fitmentv1.RecomputeDecisionRequest) (*fitmentv1.RecomputeDecisionResponse, error) {
	return b.recomputed, nil
}

func (b broken) WatchDonors(_ *fitmentv1.WatchDonorsRequest, stream grpc.ServerStreamingServer[fitmentv1.WatchDonorsResponse]) error {
	return stream.Send(b.change)
}

func (b broken) GetEvidenceRequest(context.Context, *fitmentv1.GetEvidenceRequestRequest) (*fitmentv1.GetEvidenceRequestResponse, error) {
	return &fitmentv1.GetEvidenceRequestResponse{Decision: b.donor.GetDecision()}, nil
}

func dial(t *testing.T, answers broken) fitmentv1.FitmentServiceClient {
	t.Helper()
	return fitmentv1.NewFitmentServiceClient(connect(t, answers))
}

func connect(t *testing.T, answers broken) *grpc.ClientConn {
	t.Helper()
	listener := bufconn.Listen(1 << 16)
	server := grpc.NewServer()
	fitmentv1.RegisterFitmentServiceServer(server, answers)
	fitmentv1.RegisterEvidenceServiceServer(server, answers)
	go func() { _ = server.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///guard", append(guard.Sense(), grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		server.Stop()
	})
	return conn
}

// fits is a decision that says yes for every reason.
func fits() *fitmentv1.Decision {
	d := &fitmentv1.Decision{Fit: fitmentv1.Finding_YES, Reuse: fitmentv1.Finding_YES, Verdict: fitmentv1.Decision_FITS}
	for _, severity := range []fitmentv1.Finding_Severity{fitmentv1.Finding_FIT, fitmentv1.Finding_REUSE} {
		for _, family := range quote.GatingFamilies(severity) {
			d.Findings = append(d.Findings, &fitmentv1.Finding{
				Rule: family + ".rule", Family: family, Severity: severity, Answer: fitmentv1.Finding_YES,
			})
		}
	}
	return d
}

func listing() *fitmentv1.Listing {
	return &fitmentv1.Listing{Name: "listings/yard-a.1", Yard: "yard-a", StockNumber: "1", Kind: buckle, PartNumber: "NB 40-118"}
}

func need() *fitmentv1.Need { return &fitmentv1.Need{Kind: buckle} }

// judged demands that an answer passes, or is refused without being handed on.
func judged[T any](t *testing.T, what string, passes bool, answer *T, err error) {
	t.Helper()
	refused := status.Code(err) == codes.Unavailable && apierr.ReasonOf(err) == fitmentv1.ErrorInfo_DEPENDENCY_DOWN
	if passes != (err == nil) || (err != nil && !refused) {
		t.Errorf("%s: %v", what, err)
	}
	if !passes && answer != nil {
		t.Errorf("%s: nonsense was handed on beside its error", what)
	}
}

func TestNonsenseNeverPasses(t *testing.T) {
	t.Parallel()
	changed := func(change func(d *fitmentv1.Decision)) *fitmentv1.Decision {
		d := fits()
		change(d)
		return d
	}
	cases := map[string]struct {
		decision *fitmentv1.Decision
		passes   bool
	}{
		"a true decision":      {fits(), true},
		"nothing":              {&fitmentv1.Decision{}, false},
		"a bare verdict":       {&fitmentv1.Decision{Verdict: fitmentv1.Decision_FITS}, false},
		"yes without findings": {changed(func(d *fitmentv1.Decision) { d.Findings = nil }), false},
		"yes for one reason only": {changed(func(d *fitmentv1.Decision) {
			d.Findings = []*fitmentv1.Finding{d.GetFindings()[0], d.GetFindings()[12]}
		}), false},
		"fits although barred":    {changed(func(d *fitmentv1.Decision) { d.Reuse = fitmentv1.Finding_NO }), false},
		"fits although a rule no": {changed(func(d *fitmentv1.Decision) { d.Findings[1].Answer = fitmentv1.Finding_NO }), false},
		"an answer out of range":  {changed(func(d *fitmentv1.Decision) { d.Fit = 77 }), false},
		"honestly unknown": {changed(func(d *fitmentv1.Decision) {
			d.Fit, d.Verdict = fitmentv1.Finding_UNKNOWN, fitmentv1.Decision_PROVE_FIRST
		}), true},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			client := dial(t, broken{donor: &fitmentv1.Donor{Listing: listing(), Decision: c.decision}})
			stored, err := client.Decide(t.Context(), &fitmentv1.DecideRequest{Need: need(), ListingName: "listings/yard-a.1"})
			judged(t, "Decide, stored", c.passes, stored, err)
			inline, err := client.Decide(t.Context(), &fitmentv1.DecideRequest{Need: need(), Listing: listing()})
			judged(t, "Decide, inline", c.passes, inline, err)
			found, err := client.FindDonors(t.Context(), &fitmentv1.FindDonorsRequest{Need: need()})
			judged(t, "FindDonors", c.passes, found, err)
		})
	}
}

// A true decision is nonsense on a listing that cannot fit.
func TestNothingThatCannotFitPasses(t *testing.T) {
	t.Parallel()
	for name, alter := range map[string]func(*fitmentv1.Listing){
		"another kind": func(l *fitmentv1.Listing) { l.Kind = fitmentv1.Part_CLOCK_SPRING },
		"no kind":      func(l *fitmentv1.Listing) { l.Kind = 0 },
		"no number":    func(l *fitmentv1.Listing) { l.PartNumber = "" },
		"empty":        func(l *fitmentv1.Listing) { proto.Reset(l) },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := listing()
			alter(l)
			client := dial(t, broken{donor: &fitmentv1.Donor{Listing: l, Decision: fits()}})
			inline, err := client.Decide(t.Context(), &fitmentv1.DecideRequest{Need: need(), Listing: l})
			judged(t, "Decide", false, inline, err)
			found, err := client.FindDonors(t.Context(), &fitmentv1.FindDonorsRequest{Need: need()})
			judged(t, "FindDonors", false, found, err)
		})
	}
}

func TestPartsAreJudged(t *testing.T) {
	t.Parallel()
	answer := func(a fitmentv1.Finding_Answer) *fitmentv1.Finding { return &fitmentv1.Finding{Answer: a} }
	yes := fitmentv1.Finding_YES
	part := &fitmentv1.Part{Maker: "Norrland", Number: "NB 40-118", Kind: buckle}
	for name, c := range map[string]struct {
		match  *fitmentv1.PartMatch
		passes bool
	}{
		"true":         {&fitmentv1.PartMatch{Part: part, Application: answer(yes), Recall: answer(fitmentv1.Finding_UNKNOWN)}, true},
		"nothing":      {&fitmentv1.PartMatch{}, false},
		"no recall":    {&fitmentv1.PartMatch{Part: part, Application: answer(yes)}, false},
		"another kind": {&fitmentv1.PartMatch{Part: &fitmentv1.Part{Maker: "N", Number: "1", Kind: fitmentv1.Part_PIGTAIL}, Application: answer(yes), Recall: answer(yes)}, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			found, err := dial(t, broken{match: c.match}).FindParts(t.Context(), &fitmentv1.FindPartsRequest{Need: need()})
			judged(t, "FindParts", c.passes, found, err)
		})
	}
}

// lacking is a yes without its reasons.
func lacking() *fitmentv1.Decision {
	d := fits()
	d.Findings = d.GetFindings()[1:]
	return d
}

func TestKeptDecisionsAreJudgedWhereTheyAreMade(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		listing  *fitmentv1.Listing
		decision *fitmentv1.Decision
		good     bool
	}{
		"sound": {listing(), fits(), true}, "a yes without its reasons": {listing(), lacking(), false},
		"of another kind": {&fitmentv1.Listing{Kind: fitmentv1.Part_PIGTAIL, PartNumber: "1"}, fits(), false},
	} {
		client := dial(t, broken{donor: &fitmentv1.Donor{Listing: c.listing, Decision: c.decision}})
		_, err := client.KeepDecision(t.Context(), &fitmentv1.KeepDecisionRequest{})
		sensed(t, name, err, c.good)
		// What was kept stays readable, by whatever rules it was made.
		if _, err := client.GetKeptDecision(t.Context(), &fitmentv1.GetKeptDecisionRequest{}); err != nil {
			t.Errorf("%s: it cannot be read: %v", name, err)
		}
	}
	for name, c := range map[string]struct {
		answer *fitmentv1.RecomputeDecisionResponse
		good   bool
	}{
		"the same":              {&fitmentv1.RecomputeDecisionResponse{Kept: fits(), Again: fits(), Same: true}, true},
		"another":               {&fitmentv1.RecomputeDecisionResponse{Kept: lacking(), Again: fits(), Now: fits()}, true},
		"called the same":       {&fitmentv1.RecomputeDecisionResponse{Kept: lacking(), Again: fits(), Same: true}, false},
		"called another":        {&fitmentv1.RecomputeDecisionResponse{Kept: fits(), Again: fits()}, false},
		"again without reasons": {&fitmentv1.RecomputeDecisionResponse{Kept: lacking(), Again: lacking(), Same: true}, false},
		"now without reasons":   {&fitmentv1.RecomputeDecisionResponse{Kept: fits(), Again: fits(), Same: true, Now: lacking()}, false},
		"nothing":               {&fitmentv1.RecomputeDecisionResponse{Same: true}, false},
	} {
		_, err := dial(t, broken{recomputed: c.answer}).RecomputeDecision(t.Context(), &fitmentv1.RecomputeDecisionRequest{})
		sensed(t, name, err, c.good)
	}
}

func TestWhatAShopIsToldOfItsQuestionIsJudged(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		decision *fitmentv1.Decision
		good     bool
	}{"to the yard": {nil, true}, "sound": {fits(), true}, "a yes without its reasons": {lacking(), false}} {
		client := fitmentv1.NewEvidenceServiceClient(connect(t, broken{donor: &fitmentv1.Donor{Decision: c.decision}}))
		_, err := client.GetEvidenceRequest(t.Context(), &fitmentv1.GetEvidenceRequestRequest{})
		sensed(t, name, err, c.good)
	}
}

func TestAWatchIsJudged(t *testing.T) {
	t.Parallel()
	barred := &fitmentv1.Decision{Fit: fitmentv1.Finding_YES, Reuse: fitmentv1.Finding_NO, Verdict: fitmentv1.Decision_BARRED}
	for name, c := range map[string]struct {
		change   fitmentv1.WatchDonorsResponse_Change
		decision *fitmentv1.Decision
		good     bool
	}{
		"new": {fitmentv1.WatchDonorsResponse_NEW, fits(), true}, "gone": {fitmentv1.WatchDonorsResponse_GONE, nil, true}, "nothing": {fitmentv1.WatchDonorsResponse_NOTHING, nil, true},
		"a yes without its reasons": {fitmentv1.WatchDonorsResponse_NEW, lacking(), false}, "new and not decided": {fitmentv1.WatchDonorsResponse_NEW, nil, false},
		"new and barred": {fitmentv1.WatchDonorsResponse_NEW, barred, false},
	} {
		client := dial(t, broken{change: &fitmentv1.WatchDonorsResponse{Change: c.change, Donor: &fitmentv1.Donor{Listing: listing(), Decision: c.decision}}})
		stream, err := client.WatchDonors(t.Context(), &fitmentv1.WatchDonorsRequest{})
		if err != nil {
			t.Fatal(err)
		}
		_, err = stream.Recv()
		sensed(t, name, err, c.good)
	}
}

// sensed checks that sense passes and that the rest is refused.
func sensed(t *testing.T, name string, err error, good bool) {
	t.Helper()
	if good && err != nil {
		t.Errorf("%s: %v", name, err)
	}
	if !good && (status.Code(err) != codes.Unavailable || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN) {
		t.Errorf("%s: %v", name, err)
	}
}
