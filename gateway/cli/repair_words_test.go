package cli

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

func TestDiagnosisSaysWhetherBuyingIsJustified(t *testing.T) {
	t.Parallel()
	for purchase, want := range map[fitmentv1.AssessFaultResponse_Purchase]string{
		fitmentv1.AssessFaultResponse_JUSTIFIED:            "diagnosed; buying justified: yes; it broke",
		fitmentv1.AssessFaultResponse_NOT_YET:              "diagnosed; buying justified: not yet; it broke",
		fitmentv1.AssessFaultResponse_NOT_JUSTIFIED:        "diagnosed; buying justified: no; it broke",
		fitmentv1.AssessFaultResponse_PURCHASE_UNSPECIFIED: "diagnosed; buying justified: no; it broke",
	} {
		step := &quotev1.RepairStep{Step: &quotev1.RepairStep_Diagnosis{Diagnosis: &quotev1.Diagnosis{
			Assessed: &fitmentv1.AssessFaultResponse{Purchase: purchase}, Reason: "it broke",
		}}}
		if got := stepWords(&quotev1.RepairOrder{}, step); got != want {
			t.Errorf("%s: %q, want %q", purchase, got, want)
		}
	}
}
