package e2e_test

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/quote/quote"
)

// The quote side believes a yes only with a finding of every gating family. It
// may not import the rules; here it is held against them, so that a family that
// is added or dropped does not go unnoticed.
func TestBothSidesKnowTheSameGatingFamilies(t *testing.T) {
	t.Parallel()
	for _, severity := range []fitmentv1.Finding_Severity{fitmentv1.Finding_FIT, fitmentv1.Finding_REUSE} {
		var want []string
		for _, rule := range rules.All() {
			if rule.Severity == severity {
				want = append(want, rule.Family)
			}
		}
		slices.Sort(want)
		got := slices.Sorted(slices.Values(quote.GatingFamilies(severity)))
		if diff := cmp.Diff(slices.Compact(want), got); diff != "" {
			t.Errorf("%s (-rules +quote):\n%s", severity, diff)
		}
	}
}
