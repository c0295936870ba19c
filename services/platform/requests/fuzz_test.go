package requests_test

import (
	"regexp"
	"testing"

	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
)

// FuzzID: a request id is taken if, and only if, it has the 8-4-4-4-12
// hexadecimal digits of RFC 9562, section 4.
func FuzzID(f *testing.F) {
	shape := regexp.MustCompile(`^[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}$`)
	for _, seed := range []string{id, "", "{" + id[:34] + "}", id[:35] + "g", id + "\n", "2f7e3c1a_5b0d_4c1e_9f64_0a8d3f6f2b11", "2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b1\xc3"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, value string) {
		var fields check.Fields
		requests.ID(&fields, value)
		if fields.OK() != shape.MatchString(value) {
			t.Fatalf("%q: %v", value, fields.Violations())
		}
		derived := requests.Derive(value, "hold")
		if requests.ID(&fields, derived); shape.MatchString(value) && (!fields.OK() || derived == value) {
			t.Fatalf("%q derives %q", value, derived)
		}
	})
}
