package auth_test

import (
	"strings"
	"testing"

	"beltwright.example/services/platform/auth"
)

// FuzzParse: what is taken is one visible ASCII word after the scheme, unchanged.
func FuzzParse(f *testing.F) {
	for _, seed := range []string{"Bearer bw_shop-a_aaaaaaaaaaaa_x", "bearer x", "Bearer  x", "Bearer x y", "Bearer x\r\n", "Basic x", "Bearer ", "Bearer " + strings.Repeat("x", 5000), "Bearer \u212a"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, header string) {
		key, ok := auth.Parse(header)
		if !ok {
			if key != "" {
				t.Fatalf("%q: refused, yet %q", header, key)
			}
			return
		}
		scheme, rest, _ := strings.Cut(header, " ")
		visible := !strings.ContainsFunc(key, func(r rune) bool { return r <= ' ' || r > '~' })
		if key == "" || len(key) > auth.MaxKey || key != rest || !strings.EqualFold(scheme, "Bearer") || !visible {
			t.Fatalf("%q gives the key %q", header, key)
		}
		if again, ok := auth.Parse("Bearer " + key); !ok || again != key {
			t.Fatalf("%q gives %q, which is read as %q", header, key, again)
		}
	})
}
