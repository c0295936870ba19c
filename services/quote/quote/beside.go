package quote

import (
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
