package prose_test

import (
	"strconv"
	"testing"

	"beltwright.example/services/platform/prose"
)

func TestList(t *testing.T) {
	t.Parallel()
	for want, texts := range map[string][]string{
		"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"}, "a, b, c and d": {"a", "b", "c", "d"},
	} {
		if got := prose.List(texts); got != want {
			t.Errorf("%q is joined as %q, want %q", texts, got, want)
		}
	}
	if got := prose.ListOf([]int{1, 2, 3}, strconv.Itoa); got != "1, 2 and 3" {
		t.Errorf("%q", got)
	}
}

func TestDecimal(t *testing.T) {
	t.Parallel()
	for value, want := range map[float64]string{0.85: "0.85", 3: "3", 1e-7: "0.0000001", 1e21: "1000000000000000000000", -0.5: "-0.5"} {
		if got := prose.Decimal(value); got != want {
			t.Errorf("%g is written %q, want %q", value, got, want)
		}
	}
}
