package server_test

import (
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/server"
)

// 49 CFR 172.101, entry UN3268: 25 kg on a passenger aircraft, 100 kg on a cargo
// aircraft; 49 CFR 173.166(d)(1): none of it by road inside a completed component.
func TestConsignmentsAreJudged(t *testing.T) {
	t.Parallel()
	const (
		yes, no, unknown = fitmentv1.Finding_YES, fitmentv1.Finding_NO, fitmentv1.Finding_UNKNOWN
		road             = quotev1.JudgeConsignmentRequest_ROAD
		passengers       = quotev1.JudgeConsignmentRequest_PASSENGER_AIRCRAFT
		cargo            = quotev1.JudgeConsignmentRequest_CARGO_AIRCRAFT
		sea              = quotev1.JudgeConsignmentRequest_SEA
	)
	judge := func(change func(r *quotev1.JudgeConsignmentRequest)) *quotev1.JudgeConsignmentResponse {
		r := &quotev1.JudgeConsignmentRequest{
			UnNumber: "UN3268", InComponent: no, Mode: road, GrossGrams: 900, TrainedShipper: yes, ToRecycler: no, NeverInstalled: no, Tested: yes,
		}
		change(r)
		got, err := (&server.Server{}).JudgeConsignment(as(t, "shop-a"), r)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	for name, c := range map[string]struct {
		change   func(r *quotev1.JudgeConsignmentRequest)
		allowed  fitmentv1.Finding_Answer
		handling bool
		says     string
	}{
		"a bag by road":            {func(*quotev1.JudgeConsignmentRequest) {}, yes, true, "class 9"},
		"a bag in a seat by road":  {func(r *quotev1.JudgeConsignmentRequest) { r.InComponent = yes }, yes, false, "completed component"},
		"25 kg with passengers":    {func(r *quotev1.JudgeConsignmentRequest) { r.Mode, r.GrossGrams = passengers, 25_000 }, yes, true, "25"},
		"26 kg with passengers":    {func(r *quotev1.JudgeConsignmentRequest) { r.Mode, r.GrossGrams = passengers, 26_000 }, no, true, "25"},
		"100 kg of cargo":          {func(r *quotev1.JudgeConsignmentRequest) { r.Mode, r.GrossGrams = cargo, 100_000 }, yes, true, "100"},
		"101 kg of cargo":          {func(r *quotev1.JudgeConsignmentRequest) { r.Mode, r.GrossGrams = cargo, 101_000 }, no, true, "100"},
		"somebody at home":         {func(r *quotev1.JudgeConsignmentRequest) { r.TrainedShipper = no }, no, true, "trained"},
		"nobody knows who":         {func(r *quotev1.JudgeConsignmentRequest) { r.TrainedShipper = 0 }, unknown, true, "training of a hazmat employee"},
		"an untested copy":         {func(r *quotev1.JudgeConsignmentRequest) { r.Tested = no }, no, true, "UN3268"},
		"an explosive":             {func(r *quotev1.JudgeConsignmentRequest) { r.UnNumber = "UN0503" }, unknown, true, "1.4G"},
		"something":                {func(r *quotev1.JudgeConsignmentRequest) { r.UnNumber = "" }, unknown, true, "not known"},
		"by sea":                   {func(r *quotev1.JudgeConsignmentRequest) { r.Mode = sea }, yes, true, "class 9"},
		"handed over in person":    {func(r *quotev1.JudgeConsignmentRequest) { r.Mode = quotev1.JudgeConsignmentRequest_HAND_OVER }, yes, false, "in person"},
		"weight that is not known": {func(r *quotev1.JudgeConsignmentRequest) { r.Mode, r.GrossGrams = passengers, 0 }, unknown, true, "weight"},
	} {
		got := judge(c.change)
		var said []string
		for _, reason := range got.GetReasons() {
			said = append(said, reason.GetText())
			if reason.GetSource() == "" {
				t.Errorf("%s: no source for %q", name, reason.GetText())
			}
		}
		if got.GetAllowed() != c.allowed || got.GetHandling() != c.handling || !strings.Contains(strings.Join(said, "\n"), c.says) {
			t.Errorf("%s: %v, handling %t, %q", name, got.GetAllowed(), got.GetHandling(), said)
		}
	}
	// 49 CFR 173.166(d)(4): "Recycled" right after the basic description.
	papers := map[string]string{}
	for _, paper := range judge(func(r *quotev1.JudgeConsignmentRequest) { r.ToRecycler = yes }).GetPapers() {
		papers[paper.GetName()] = paper.GetValue()
	}
	if papers["UN number"] != "UN3268" || papers["class or division"] != "9" || papers[`the word "Recycled"`] != "right after the basic description" {
		t.Errorf("papers %v", papers)
	}
}

func TestConsignmentsThatMakeNoSense(t *testing.T) {
	t.Parallel()
	judge := func(ctx context.Context, r *quotev1.JudgeConsignmentRequest) error {
		_, err := (&server.Server{}).JudgeConsignment(ctx, r)
		return err
	}
	wrong := &quotev1.JudgeConsignmentRequest{
		UnNumber: "un 3268", Mode: 9, GrossGrams: 100_000_001, InComponent: 4, TrainedShipper: -1, ToRecycler: 9, NeverInstalled: 5, Tested: 6,
	}
	err := judge(as(t, "shop-a"), wrong)
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	want := []string{"un_number", "mode", "gross_grams", "in_component", "trained_shipper", "to_recycler", "never_installed", "tested"}
	if diff := cmp.Diff(want, fieldsIn(err)); diff != "" {
		t.Error(diff)
	}
	err = judge(as(t, "shop-a"), &quotev1.JudgeConsignmentRequest{GrossGrams: -1})
	if diff := cmp.Diff([]string{"mode", "gross_grams"}, fieldsIn(err)); diff != "" {
		t.Error(diff)
	}
	refused(t, judge(t.Context(), wrong), codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
}
