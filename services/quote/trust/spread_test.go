package trust

import (
	"math"
	"testing"
)

// Gelman and others, Bayesian Data Analysis, 3rd edition, chapter 5 (figures from
// memory): tumour rates of earlier groups of rats have mean 0.136 and standard
// deviation 0.103, which is Beta(1.37032, 8.70556); 4 of 14 then give 0.223 with
// standard deviation 0.083. There the spread of the rates is taken for that of the
// chances, as it is with very many checks each.
func TestMomentsOfRatTumours(t *testing.T) {
	t.Parallel()
	prior := spread{sellers: 70, checks: 1739, mean: .136, variance: .103 * .103}.prior()
	if math.Abs(prior.Pass-1.37032) > 5e-6 || math.Abs(prior.Fail-8.70556) > 5e-6 {
		t.Errorf("Beta(%.6f, %.6f)", prior.Pass, prior.Fail)
	}
	a, b := prior.after(4, 10)
	sd := math.Sqrt(a*b/(a+b+1)) / (a + b)
	if math.Abs(prior.Mean(4, 10)-.223058) > 5e-7 || math.Abs(sd-.083133) > 5e-7 {
		t.Errorf("mean %.6f, standard deviation %.6f", prior.Mean(4, 10), sd)
	}
}

// A pool weighs at most what was checked, and at least one check.
func TestWeightOfAPool(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		s    spread
		want float64
	}{
		{spread{sellers: 9, checks: 100, mean: .5, variance: .25 * .1, inverse: .0999}, 100}, // hardly more than chance
		{spread{sellers: 9, checks: 100, mean: .5, variance: .25 * .9, inverse: .1}, 1},
		{spread{sellers: 9, checks: 100, mean: .5, variance: .25 * .28, inverse: .1}, 4}, // 0.72 / 0.18
	} {
		if got := c.s.prior(); math.Abs(got.Pass+got.Fail-c.want) > 1e-9 {
			t.Errorf("%+v weighs %g, want %g", c.s, got.Pass+got.Fail, c.want)
		}
	}
}

// Rates whose variance is what chance makes, to the last digit, are even, also
// where floating-point numbers would take the one for larger: nothing divides by
// their difference then.
func TestRatesThatAreJustEven(t *testing.T) {
	t.Parallel()
	for _, s := range []spread{
		{mean: .5, variance: .025, inverse: .1}, {mean: .1, variance: .009, inverse: .1}, {mean: .3, variance: .021, inverse: .1}, {mean: .7, variance: .063, inverse: .3},
	} {
		if !s.even() {
			t.Errorf("%+v is not even", s)
		}
		s.variance = math.Nextafter(s.variance, 1)
		if s.even() {
			t.Errorf("%+v is even", s)
		}
		if s.checks = 50; s.prior().Pass+s.prior().Fail != 50 {
			t.Errorf("%+v weighs %g", s, s.prior().Pass+s.prior().Fail)
		}
	}
}
