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
)

// broken is a fitment service that answers whatever it is told to.
type broken struct {
	fitmentv1.UnimplementedFitmentServiceServer

	decision *fitmentv1.Decision
}

func (b broken) Decide(context.Context, *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	return &fitmentv1.DecideResponse{Decision: b.decision}, nil
}

func (b broken) FindDonors(context.Context, *fitmentv1.FindDonorsRequest) (*fitmentv1.FindDonorsResponse, error) {
	return &fitmentv1.FindDonorsResponse{Donors: []*fitmentv1.Donor{{Decision: b.decision}}}, nil
}

func dial(t *testing.T, decision *fitmentv1.Decision) fitmentv1.FitmentServiceClient {
	t.Helper()
	listener := bufconn.Listen(1 << 16)
	server := grpc.NewServer()
	fitmentv1.RegisterFitmentServiceServer(server, broken{decision: decision})
	go func() { _ = server.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///guard", grpc.WithTransportCredentials(insecure.NewCredentials()), guard.Sense(),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		server.Stop()
	})
	return fitmentv1.NewFitmentServiceClient(conn)
}

func finding(severity fitmentv1.Finding_Severity, answer fitmentv1.Finding_Answer) *fitmentv1.Finding {
	return &fitmentv1.Finding{Rule: "some.rule", Severity: severity, Answer: answer}
}

func TestNonsenseNeverPasses(t *testing.T) {
	t.Parallel()
	fits := &fitmentv1.Decision{
		Fit: fitmentv1.Finding_YES, Reuse: fitmentv1.Finding_YES, Verdict: fitmentv1.Decision_FITS,
		Findings: []*fitmentv1.Finding{
			finding(fitmentv1.Finding_FIT, fitmentv1.Finding_YES), finding(fitmentv1.Finding_REUSE, fitmentv1.Finding_YES),
		},
	}
	changed := func(change func(d *fitmentv1.Decision)) *fitmentv1.Decision {
		d := proto.CloneOf(fits)
		change(d)
		return d
	}
	cases := map[string]struct {
		decision *fitmentv1.Decision
		passes   bool
	}{
		"a true decision":         {fits, true},
		"nothing":                 {&fitmentv1.Decision{}, false},
		"a bare verdict":          {&fitmentv1.Decision{Verdict: fitmentv1.Decision_FITS}, false},
		"yes without findings":    {changed(func(d *fitmentv1.Decision) { d.Findings = nil }), false},
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
			client := dial(t, c.decision)
			decided, decideErr := client.Decide(t.Context(), &fitmentv1.DecideRequest{})
			found, findErr := client.FindDonors(t.Context(), &fitmentv1.FindDonorsRequest{})
			for _, err := range []error{decideErr, findErr} {
				refused := status.Code(err) == codes.Unavailable && apierr.ReasonOf(err) == fitmentv1.ErrorInfo_DEPENDENCY_DOWN
				if c.passes != (err == nil) || (err != nil && !refused) {
					t.Errorf("%v", err)
				}
			}
			if !c.passes && (decided != nil || found != nil) {
				t.Error("nonsense was handed on beside its error")
			}
		})
	}
}
