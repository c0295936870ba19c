package money_test

import (
	"errors"
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/quote/money"
)

func TestRoundHalfAwayFromZero(t *testing.T) {
	t.Parallel()
	// Half away from zero: .5 1.5 2.5 and their negatives → 1 2 3 −1 −2 −3,
	// where half-even would give 0 2 2 (Go's math.Round and math.RoundToEven
	// print the same two rows).
	for halves, want := range map[int64]int64{1: 1, 3: 2, 5: 3, -1: -1, -3: -2, -5: -3, 4: 2, 0: 0} {
		if got, err := money.Round(big.NewRat(halves, 2)); err != nil || got != want {
			t.Errorf("%d halves: %d, %v; want %d", halves, got, err, want)
		}
		if want := int64(math.Round(float64(halves) / 2)); want != 0 {
			if got, _ := money.Round(big.NewRat(halves, 2)); got != want {
				t.Errorf("%d halves: %d; math.Round gives %d", halves, got, want)
			}
		}
	}
}

func TestRates(t *testing.T) {
	t.Parallel()
	cases := []struct {
		percent string
		amount  int64
		want    int64
		source  string
	}{
		{"7.25", 23500, 1704, "7.25 % of 235.00 is 17.0375; computed"},
		{"7", 5400, 378, "California core tax annotation 315.0370: 54.00 × 7 % = 3.78"},
		{"6", 18000, 1080, "6 % of 130 + 50: trade question and answer, 10.80"},
		{"2.5", 14500, 363, "3.625 → 3.63; half-even would give 3.62 (SSUTA section 324, from memory)"},
		{"", 99999, 0, "no rate"},
		{"100", 7, 7, "the whole"},
	}
	for _, c := range cases {
		rate, err := money.ParsePercent(c.percent)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := rate.Of(c.amount); err != nil || got != c.want {
			t.Errorf("%s %% of %d: %d, %v; want %d (%s)", c.percent, c.amount, got, err, c.want, c.source)
		}
	}
	for _, text := range []string{"-1", "100.01", "NaN", "1e999", "seven", "7,25", "Inf"} {
		if _, err := money.ParsePercent(text); err == nil {
			t.Errorf("%q was taken for a rate", text)
		}
	}
}

func TestRestocking(t *testing.T) {
	t.Parallel()
	// Sellers' published policies charge 15 to 30 %; 185.00 × 20 % = 37.00.
	if got, err := money.BasisPoints(18500, 2000); err != nil || got != 3700 {
		t.Errorf("%d, %v; want 3700", got, err)
	}
}

func TestOverflowIsRefused(t *testing.T) {
	t.Parallel()
	if _, err := money.Sum(math.MaxInt64, 1); !errors.Is(err, money.ErrOverflow) {
		t.Errorf("Sum: %v", err)
	}
	if _, err := money.Sum(math.MinInt64, -1); !errors.Is(err, money.ErrOverflow) {
		t.Errorf("Sum: %v", err)
	}
	if _, err := money.Times(math.MaxInt64, 2); !errors.Is(err, money.ErrOverflow) {
		t.Errorf("Times: %v", err)
	}
	if _, err := money.Ratio(math.MaxInt64, 3, 2); !errors.Is(err, money.ErrOverflow) {
		t.Errorf("Ratio: %v", err)
	}
	if got, err := money.Ratio(math.MaxInt64, 2, 2); err != nil || got != math.MaxInt64 {
		t.Errorf("Ratio within range: %d, %v", got, err)
	}
}

func TestSumAgreesWithBigIntegers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		amounts := rapid.SliceOfN(rapid.Int64(), 0, 6).Draw(t, "amounts")
		exact, running, fits := new(big.Int), new(big.Int), true
		for _, amount := range amounts {
			exact.Add(exact, big.NewInt(amount))
			running.Set(exact)
			fits = fits && running.IsInt64()
		}
		got, err := money.Sum(amounts...)
		if fits != (err == nil) || (fits && got != exact.Int64()) {
			t.Fatalf("Sum%v = %d, %v; exactly %v", amounts, got, err, exact)
		}
	})
}
