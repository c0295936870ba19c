package trust_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/quote/trust"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.15g, want %.15g", what, got, want)
	}
}

func TestPosterior(t *testing.T) {
	t.Parallel()
	// Gelman and others, Bayesian Data Analysis, 3rd edition, section 2.4: 437
	// girls of 980 births, uniform prior → Beta(438, 544). A public
	// reproduction prints 0.41506549 and 0.47719977.
	births := trust.Prior{Pass: 1, Fail: 1}
	near(t, "mean", births.Mean(437, 543), 0.446028513238289, 1e-14)
	near(t, "2.5 %", births.Quantile(437, 543, .025), 0.415065492455001, 1e-12)
	near(t, "97.5 %", births.Quantile(437, 543, .975), 0.477199770629442, 1e-12)
	// Jeffreys' prior, computed with mpmath; the first two with R and scipy alike.
	jeffreys := trust.Prior{Pass: .5, Fail: .5}
	near(t, "Jeffreys 47 of 50", jeffreys.Quantile(47, 3, .05), 0.865583570610334, 1e-12)
	near(t, "Jeffreys 195 of 200", jeffreys.Quantile(195, 5, .05), 0.951465928782665, 1e-12)
	near(t, "Jeffreys 12 of 12", jeffreys.Quantile(12, 0, .05), 0.854943481807123, 1e-12)
	near(t, "Jeffreys 0 of 10", jeffreys.Quantile(0, 10, .975), 0.217196267509211, 1e-12)
	// From all-pass data 0.95 at 95 % takes 38 checks with Jeffreys' prior and 58
	// with the uniform one; neither is as strict as the exact 59.
	for run, prior := range map[int]trust.Prior{38: jeffreys, 58: births} {
		if prior.Quantile(run-1, 0, .05) >= .95 || prior.Quantile(run, 0, .05) < .95 {
			t.Errorf("%+v must take %d clean checks", prior, run)
		}
	}
	near(t, "Jeffreys 10 of 10", jeffreys.Quantile(10, 0, .05), 0.829226891755152, 1e-12)
	// Uniform prior, all of ten: closed form 0.05^(1/11).
	near(t, "uniform 10 of 10", births.Quantile(10, 0, .05), math.Pow(.05, 1.0/11), 1e-12)
	near(t, "uniform 10 of 10", births.Quantile(10, 0, .05), 0.761595809619147, 1e-12)
}

func TestLowerBoundIsClopperPearson(t *testing.T) {
	t.Parallel()
	// NIST/SEMATECH e-Handbook 7.2.4, 4 defective of 20: exact 90 % interval
	// 0.0713538843086 to 0.401028117332; the lower end is the one-sided 95 %
	// bound.
	near(t, "4 of 20", trust.LowerBound(4, 20, .95), 0.0713538843086, 1e-12)
	near(t, "4 of 20, the upper end", 1-trust.LowerBound(16, 20, .95), 0.401028117332, 1e-12)
	// All of ten: closed form 0.05^(1/10).
	near(t, "10 of 10", trust.LowerBound(10, 10, .95), math.Pow(.05, .1), 1e-12)
	near(t, "10 of 10", trust.LowerBound(10, 10, .95), 0.741134449106948, 1e-14)
	near(t, "47 of 50", trust.LowerBound(47, 50, .95), 0.852162823635819, 1e-12)
	// Success run (handbook formula n = ln(1−C) / ln R): 0.95 at 95 % takes 59
	// checks without a failure, and 58 are not enough.
	if trust.LowerBound(58, 58, .95) >= .95 || trust.LowerBound(59, 59, .95) < .95 {
		t.Error("59 clean checks must reach 0.95 at 95 %, 58 must not")
	}
	for _, run := range []struct {
		checks           int
		bound, confident float64
	}{{22, .9, .9}, {59, .95, .95}, {299, .99, .95}} {
		if trust.LowerBound(run.checks-1, run.checks-1, run.confident) >= run.bound || trust.LowerBound(run.checks, run.checks, run.confident) < run.bound {
			t.Errorf("%g at %g must take %d clean checks", run.bound, run.confident, run.checks)
		}
	}
	for _, bad := range []float64{trust.LowerBound(0, 9, .95), trust.LowerBound(5, 4, .95), trust.LowerBound(1, 2, 1), trust.LowerBound(1, 2, math.NaN())} {
		if bad != 0 {
			t.Errorf("a bound without ground: %g", bad)
		}
	}
}

// The exact bound solves P(at least s of n pass | bound) = 1 − confidence; the
// binomial tail is summed here term by term, without the Beta distribution.
func TestLowerBoundInvertsTheBinomialTail(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "checks")
		s := rapid.IntRange(1, n).Draw(t, "passed")
		confidence := rapid.Float64Range(.5, .999).Draw(t, "confidence")
		bound := trust.LowerBound(s, n, confidence)
		if !(bound > 0 && bound < float64(s)/float64(n)+1e-12) {
			t.Fatalf("bound %g for %d of %d", bound, s, n)
		}
		tail, logs := 0.0, 0.0 // logs is ln C(n, k)
		for k := 0; k <= n; k++ {
			if k > 0 {
				logs += math.Log(float64(n-k+1)) - math.Log(float64(k))
			}
			if k >= s {
				tail += math.Exp(logs + float64(k)*math.Log(bound) + float64(n-k)*math.Log1p(-bound))
			}
		}
		if math.Abs(tail-(1-confidence)) > 1e-9 {
			t.Fatalf("%d of %d at %g: tail %g", s, n, confidence, tail)
		}
	})
}

func TestRepeatsFromOneSellerAreCorrelated(t *testing.T) {
	t.Parallel()
	// Beta(4, 2): 1/3, 1/7, 1/14, computed as exact fractions.
	b := trust.Belief{Alpha: 4, Beta: 2}
	for k, want := range map[int]float64{0: 1, 1: 1.0 / 3, 2: 1.0 / 7, 3: 1.0 / 14} {
		near(t, "all fail", b.Next(k)[0], want, 1e-14)
	}
}

func TestOutcomesMoveTheMeanTheRightWay(t *testing.T) {
	t.Parallel()
	priors := trust.DefaultPriors()
	if err := priors.Validate(); err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		prior := priors.For(trust.Condition(rapid.IntRange(0, 4).Draw(t, "condition")))
		passed, failed := rapid.IntRange(0, 1000).Draw(t, "passed"), rapid.IntRange(0, 1000).Draw(t, "failed")
		mean := prior.Mean(passed, failed)
		if !(mean > 0 && mean < 1) || !(prior.Mean(passed+1, failed) > mean) || !(prior.Mean(passed, failed+1) < mean) {
			t.Fatalf("mean %g after %d passed and %d failed", mean, passed, failed)
		}
	})
}

func TestPriorsMustBeDistributions(t *testing.T) {
	t.Parallel()
	for _, v := range []float64{0, -1, 1e-9, 1e9, math.NaN(), math.Inf(1)} {
		priors := trust.DefaultPriors()
		priors.New.Fail = v
		if priors.Validate() == nil {
			t.Errorf("fail weight %g was accepted", v)
		}
	}
}
