package money_test

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/money"
)

func TestAllocate(t *testing.T) {
	t.Parallel()
	cases := []struct {
		total         int64
		weights, want []int64
		source        string
	}{
		{200, []int64{1, 1, 1}, []int64{67, 67, 66}, "documentation of the library go-money: 2.00 in three"},
		{800, []int64{1, 1, 1}, []int64{267, 267, 266}, "documentation of the library moneyphp: 8.00 in three"},
		{5, []int64{70, 30}, []int64{4, 1}, "documentation of moneyphp: 0.05 at 70 to 30"},
		{5, []int64{30, 70}, []int64{2, 3}, "documentation of moneyphp: 0.05 at 30 to 70"},
		{1999, []int64{25000, 12000, 8999}, []int64{1086, 522, 391}, "computed; handing the remainder to the first gives 1087, 521, 391"},
		{4000, []int64{18999, 7450, 12001}, []int64{1977, 775, 1248}, "computed"},
		{10, []int64{6, 6, 2}, []int64{4, 4, 2}, "the Alabama paradox: 6, 6, 2 at 10"},
		{11, []int64{6, 6, 2}, []int64{5, 5, 1}, "the Alabama paradox: one more in all is one less for the third"},
		{-200, []int64{1, 1, 1}, []int64{-67, -67, -66}, "a credit is the opposite; computed"},
		{0, []int64{3, 0}, []int64{0, 0}, "nothing to share"},
		{7, []int64{0, 5, 0}, []int64{0, 7, 0}, "no weight, no share"},
		{math.MaxInt64, []int64{math.MaxInt64, math.MaxInt64}, []int64{1 << 62, 1<<62 - 1}, "no overflow within; computed"},
		{math.MinInt64, []int64{1}, []int64{math.MinInt64}, "no overflow within; computed"},
	}
	for _, c := range cases {
		got, err := money.Allocate(c.total, c.weights)
		if err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%d by %v: %v, %v; want %v (%s)", c.total, c.weights, got, err, c.want, c.source)
		}
	}
	for _, weights := range [][]int64{nil, {}, {0, 0}, {1, -1}, {-1}} {
		if got, err := money.Allocate(100, weights); err == nil {
			t.Errorf("by %v: %v", weights, got)
		}
	}
}

// Shares make the total, none is a unit or more off its quota, a larger weight
// never gets less, and a credit mirrors.
func TestSharesMakeTheTotal(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		total := rapid.Int64().Draw(t, "total")
		weights := rapid.SliceOfN(rapid.Int64Range(0, math.MaxInt64), 1, 12).Draw(t, "weights")
		weights[rapid.IntRange(0, len(weights)-1).Draw(t, "sure")] = rapid.Int64Range(1, math.MaxInt64).Draw(t, "weight")
		shares, err := money.Allocate(total, weights)
		if err != nil {
			t.Fatal(err)
		}
		sum, all := new(big.Int), new(big.Int)
		for i := range weights {
			sum.Add(sum, big.NewInt(shares[i]))
			all.Add(all, big.NewInt(weights[i]))
		}
		if sum.Cmp(big.NewInt(total)) != 0 {
			t.Fatalf("%v make %s, not %d", shares, sum, total)
		}
		for i, share := range shares {
			quota := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(total), big.NewInt(weights[i])), all)
			if off := quota.Sub(quota, big.NewRat(share, 1)); off.Abs(off).Cmp(big.NewRat(1, 1)) >= 0 {
				t.Fatalf("share %d of %d by %v is off its quota by %s", i, total, weights, off.FloatString(3))
			}
			for k := range weights {
				if total > 0 && weights[i] > weights[k] && share < shares[k] {
					t.Fatalf("%d by %v gives %v", total, weights, shares)
				}
			}
		}
		if total == math.MinInt64 {
			return
		}
		mirrored, err := money.Allocate(-total, weights)
		for i := range mirrored {
			mirrored[i] = -mirrored[i]
		}
		if diff := cmp.Diff(shares, mirrored); err != nil || diff != "" {
			t.Fatal(err, diff)
		}
	})
}
