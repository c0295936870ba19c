package quote_test

import (
	"testing"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// TestNearest: what passed the gate and waits for something else is nearest, then
// what evidence would admit, then what nothing admits, then other parts.
func TestNearest(t *testing.T) {
	t.Parallel()
	if got := quote.Nearest(nil); got != nil {
		t.Errorf("nearest of nothing is %v", got)
	}
	order := []*quotev1.ExcludedOption{
		{Source: "other", Reason: "is of the kind clock spring; needed is pigtail"},
		{Source: "sold", Reason: "is sold"},
		{Source: "unproven", Reason: "is not proven yet: number", Remedy: "a label photo"},
	}
	for _, last := range []string{"is priced in USD, not in EUR", "is held by another business", "its seller's chance is below the limit"} {
		order = append(order[:3:3], &quotev1.ExcludedOption{Source: "waits", Reason: last, Remedy: "r"})
		for n, want := range []string{"other", "sold", "unproven", "waits"} {
			if got := quote.Nearest(order[:n+1]).GetSource(); got != want {
				t.Errorf("%s: the nearest of %d is %s, not %s", last, n+1, got, want)
			}
		}
	}
}
