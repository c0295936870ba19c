package strict_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/strict"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func TestQuery(t *testing.T) {
	t.Parallel()
	list := &fitmentv1.ListListingsRequest{}
	get := &fitmentv1.GetListingRequest{Name: "listings/a.b"}
	for name, c := range map[string]struct {
		raw       string
		before    proto.Message
		want      proto.Message
		complaint []string
	}{
		"none":       {"", list, list, nil},
		"JSON names": {"pageSize=20&pageToken=a%20b", list, &fitmentv1.ListListingsRequest{PageSize: 20, PageToken: "a b"}, nil},
		"proto names": {
			"page_size=-1&yard=kettlewick", list, &fitmentv1.ListListingsRequest{PageSize: -1, Yard: "kettlewick"}, nil,
		},
		"truth": {"dryRun=true&owner=x", &fitmentv1.ImportOptions{}, &fitmentv1.ImportOptions{DryRun: true, Owner: "x"}, nil},
		"unknown": {"pagesize=20", list, nil, []string{
			"FIELD_UNKNOWN", "pagesize: is no query parameter of this method; expected one of pageSize, pageToken, yard",
		}},
		"no message by query": {"need=x", &fitmentv1.FindPartsRequest{}, nil, []string{
			"FIELD_UNKNOWN", "need: is no query parameter of this method; expected no query parameter",
		}},
		"no inner field": {"need.kind=PIGTAIL", &fitmentv1.FindPartsRequest{}, nil, []string{
			"FIELD_UNKNOWN", `"need.kind": is no query parameter of this method; expected no query parameter`,
		}},
		"twice":        {"pageSize=1&pageSize=1", list, nil, []string{"FIELD_INVALID", "pageSize: is given twice; expected it once"}},
		"two names":    {"pageSize=1&page_size=1", list, nil, []string{"FIELD_INVALID", "pageSize: is given twice; expected it once"}},
		"no integer":   {"pageSize=1.0", list, nil, []string{"FIELD_INVALID", `pageSize: is the text "1.0"; expected an integer that fits in 32 bits`}},
		"empty":        {"pageSize=", list, nil, []string{"FIELD_INVALID", `pageSize: is the text ""; expected an integer that fits in 32 bits`}},
		"out of range": {"pageSize=4294967296", list, nil, []string{"FIELD_INVALID", `pageSize: is the text "4294967296"; expected an integer that fits in 32 bits`}},
		"no truth":     {"dryRun=yes", &fitmentv1.ImportOptions{}, nil, []string{"FIELD_INVALID", `dryRun: is the text "yes"; expected true or false`}},
		"in the path": {"name=listings%2Fc.d", get, nil, []string{
			"FIELD_INVALID", "name: is a query parameter, but the path says it; expected it in the path only",
		}},
		"enum": {"vehicleClass=TRAILER", &fitmentv1.DecodeVinRequest{}, &fitmentv1.DecodeVinRequest{VehicleClass: fitmentv1.Vehicle_TRAILER}, nil},
		"no enum": {"vehicleClass=4", &fitmentv1.DecodeVinRequest{}, nil, []string{
			"FIELD_INVALID", `vehicleClass: is the text "4"; expected one of PASSENGER_CAR, LIGHT_TRUCK, HEAVY_VEHICLE, TRAILER, MOTORCYCLE`,
		}},
		"not UTF-8": {"yard=%ff", list, nil, []string{"FIELD_INVALID", `yard: is the text "\xff"; expected text`}},
		"malformed": {"yard=%zz", list, nil, []string{
			"MALFORMED_REQUEST", "the query is malformed; expected name=value pairs joined by &, percent-encoded",
		}},
		"semicolon": {"yard=a;b", list, nil, []string{
			"MALFORMED_REQUEST", "the query is malformed; expected name=value pairs joined by &, percent-encoded",
		}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			into := proto.Clone(c.before)
			values, err := strict.ParseQuery(c.raw)
			if err == nil {
				err = strict.Query(values, into)
			}
			if diff := cmp.Diff(c.complaint, complaint(t, err)); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
			if c.complaint == nil {
				if diff := cmp.Diff(c.want, into, protocmp.Transform()); diff != "" {
					t.Errorf("-want +got:\n%s", diff)
				}
			}
		})
	}
}

func TestNoQuery(t *testing.T) {
	t.Parallel()
	if err := strict.NoQuery(nil); err != nil {
		t.Error(err)
	}
	got := complaint(t, strict.NoQuery(map[string][]string{"vin": {"x"}, "make": {"y"}}))
	want := []string{
		"FIELD_UNKNOWN", "make: is a query parameter, and this method takes none; expected every field in the JSON body",
		"vin: is a query parameter, and this method takes none; expected every field in the JSON body",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}
