package strict_test

import (
	"math"
	"net/url"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protorange"
	"google.golang.org/protobuf/reflect/protoreflect"

	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

// requests has a message of each shape: nested, repeated, enums, optional
// numbers, times, amounts, a oneof with bytes.
func requests() []proto.Message {
	return []proto.Message{
		&fitmentv1.DecideRequest{}, &fitmentv1.AssessFaultRequest{}, &fitmentv1.CreateListingRequest{}, &fitmentv1.ImportPartsRequest{},
		&quotev1.PlanPurchaseRequest{}, &quotev1.PrepareQuoteRequest{}, &quotev1.RecordOutcomeRequest{},
		&quotev1.SolveBasketRequest{},
	}
}

// FuzzJSON compares with the stock decoder: whatever ours accepts, that one
// must accept, and without NaN or infinities in it. Every refusal must carry a
// reason.
func FuzzJSON(f *testing.F) {
	f.Add([]byte(`{"need":{"vehicle":{"modelYear":2006,"driveSide":"LEFT"},"kind":"PIGTAIL"},"listingName":"listings/a.b"}`))
	f.Add([]byte(`{"readings":[{"ohms":17e6,"leadOhms":0.2,"shortingClip":"OUT"}],"codes":["B0058"]}`))
	f.Add([]byte(`{"listing":{"price":"18000","createTime":"2026-03-01T12:00:00.25Z","evidence":[{"reading":{"ohms":null}}]}}`))
	f.Add([]byte(`{"currency_code":"\ud83d\ude00","offers":[{"id":"A","passProbability":-0.0e-5,"days":"3"}]}`))
	f.Add([]byte(`{"chunk":"YQ==","options":null}`))
	f.Add([]byte(`{"currencyCode":"USD","parts":["p1"],"sellers":[{"id":"s1","freight":"1250","offers":[{"part":"p1","price":4500}]}],"nodeLimit":1e8}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		for _, into := range requests() {
			if err := strict.Check(raw, into); err != nil {
				if status.Code(err) != codes.InvalidArgument || apierr.ReasonOf(err) == fitmentv1.ErrorInfo_REASON_UNSPECIFIED {
					t.Fatalf("%q: an error without code or reason: %v", raw, err)
				}
				continue
			}
			if err := protojson.Unmarshal(raw, into.ProtoReflect().New().Interface()); err != nil {
				t.Fatalf("%T accepts %q, the stock decoder says: %v", into, raw, err)
			}
			if err := strict.JSON(raw, into); err != nil {
				t.Fatalf("%T: %q passes the check and is refused: %v", into, raw, err)
			}
			finite(t, into)
		}
	})
}

func finite(t *testing.T, m proto.Message) {
	t.Helper()
	err := protorange.Range(m.ProtoReflect(), func(p protopath.Values) error {
		if x, ok := p.Index(-1).Value.Interface().(float64); ok && (math.IsNaN(x) || math.IsInf(x, 0)) {
			t.Errorf("%v is %v", p.Path, x)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// FuzzQuery demands that whatever a query sets comes back from the message as
// it was written.
func FuzzQuery(f *testing.F) {
	f.Add("pageSize=20&pageToken=abc&yard=kettlewick")
	f.Add("page_size=-0&yard=%ff;")
	f.Fuzz(func(t *testing.T, raw string) {
		values, err := strict.ParseQuery(raw)
		if err != nil {
			return
		}
		into := &fitmentv1.ListListingsRequest{}
		if strict.Query(values, into) != nil {
			return
		}
		set := url.Values{}
		for key, value := range values {
			fields := into.ProtoReflect().Descriptor().Fields()
			field := fields.ByJSONName(key)
			if field == nil {
				field = fields.ByName(protoreflect.Name(key))
			}
			if got := into.ProtoReflect().Get(field).String(); got != value[0] {
				t.Errorf("%q: %s became %q", raw, key, got)
			}
			set[key] = value
		}
		if len(set) != len(values) {
			t.Errorf("%q: parameters were dropped: %v", raw, into)
		}
	})
}
