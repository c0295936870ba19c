package answers_test

import (
	"bytes"
	"encoding/json"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	spb "google.golang.org/genproto/googleapis/rpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/anypb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/answers"
)

func TestJSON(t *testing.T) {
	t.Parallel()
	detail, err := anypb.New(&errdetails.ErrorInfo{Reason: "X", Domain: "d"})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		message proto.Message
		want    string
	}{
		"nothing":          {&fitmentv1.GetListingRequest{}, `{}`},
		"false is said":    {&fitmentv1.DecodeVinResponse{Vin: "V"}, `{"vin":"V","valid":false}`},
		"zero is not":      {&quotev1.PlanOutcome{Probability: .5}, `{"probability":0.5}`},
		"zero with a will": {&fitmentv1.ReadingReport{CorrectedOhms: proto.Float64(0)}, `{"correctedOhms":0}`},
		"int64, enum, list, time": {
			&fitmentv1.Listing{
				Name: "listings/k.1", Price: 9007199254740993, State: fitmentv1.Listing_HELD, Position: &fitmentv1.Position{Row: 1},
				CreateTime: &timestamppb.Timestamp{Seconds: 1772362800, Nanos: 5e8},
				Evidence:   []*fitmentv1.Evidence{{Value: "a"}, {}},
			},
			`{"name":"listings/k.1","position":{"row":1},"evidence":[{"value":"a"},{}],"price":"9007199254740993","state":"HELD","createTime":"2026-03-01T11:00:00.500Z"}`,
		},
		"text as it is":  {&fitmentv1.GetListingRequest{Name: "<a> & \"b\"\n\u00e9\u2028"}, `{"name":"<a> & \"b\"\né\u2028"}`},
		"bytes":          {&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Chunk{Chunk: []byte("ab")}}, `{"chunk":"YWI="}`},
		"unknown number": {&fitmentv1.Listing{State: 77}, `{"state":77}`},
		"error": {
			&spb.Status{Code: 3, Message: "m", Details: []*anypb.Any{detail}},
			`{"code":3,"message":"m","details":[{"@type":"type.googleapis.com/google.rpc.ErrorInfo","reason":"X","domain":"d"}]}`,
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := answers.JSON(c.message)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, string(got)); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func TestNoNumberIsAnError(t *testing.T) {
	t.Parallel()
	for _, x := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		if got, err := answers.JSON(&quotev1.PlanOutcome{Probability: x}); err == nil {
			t.Errorf("%v became %s", x, got)
		}
	}
}

// TestStockDecoderReadsIt: whatever is written is one line of JSON that the
// stock decoder reads as the same message.
func TestStockDecoderReadsIt(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		finite := rapid.Float64().Filter(func(x float64) bool { return !math.IsInf(x, 0) && !math.IsNaN(x) })
		want := &fitmentv1.DecideResponse{Revision: rapid.String().Draw(t, "revision"), Decision: &fitmentv1.Decision{
			Fit:             fitmentv1.Finding_Answer(rapid.IntRange(0, 3).Draw(t, "fit")),
			ExpectedMinutes: finite.Draw(t, "minutes"),
			Cautions:        rapid.SliceOf(rapid.String()).Draw(t, "cautions"),
			MissingEvidence: []*fitmentv1.MissingEvidence{{DecidesAlone: rapid.Bool().Draw(t, "alone"), Minutes: finite.Draw(t, "m")}},
			Findings: []*fitmentv1.Finding{{Evidence: []*fitmentv1.Evidence{{Reading: &fitmentv1.Reading{
				Ohms: rapid.Ptr(finite, true).Draw(t, "ohms"), OverRange: rapid.Bool().Draw(t, "over"),
				Position: &fitmentv1.Position{Row: rapid.Int32().Draw(t, "row")},
			}}}}},
		}}
		raw, err := answers.JSON(want)
		if err != nil {
			t.Fatal(err)
		}
		if !json.Valid(raw) || bytes.ContainsAny(raw, "\n\r") {
			t.Fatalf("no line of JSON: %q", raw)
		}
		got := &fitmentv1.DecideResponse{}
		if err := protojson.Unmarshal(raw, got); err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
		if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", raw, diff)
		}
	})
}
