package strict_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

// complaint is an error in short: reason, then "field: description" lines, or
// the text where no field is named.
func complaint(t *testing.T, err error) []string {
	t.Helper()
	if err == nil {
		return nil
	}
	if status.Code(err) != codes.InvalidArgument {
		t.Errorf("code %v of %v, want InvalidArgument", status.Code(err), err)
	}
	lines := []string{apierr.ReasonOf(err).String()}
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				lines = append(lines, v.GetField()+": "+v.GetDescription())
			}
		}
	}
	if len(lines) == 1 {
		lines = append(lines, status.Convert(err).Message())
	}
	return lines
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	const (
		malformed = "MALFORMED_REQUEST"
		unknown   = "FIELD_UNKNOWN"
		invalid   = "FIELD_INVALID"
	)
	decide := func() proto.Message { return &fitmentv1.DecideRequest{} }
	assess := func() proto.Message { return &fitmentv1.AssessFaultRequest{} }
	purchase := func() proto.Message { return &quotev1.PlanPurchaseRequest{} }
	for name, c := range map[string]struct {
		into func() proto.Message
		raw  string
		want []string
	}{
		"empty":        {decide, ``, []string{malformed, "the body is empty; expected a JSON object"}},
		"only spaces":  {decide, " \n", []string{malformed, "the body is empty; expected a JSON object"}},
		"a list":       {decide, `[]`, []string{malformed, "the body is a list; expected a JSON object"}},
		"null":         {decide, `null`, []string{malformed, "the body is null; expected a JSON object"}},
		"cut off":      {decide, `{"need":{`, []string{malformed, "the body is no well-formed JSON at line 1, column 10; expected a JSON object"}},
		"no JSON":      {decide, "{\n  need: 1}", []string{malformed, "the body is no well-formed JSON at line 2, column 3; expected a JSON object"}},
		"single quote": {decide, `{'need':1}`, []string{malformed, "the body is no well-formed JSON at line 1, column 2; expected a JSON object"}},
		"trailing":     {decide, `{} {}`, []string{malformed, "there is more after the JSON object, at line 1, column 5; expected one object only"}},
		"trailing junk": {
			decide, `{}x`, []string{malformed, "there is more after the JSON object, at line 1, column 3; expected one object only"},
		},
		"not UTF-8": {decide, "{\"need\":\"\xff\"}", []string{malformed, "the body is not valid UTF-8; expected a JSON object in UTF-8"}},
		"half a character": {
			decide, `{"listingName":"\ud800"}`,
			[]string{malformed, "the body has half a character (an unpaired surrogate escape) at line 1, column 15; expected whole characters"},
		},
		"too deep": {
			decide, `{"need":` + strings.Repeat("[", 40) + strings.Repeat("]", 40) + `}`,
			[]string{malformed, "the body nests deeper than 32 levels, at line 1, column 40; expected fewer"},
		},
		"NaN unquoted": {assess, `{"readings":[{"ohms":NaN}]}`, []string{malformed, "the body is no well-formed JSON at line 1, column 22; expected a JSON object"}},

		"unknown at the top": {
			decide, `{"neeed":{}}`,
			[]string{unknown, "neeed: is no field of DecideRequest; expected one of listing, listingName, minRevision, need"},
		},
		"unknown inside, skipped whole": {
			decide, `{"need":{"vehicle":{"modelYr":[{"a":[1,{}]}],"make":"X"}}}`,
			[]string{unknown, "need.vehicle.modelYr: is no field of Vehicle; expected one of body, buildDate, doors, driveSide, make, market, model, modelYear, options, optionsComplete, plant, restraintText, series, vehicleClass, vin"},
		},
		"unknown in a list": {
			assess, `{"readings":[{},{"clip":"IN"}]}`,
			[]string{unknown, "readings[1].clip: is no field of Reading; expected one of batteryOffMinutes, displayLimitOhms, kind, leadOhms, meter, method, ohms, overRange, position, shortingClip, stage"},
		},
		"strange name": {
			decide, `{"a b\u0000":1}`,
			[]string{unknown, `"a b\x00": is no field of DecideRequest; expected one of listing, listingName, minRevision, need`},
		},
		"no such field number": {decide, `{"1":{}}`, []string{unknown, "1: is no field of DecideRequest; expected one of listing, listingName, minRevision, need"}},
		"unknown before invalid": {
			decide, `{"minRevision":1,"x":1}`,
			[]string{unknown, "x: is no field of DecideRequest; expected one of listing, listingName, minRevision, need"},
		},

		"twice":             {decide, `{"minRevision":"a","minRevision":"b"}`, []string{invalid, "minRevision: is given twice; expected it once"}},
		"twice, two names":  {decide, `{"minRevision":"a","min_revision":"a"}`, []string{invalid, "minRevision: is given twice; expected it once"}},
		"twice as null too": {decide, `{"minRevision":null,"minRevision":"b"}`, []string{invalid, "minRevision: is given twice; expected it once"}},
		"text for a number": {
			decide, `{"need":{"vehicle":{"modelYear":"two thousand"}}}`,
			[]string{invalid, `need.vehicle.modelYear: is the text "two thousand"; expected an integer that fits in 32 bits`},
		},
		"fraction":          {decide, `{"need":{"stages":1.0}}`, []string{invalid, "need.stages: is the number 1.0; expected an integer that fits in 32 bits"}},
		"exponent":          {decide, `{"need":{"stages":1e2}}`, []string{invalid, "need.stages: is the number 1e2; expected an integer that fits in 32 bits"}},
		"leading zero text": {decide, `{"need":{"stages":"01"}}`, []string{invalid, `need.stages: is the text "01"; expected an integer that fits in 32 bits`}},
		"spaced text":       {decide, `{"need":{"stages":" 1"}}`, []string{invalid, `need.stages: is the text " 1"; expected an integer that fits in 32 bits`}},
		"beyond 32 bits": {
			decide, `{"need":{"stages":2147483648}}`,
			[]string{invalid, "need.stages: is the number 2147483648, which is out of range; expected an integer that fits in 32 bits"},
		},
		"beyond 64 bits": {
			purchase, `{"dayCost":"9223372036854775808"}`,
			[]string{invalid, `dayCost: is the text "9223372036854775808", which is out of range; expected an integer that fits in 64 bits`},
		},
		"NaN":      {assess, `{"readings":[{"ohms":"NaN"}]}`, []string{invalid, `readings[0].ohms: is the text "NaN"; expected a number`}},
		"Infinity": {assess, `{"readings":[{"ohms":"-Infinity"}]}`, []string{invalid, `readings[0].ohms: is the text "-Infinity"; expected a number`}},
		"number as text": {
			assess, `{"readings":[{"ohms":"2.1"}]}`, []string{invalid, `readings[0].ohms: is the text "2.1"; expected a number`},
		},
		"overflowing number": {
			assess, `{"readings":[{"ohms":1e400}]}`, []string{invalid, "readings[0].ohms: is the number 1e400, which is out of range; expected a number"},
		},
		"enum": {
			assess, `{"readings":[{"shortingClip":"out"}]}`,
			[]string{invalid, `readings[0].shortingClip: is the text "out"; expected one of OUT, IN, UNKNOWN`},
		},
		"enum by number": {
			assess, `{"readings":[{"shortingClip":1}]}`, []string{invalid, `readings[0].shortingClip: is the number 1; expected one of OUT, IN, UNKNOWN`},
		},
		"truth":       {assess, `{"readings":[{"overRange":"true"}]}`, []string{invalid, `readings[0].overRange: is the text "true"; expected true or false`}},
		"no list":     {assess, `{"codes":"B0058"}`, []string{invalid, `codes: is the text "B0058"; expected a list`}},
		"null inside": {assess, `{"codes":["B0058",null]}`, []string{invalid, `codes[1]: is null; expected text`}},
		"no object":   {decide, `{"need":[]}`, []string{invalid, `need: is a list; expected an object with fields of Need`}},
		"list of lists": {
			assess, `{"codes":[["B0058"],"B0059"],"vehicle":7}`,
			[]string{invalid, `codes[0]: is a list; expected text`, `vehicle: is the number 7; expected an object with fields of Vehicle`},
		},
		"time": {
			decide, `{"listing":{"createTime":"2026-02-30T00:00:00Z"}}`,
			[]string{invalid, `listing.createTime: is the text "2026-02-30T00:00:00Z"; expected a time such as "2026-03-01T12:00:00Z"`},
		},
		"several at once": {
			assess, `{"vehicle":{"modelYear":true,"driveSide":"MIDDLE"},"readings":[{"ohms":{}}]}`,
			[]string{
				invalid, "vehicle.modelYear: is true; expected an integer that fits in 32 bits",
				`vehicle.driveSide: is the text "MIDDLE"; expected one of LEFT, RIGHT`,
				"readings[0].ohms: is an object; expected a number",
			},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			into := c.into()
			if diff := cmp.Diff(c.want, complaint(t, strict.JSON([]byte(c.raw), into))); diff != "" {
				t.Errorf("%s (-want +got):\n%s", c.raw, diff)
			}
			if !proto.Equal(into, c.into()) {
				t.Errorf("a refused body left %v behind", into)
			}
		})
	}
}

