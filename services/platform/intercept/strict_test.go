package intercept_test

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/structpb"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/intercept"
)

// extra returns the bytes of a field with a number.
func extra(number protowire.Number) []byte {
	return protowire.AppendVarint(protowire.AppendTag(nil, number, protowire.VarintType), 1)
}

// with adds unknown fields to a message.
func with[M proto.Message](m M, numbers ...protowire.Number) M {
	for _, number := range numbers {
		m.ProtoReflect().SetUnknown(append(m.ProtoReflect().GetUnknown(), extra(number)...))
	}
	return m
}

// violated returns the fields that an error names.
func violated(t *testing.T, err error) []string {
	t.Helper()
	var fields []string
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				fields = append(fields, v.GetField())
			}
		}
	}
	return fields
}

func assess(readings ...*fitmentv1.Reading) *fitmentv1.AssessFaultRequest {
	return &fitmentv1.AssessFaultRequest{
		Vehicle: &fitmentv1.Vehicle{}, Codes: []string{"B0058"}, Readings: readings,
	}
}

func TestJudgeNamesWhatIsWrong(t *testing.T) {
	t.Parallel()
	ohms := func(x float64) *fitmentv1.Reading { return &fitmentv1.Reading{Ohms: new(x)} }
	const unknown, invalid = fitmentv1.ErrorInfo_FIELD_UNKNOWN, fitmentv1.ErrorInfo_FIELD_INVALID
	number := func(x float64) *structpb.Struct {
		return &structpb.Struct{Fields: map[string]*structpb.Value{"a": structpb.NewNumberValue(x)}}
	}
	for name, c := range map[string]struct {
		message proto.Message
		reason  apierr.Reason
		fields  []string
	}{
		"good":              {assess(ohms(2.1)), 0, nil},
		"largest number":    {assess(ohms(math.MaxFloat64)), 0, nil},
		"unknown at top":    {with(assess(), 99), unknown, []string{"99"}},
		"two unknown":       {with(assess(), 99, 1000), unknown, []string{"99", "1000"}},
		"repeated unknown":  {with(assess(), 99, 99, 99), unknown, []string{"99"}},
		"unknown below":     {&fitmentv1.DecideRequest{Need: &fitmentv1.Need{Vehicle: with(&fitmentv1.Vehicle{}, 77)}}, unknown, []string{"need.vehicle.77"}},
		"unknown in a list": {assess(ohms(1), with(ohms(2), 536870911)), unknown, []string{"readings[1].536870911"}},
		"NaN":               {assess(ohms(1), ohms(math.NaN())), invalid, []string{"readings[1].ohms"}},
		"infinities":        {assess(ohms(math.Inf(1)), ohms(math.Inf(-1))), invalid, []string{"readings[0].ohms", "readings[1].ohms"}},
		"NaN in a map":      {number(math.NaN()), invalid, []string{`fields["a"].number_value`}},
		"good map":          {number(1), 0, nil},
		"no such enum":      {assess(&fitmentv1.Reading{Method: 98}), invalid, []string{"readings[0].method"}},
		"unknown goes first": {
			with(assess(ohms(math.NaN())), 99), unknown, []string{"99"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			err := intercept.Judge(c.message)
			if apierr.ReasonOf(err) != c.reason {
				t.Fatalf("%v, want %v", err, c.reason)
			}
			if diff := cmp.Diff(c.fields, violated(t, err)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestJudgeNamesABoundedNumber(t *testing.T) {
	t.Parallel()
	bad := &fitmentv1.Reading{Ohms: new(math.NaN())}
	err := intercept.Judge(assess(slices.Repeat([]*fitmentv1.Reading{bad}, 100_000)...))
	if n := len(violated(t, err)); n != 16 {
		t.Errorf("%d violations of 100,000 are named; expected 16", n)
	}
}

// Whatever decodes is judged without a crash, and passes exactly where encoding
// only what the contract knows gives all of it back.
func FuzzJudge(f *testing.F) {
	for _, seed := range []proto.Message{
		assess(), with(assess(), 99), assess(&fitmentv1.Reading{Ohms: new(math.NaN())}),
		assess(with(&fitmentv1.Reading{}, 31)),
	} {
		raw, err := proto.Marshal(seed)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		var kept, dropped fitmentv1.AssessFaultRequest
		if proto.Unmarshal(raw, &kept) != nil {
			return
		}
		if err := (proto.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(raw, &dropped); err != nil {
			t.Fatal(err)
		}
		complete := proto.Size(&kept) == proto.Size(&dropped)
		err := intercept.Judge(&kept)
		if known := apierr.ReasonOf(err) != fitmentv1.ErrorInfo_FIELD_UNKNOWN; known != complete {
			t.Fatalf("known fields only: %v, but the judgement is %v", complete, err)
		}
		if err != nil && status.Code(err) != codes.InvalidArgument {
			t.Fatalf("%v", err)
		}
	})
}

func TestJudgeFindsOneBadNumberAnywhere(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64(), 1, 20).Draw(t, "values") // finite
		readings := make([]*fitmentv1.Reading, len(values))
		for i, x := range values {
			readings[i] = &fitmentv1.Reading{Ohms: new(x), Meter: &fitmentv1.Meter{PercentOfReading: x}}
		}
		request := assess(readings...)
		if err := intercept.Judge(request); err != nil {
			t.Fatalf("finite numbers: %v", err)
		}
		bad := rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1)}).Draw(t, "bad")
		readings[rapid.IntRange(0, len(values)-1).Draw(t, "where")].Meter.PercentOfReading = bad
		if err := intercept.Judge(request); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_FIELD_INVALID {
			t.Fatalf("%v was not found: %v", bad, err)
		}
	})
}
