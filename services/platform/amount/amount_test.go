package amount_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/platform/amount"
)

func TestParse(t *testing.T) {
	t.Parallel()
	// Minor units: ISO 4217, list one (from memory): USD 2, JPY 0, KWD 3.
	for _, c := range []struct {
		text, currency string
		want           int64
		ok             bool
	}{
		{"180.00", "USD", 18000, true},
		{"180", "USD", 18000, true},
		{"180.5", "USD", 18050, true},
		{"0", "USD", 0, true},
		{"1500", "JPY", 1500, true},
		{"1500.0", "JPY", 0, false},
		{"1.234", "KWD", 1234, true},
		{"1.2345", "KWD", 0, false},
		{"10000000000.00", "USD", amount.Max, true},
		{"10000000000.01", "USD", 0, false},
		{"99999999999999999999999999", "USD", 0, false},
		{"", "USD", 0, false},
		{".5", "USD", 0, false},
		{"5.", "USD", 0, false},
		{"-1", "USD", 0, false},
		{"+1", "USD", 0, false},
		{"1,000", "USD", 0, false},
		{"1e3", "USD", 0, false},
		{"NaN", "USD", 0, false},
		{"1.2.3", "USD", 0, false},
		{"١٢", "USD", 0, false},
		{"$5", "USD", 0, false},
	} {
		got, err := amount.Parse(c.text, c.currency)
		if got != c.want || (err == nil) != c.ok {
			t.Errorf("Parse(%q, %s) = %d, %v; want %d, ok %t", c.text, c.currency, got, err, c.want, c.ok)
		}
	}
}

func TestFormatIsReadBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Int64Range(0, amount.Max).Draw(t, "value")
		currency := rapid.SampledFrom([]string{"USD", "JPY", "KWD", "CLF", "EUR"}).Draw(t, "currency")
		text := amount.Format(value, currency)
		if back, err := amount.Parse(text, currency); err != nil || back != value {
			t.Fatalf("%d %s is written %q and read %d, %v", value, currency, text, back, err)
		}
	})
}

func TestFormatOfDebts(t *testing.T) {
	t.Parallel()
	for value, want := range map[int64]string{-5: "-0.05", -18050: "-180.50", math.MinInt64: "-92233720368547758.08"} {
		if got := amount.Format(value, "USD"); got != want {
			t.Errorf("Format(%d) = %q, want %q", value, got, want)
		}
	}
}