func TestAcceptsWhatTheContractAllows(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		raw  string
		want proto.Message
	}{
		"nothing":      {`{}`, &quotev1.PlanPurchaseRequest{}},
		"int64 text":   {`{"dayCost":"9007199254740993"}`, &quotev1.PlanPurchaseRequest{DayCost: 9007199254740993}},
		"int64 number": {`{"dayCost":9007199254740993}`, &quotev1.PlanPurchaseRequest{DayCost: 9007199254740993}},
		"negative":     {`{"dayCost":-5}`, &quotev1.PlanPurchaseRequest{DayCost: -5}},
		"int32 text":   {`{"offers":[{"days":"3"}]}`, &quotev1.PlanPurchaseRequest{Offers: []*quotev1.PlanOffer{{Days: 3}}}},
		"proto names":  {`{"currency_code":"USD"}`, &quotev1.PlanPurchaseRequest{CurrencyCode: "USD"}},
		"null":         {`{"fallback":null,"offers":null}`, &quotev1.PlanPurchaseRequest{}},
		"exponent":     {`{"offers":[{"passProbability":8.5e-1}]}`, &quotev1.PlanPurchaseRequest{Offers: []*quotev1.PlanOffer{{PassProbability: .85}}}},
		"pair of surrogates": {
			`{"currencyCode":"\ud83d\ude00\\ud800"}`, &quotev1.PlanPurchaseRequest{CurrencyCode: "😀\\ud800"},
		},
		"enum not stated": {`{"need":{"kind":"KIND_UNSPECIFIED"}}`, &fitmentv1.DecideRequest{Need: &fitmentv1.Need{}}},
		"time": {
			`{"listing":{"createTime":"2026-03-01T12:00:00.5+01:00"}}`,
			&fitmentv1.DecideRequest{Listing: &fitmentv1.Listing{CreateTime: &timestamppb.Timestamp{Seconds: 1772362800, Nanos: 5e8}}},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := c.want.ProtoReflect().New().Interface()
			if err := strict.JSON([]byte(c.raw), got); err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got, protocmp.Transform()); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
}

