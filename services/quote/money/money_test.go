package money_test

import (
	"errors"
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/quote/money"
)

func TestRoundHalfAwayFromZero(t *testing.T) {
	t.Parallel()
	// Half away from zero: .5 1.5 2.5 and their negatives → 1 2 3 −1 −2 −3,
	// as Go's math.Round has them.
	for halves, want := range map[int64]int64{1: 1, 3: 2, 5: 3, -1: -1, -3: -2, -5: -3, 4: 2, 0: 0} {
		if got, err := money.Round(big.NewRat(halves, 2)); err != nil || got != want {
			t.Errorf("%d halves: %d, %v; want %d", halves, got, err, want)
		}
		if got := int64(math.Round(float64(halves) / 2)); got != want {
			t.Errorf("%d halves: math.Round gives %d, want %d", halves, got, want)
		}
	}
}

// The same six halves, rounded to even, are 0 2 2 0 -2 -2 (as Go's
// math.RoundToEven has them): a tax that is rounded so differs, and package money
// never does it.
func TestHalvesAreNotRoundedToEven(t *testing.T) {
	t.Parallel()
	away := map[int64]int64{1: 1, 3: 2, 5: 3, -1: -1, -3: -2, -5: -3}
	even := map[int64]int64{1: 0, 3: 2, 5: 2, -1: 0, -3: -2, -5: -2}
	for halves, want := range away {
		if got := int64(math.RoundToEven(float64(halves) / 2)); got != even[halves] {
			t.Errorf("%d halves to even: %d, want %d", halves, got, even[halves])
		}
		if got, err := money.Ratio(halves, 1, 2); err != nil || got != want {
			t.Errorf("%d halves: %d, %v; want %d", halves, got, err, want)
		}
	}
	// 2.675 is less than that as a binary fraction and prints as 2.67; as a
	// decimal it is a half (Go's fmt and math/big).
	if got, err := money.Ratio(2675, 1, 10); err != nil || got != 268 {
		t.Errorf("2.675 is %d hundredths, %v; want 268", got, err)
	}
}

// Canada's Economic Action Plan 2012, on ending the cent: cash totals after tax
// go to the nearest five cents, so 4.92 is paid as 4.90 in cash; one and two cents,
// six and seven go down, three and four, eight and nine up.
func TestCashInFiveCents(t *testing.T) {
	t.Parallel()
	for total, want := range map[int64]int64{492: 490, 491: 490, 493: 495, 494: 495, 495: 495, 496: 495, 497: 495, 498: 500, 499: 500, 500: 500} {
		fives, err := money.Ratio(total, 1, 5)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := money.Times(fives, 5); err != nil || got != want {
			t.Errorf("%d cents are paid as %d in cash, %v; want %d", total, got, err, want)
		}
	}
}

func TestBasisPointsAsARate(t *testing.T) {
	t.Parallel()
	for points, want := range map[int32]string{0: "0", 1: "0.01", 725: "7.25", 2000: "20", 10000: "100"} {
		rate, err := money.FromBasisPoints(points)
		if err != nil || rate.String() != want {
			t.Errorf("%d points are %s %%, %v; want %s", points, rate, err, want)
		}
		byRate, rateErr := rate.Of(18505)
		byPoints, pointsErr := money.BasisPoints(18505, points)
		if rateErr != nil || pointsErr != nil || byRate != byPoints {
			t.Errorf("%d points of 185.05: %d, %v by rate, %d, %v by points", points, byRate, rateErr, byPoints, pointsErr)
		}
	}
	for _, points := range []int32{-1, 10001, math.MaxInt32, math.MinInt32} {
		if rate, err := money.FromBasisPoints(points); err == nil {
			t.Errorf("%d points: %s", points, rate)
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
		{"7", 5400, 378, "a publication of California's tax board, as quoted: 54.00 × 7 % = 3.78"},
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
	for _, text := range []string{"-1", "100.01", "NaN", "1e999", "seven", "7,25", "Inf", "+7", "1e1", "7.", ".5", "7.1234567", "00000000000000000000000000000000101", " 7", "٧"} {
		if _, err := money.ParsePercent(text); err == nil {
			t.Errorf("%q was taken for a rate", text)
		}
	}
}

// Council Regulation (EC) 1103/97, articles 4 and 5: conversion rates have six
// significant figures, are neither rounded nor inverted, and halves of a cent go
// up. The amounts are those the Slovenian changeover's public examples give at
// 239.640 tolars to the euro.
func TestEuroChangeover(t *testing.T) {
	t.Parallel()
	for tolars, want := range map[int64]int64{500: 209, 1000: 417} {
		if got, err := money.Ratio(tolars*100, 1000, 239640); err != nil || got != want {
			t.Errorf("%d tolars: %d cents, %v; want %d", tolars, got, err, want)
		}
	}
	for thousandths, want := range map[int64]int64{24784: 2478, 24785: 2479} {
		if got, err := money.Ratio(thousandths, 1, 10); err != nil || got != want {
			t.Errorf("%d thousandths: %d cents, %v; want %d", thousandths, got, err, want)
		}
	}
}

// Canada's Economic Action Plan 2012, on ending the cent: 1.83 and 2.86 with 5 %
// tax come to 4.92 when paid by card; the tax is rounded once, on the invoice.
func TestTaxIsRoundedOnceAnInvoice(t *testing.T) {
	t.Parallel()
	rate, err := money.ParsePercent("5")
	if err != nil {
		t.Fatal(err)
	}
	tax, err := rate.Of(183 + 286)
	if total, sumErr := money.Sum(183, 286, tax); err != nil || sumErr != nil || total != 492 {
		t.Errorf("total %d, %v, %v; want 492", total, err, sumErr)
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
		exact, fits := new(big.Int), true
		for _, amount := range amounts {
			exact.Add(exact, big.NewInt(amount))
			fits = fits && exact.IsInt64()
		}
		got, err := money.Sum(amounts...)
		if fits != (err == nil) || (fits && got != exact.Int64()) {
			t.Fatalf("Sum%v = %d, %v; exactly %v", amounts, got, err, exact)
		}
	})
}

func TestProductsAgreeWithBigIntegers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Int64().Draw(t, "a"), rapid.Int64().Draw(t, "b")
		exact := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
		got, err := money.Times(a, b)
		if exact.IsInt64() != (err == nil) || (err == nil && got != exact.Int64()) {
			t.Fatalf("%d times %d is %d, %v; exactly %v", a, b, got, err, exact)
		}
	})
}

