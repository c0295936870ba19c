package quote

import (
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// Beside says whether what is kept out is no near miss: another part altogether, or
// one that does not fit.
func Beside(e *quotev1.ExcludedOption) bool {
	for _, begin := range []string{"is of the kind ", "the catalogue does not show that part ", "the catalogue lists part ", "does not fit: "} {
		if strings.HasPrefix(e.GetReason(), begin) {
			return true
		}
	}
	return false
}

// Nearest is what comes nearest to being bought of what is kept out; nil where
// nothing is. What is proven to fit and kept out for another reason that can pass,
// such as its currency, a limit or a hold, is nearer than what is not proven.
func Nearest(excluded []*quotev1.ExcludedOption) *quotev1.ExcludedOption {
	if len(excluded) == 0 {
		return nil
	}
	return slices.MinFunc(excluded, func(a, b *quotev1.ExcludedOption) int { return distance(a) - distance(b) })
}

func distance(e *quotev1.ExcludedOption) int {
	const passed, lacking, hopeless, beside = 0, 1, 2, 3
	gated := []string{"is not proven", "may not be used again: ", "is under recall: ", "is stated neither "}
	begins := func(begin string) bool { return strings.HasPrefix(e.GetReason(), begin) }
	switch {
	case Beside(e):
		return beside
	case e.GetRemedy() == "":
		return hopeless
	case slices.ContainsFunc(gated, begins):
		return lacking
	default:
		return passed
	}
}
