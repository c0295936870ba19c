package requests_test

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
)

const id = "2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11"

func TestIDTakesOnlyTheUsualForm(t *testing.T) {
	t.Parallel()
	for value, good := range map[string]bool{
		id: true, "": false, "{" + id + "}": false, "urn:uuid:" + id: false, "2f7e3c1a5b0d4c1e9f640a8d3f6f2b11": false, "x": false,
	} {
		var fields check.Fields
		requests.ID(&fields, value)
		if fields.OK() != good {
			t.Errorf("%q: %v", value, fields.Violations())
		}
	}
}

func TestDeriveIsStableAndDistinct(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	derived := requests.Derive(id, "hold")
	if requests.ID(&fields, derived); !fields.OK() {
		t.Errorf("%q is no UUID", derived)
	}
	if derived != requests.Derive(id, "hold") || derived == requests.Derive(id, "sell") || derived == id {
		t.Error("a step's id must repeat with its request and differ between steps")
	}
}

func TestFingerprintTellsRequestsApart(t *testing.T) {
	t.Parallel()
	sum := func(name string, fence int64) [32]byte {
		digest, err := requests.Fingerprint(&fitmentv1.ReleaseListingRequest{Name: name, Fence: fence})
		if err != nil {
			t.Fatal(err)
		}
		return digest
	}
	first, repeated := sum("a", 1), sum("a", 1)
	if first != repeated || first == sum("a", 2) || first == sum("b", 1) {
		t.Error("fingerprints do not follow the request")
	}
	other, err := requests.Fingerprint(&fitmentv1.SellListingRequest{Name: "a", Fence: 1})
	if err != nil {
		t.Fatal(err)
	}
	if other == sum("a", 1) {
		t.Error("two methods share a fingerprint")
	}
}