func TestOneofTakesOneMember(t *testing.T) {
	t.Parallel()
	got := complaint(t, strict.JSON([]byte(`{"options":{},"chunk":"YQ=="}`), &fitmentv1.ImportPartsRequest{}))
	want := []string{"FIELD_INVALID", "chunk: is given beside options; expected only one of the two"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

func TestErrorsAreBounded(t *testing.T) {
	t.Parallel()
	var raw strings.Builder
	raw.WriteString(`{"a":0`)
	for range 1000 {
		raw.WriteString(`,"` + strings.Repeat("x", 1000) + `":"` + strings.Repeat("y", 1000) + `"`)
	}
	raw.WriteString("}")
	got := complaint(t, strict.JSON([]byte(raw.String()), &fitmentv1.DecideRequest{}))
	if len(got) != 21 || len(strings.Join(got, "\n")) > 8000 {
		t.Errorf("%d lines of %d bytes, want the reason and 20 violations, short", len(got), len(strings.Join(got, "\n")))
	}
}

// TestReadsWhatProtojsonWrites: the canonical JSON form of any message comes
// back as that message.
func TestReadsWhatProtojsonWrites(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		reading := &fitmentv1.Reading{
			Kind:         fitmentv1.Part_Kind(rapid.IntRange(0, 13).Draw(t, "kind")),
			Position:     &fitmentv1.Position{Row: rapid.Int32().Draw(t, "row"), Side: fitmentv1.Position_Side(rapid.IntRange(0, 3).Draw(t, "side"))},
			Ohms:         rapid.Ptr(rapid.Float64(), true).Draw(t, "ohms"),
			LeadOhms:     rapid.Ptr(rapid.Float64Range(-1, 1), true).Draw(t, "lead"),
			OverRange:    rapid.Bool().Draw(t, "over"),
			ShortingClip: fitmentv1.Reading_Clip(rapid.IntRange(0, 3).Draw(t, "clip")),
		}
		want := &fitmentv1.DecideRequest{
			Need: &fitmentv1.Need{Vehicle: &fitmentv1.Vehicle{Make: rapid.String().Draw(t, "make"), ModelYear: rapid.Int32().Draw(t, "year")}},
			Listing: &fitmentv1.Listing{
				Price:      rapid.Int64().Draw(t, "price"),
				Evidence:   []*fitmentv1.Evidence{{Value: rapid.String().Draw(t, "value"), Reading: reading}},
				UpdateTime: &timestamppb.Timestamp{Seconds: rapid.Int64Range(-62135596800, 253402300799).Draw(t, "s"), Nanos: rapid.Int32Range(0, 999999999).Draw(t, "ns")},
			},
		}
		raw, err := protojson.MarshalOptions{
			UseProtoNames: rapid.Bool().Draw(t, "proto names"), EmitUnpopulated: rapid.Bool().Draw(t, "unpopulated"),
		}.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		got := &fitmentv1.DecideRequest{}
		if err := strict.JSON(raw, got); err != nil {
			t.Fatalf("%s: %v", raw, err)
		}
		if !proto.Equal(want, got) {
			t.Errorf("%s read as %v", raw, got)
		}
	})
}