// Rounding once is never off by more than half a unit, and mirrors at zero.
func TestRatioIsTheNearestUnit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		amount := rapid.Int64Range(-1e12, 1e12).Draw(t, "amount")
		numerator, denominator := rapid.Int64Range(0, 1e6).Draw(t, "numerator"), rapid.Int64Range(1, 1e6).Draw(t, "denominator")
		got, err := money.Ratio(amount, numerator, denominator)
		if err != nil {
			t.Fatal(err)
		}
		off := new(big.Rat).SetFrac64(amount, denominator)
		off.Mul(off, big.NewRat(numerator, 1)).Sub(off, big.NewRat(got, 1))
		if off.Abs(off).Cmp(big.NewRat(1, 2)) > 0 {
			t.Fatalf("%d × %d / %d = %d, off by %s", amount, numerator, denominator, got, off.FloatString(6))
		}
		if mirrored, err := money.Ratio(-amount, numerator, denominator); err != nil || mirrored != -got {
			t.Fatalf("the negative gives %d, %v; want %d", mirrored, err, -got)
		}
	})
}

func FuzzParsePercent(f *testing.F) {
	for _, text := range []string{"", "7.25", "100", "100.000001", "-1", "1e2", "0.0000001", "NaN", "00007"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rate, err := money.ParsePercent(text)
		if err != nil {
			return
		}
		const whole = 1_000_000_000_000
		if tax, err := rate.Of(whole); err != nil || tax < 0 || tax > whole {
			t.Fatalf("%q takes %d of %d, %v", text, tax, int64(whole), err)
		}
		again, err := money.ParsePercent(rate.String())
		if err != nil || again.String() != rate.String() {
			t.Fatalf("%q is written %q, which reads as %q, %v", text, rate.String(), again.String(), err)
		}
	})
}

// A rate of an amount is what package big makes of it, which writes decimal
// places rounded half away from zero.
func TestPercentAgreesWithRationals(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`[0-9]{1,2}(\.[0-9]{1,6})?`).Draw(t, "rate")
		amount := rapid.Int64().Draw(t, "amount")
		rate, err := money.ParsePercent(text)
		if err != nil {
			t.Fatal(err)
		}
		exact, ok := new(big.Rat).SetString(text)
		if !ok {
			t.Fatal(text)
		}
		exact.Mul(exact, new(big.Rat).SetFrac(big.NewInt(amount), big.NewInt(100)))
		got, err := rate.Of(amount)
		want, ok := new(big.Int).SetString(exact.FloatString(0), 10)
		if !ok || err != nil || want.Cmp(big.NewInt(got)) != 0 {
			t.Fatalf("%s %% of %d is %d, %v; want %s", text, amount, got, err, want)
		}
		if rate.IsZero() != (strings.Trim(text, "0.") == "") {
			t.Fatalf("%s counts as zero: %t", text, rate.IsZero())
		}
	})
}
