package listing_test

import (
	"strings"
	"testing"

	"beltwright.example/services/fitment/listing"
)

// FuzzParseName: a name that is taken is the one its yard and stock number make.
func FuzzParseName(f *testing.F) {
	for _, seed := range []string{"listings/hill-yard.B-17", "listings/hill-yard.", "listings/.B-17", "listings/a.b.c", "listings/Hill.B", "listings/a.b\n", "parts/a.b", "listings/a/b.c", "listings/a:b.c", "listings/а.B"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		yard, stock, ok := listing.ParseName(name)
		if !ok {
			if yard != "" || stock != "" {
				t.Fatalf("%q: refused, yet %q and %q", name, yard, stock)
			}
			return
		}
		if listing.Name(yard, stock) != name || strings.ContainsAny(yard+stock, "./:\n ") || yard == "" || stock == "" {
			t.Fatalf("%q is %q and %q", name, yard, stock)
		}
	})
}
