package inquiry_test

import (
	"slices"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/platform/identity"
)

// TestTheVINIsHiddenInOptions: a shop may have written its vehicle's VIN, whose
// characters are invented, where an option's code belongs.
func TestTheVINIsHiddenInOptions(t *testing.T) {
	t.Parallel()
	const vin = "1G4AH59H35G000001"
	r := &fitmentv1.EvidenceRequest{
		Name: inquiry.Name("north-yard", "2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11"), Shop: "shop-a",
		Need: &fitmentv1.Need{Vehicle: &fitmentv1.Vehicle{Vin: vin, Options: []string{"B4", vin}}},
	}
	for tenant, want := range map[string][]string{"north-yard": {"B4", "1G4AH59H35G******"}, "shop-a": {"B4", vin}} {
		view := inquiry.View(r, &fitmentv1.Listing{Yard: "north-yard"}, identity.Principal{Tenant: tenant}, time.Unix(0, 0))
		if got := view.GetNeed().GetVehicle().GetOptions(); !slices.Equal(got, want) {
			t.Errorf("%s sees the options %q, want %q", tenant, got, want)
		}
	}
	if got := r.GetNeed().GetVehicle().GetOptions(); got[1] != vin {
		t.Errorf("what is stored was changed to %q", got)
	}
}
