package prose_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

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
	for want, texts := range map[string][]string{"a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"}, "a, b, c and 2 more": {"a", "b", "c", "d", "e"}} {
		if got := prose.Some(texts, 3); got != want {
			t.Errorf("%q are told as %q, want %q", texts, got, want)
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

func TestPercent(t *testing.T) {
	t.Parallel()
	for p, want := range map[float64]string{
		0: "0 %", 1: "100 %", .996: "99.6 %", .995: "99.5 %", .99: "99 %", .9912: "99.12 %", .9999: "99.99 %", .99991: "above 99.99 %",
		.15: "15 %", .1: "10 %", .0999: "10 %", .0998: "10 %", .095: "9.5 %", .0018: "0.18 %", .0001: "0.01 %", .00009: "below 0.01 %",
		.9901: "99.01 %", .99004: "99 %",
	} {
		if got := prose.Percent(p); got != want {
			t.Errorf("%g: %q, want %q", p, got, want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(math.SmallestNonzeroFloat64, math.Nextafter(1, 0)).Draw(t, "p")
		got := prose.Percent(p)
		number := strings.TrimSuffix(got, " %")
		if got == number || number == "0" || number == "100" || (strings.Contains(number, "e") && !strings.HasPrefix(number, "below") && !strings.HasPrefix(number, "above")) {
			t.Fatalf("%g is written %q", p, got)
		}
		if value, err := strconv.ParseFloat(number, 64); err == nil && math.Abs(value/100-p) > .06*p {
			t.Fatalf("%g is written %q", p, got)
		}
	})
}

func TestJoined(t *testing.T) {
	t.Parallel()
	for want, texts := range map[string][]string{
		"":     {"", ""},
		"a":    {"", "a", ""},
		"a, b": {"a", "", "b"},
	} {
		if got := prose.Joined(", ", texts...); got != want {
			t.Errorf("%q: %q, want %q", texts, got, want)
		}
	}
}
