package trust_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/quote/trust"
)

// Of the next three of Beta(5.4, 18.6) k pass with these chances, computed as
// exact fractions from C(3, k) B(k + a, 3 − k + b) / B(a, b).
func TestHowManyOfTheNextPass(t *testing.T) {
	t.Parallel()
	for k, want := range []float64{.481406153846, .378581538462, .123618461538, .016393846154} {
		near(t, "of three", trust.Belief{Alpha: 5.4, Beta: 18.6}.Next(3)[k], want, 1e-12)
	}
	// With a uniform prior all numbers are equally likely (Bayes, 1763).
	for _, chance := range (trust.Belief{Alpha: 1, Beta: 1}).Next(9) {
		near(t, "uniform", chance, .1, 1e-13)
	}
	if got := len(trust.Belief{Alpha: 1, Beta: 1}.Next(trust.MaxNext + 1)); got != trust.MaxNext+1 {
		t.Errorf("%d numbers", got)
	}
	if got := (trust.Belief{Alpha: 1, Beta: 1}).Next(-1); len(got) != 1 || got[0] != 1 {
		t.Errorf("none of the next none: %v", got)
	}
}

func TestPredictionsHoldTogether(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		b := trust.Belief{Alpha: rapid.Float64Range(.01, 1000).Draw(t, "alpha"), Beta: rapid.Float64Range(.01, 1000).Draw(t, "beta")}
		n := rapid.IntRange(0, 60).Draw(t, "n")
		sum, mean := 0.0, 0.0
		next := b.Next(n)
		for k, chance := range next {
			sum += chance
			mean += float64(k) * chance
		}
		if math.Abs(sum-1) > 1e-9 || math.Abs(mean-float64(n)*b.Mean()) > 1e-9*float64(n+1) {
			t.Fatalf("chances sum to %g, their mean is %g of %d at %g", sum, mean, n, b.Mean())
		}
		allFail := 1.0 // one after the other: (b + i) / (a + b + i) after i failures
		for i := range n {
			allFail *= (b.Beta + float64(i)) / (b.Alpha + b.Beta + float64(i))
		}
		if math.Abs(next[0]-allFail) > 1e-9*next[0] {
			t.Fatalf("none passes with %g, all fail with %g", next[0], allFail)
		}
	})
}

func TestBeliefIsItsDistribution(t *testing.T) {
	t.Parallel()
	// P(chance > 0.9) = 0.826128479532093 for Beta(47.5, 3.5), by mpmath and R.
	near(t, "tail", trust.Prior{Pass: 47.5, Fail: 3.5}.Quantile(0, 0, 1-.826128479532093), .9, 1e-12)
	// Gelman and others, Bayesian Data Analysis, 3rd edition, section 2.4.
	near(t, "mean", trust.Belief{Alpha: 438, Beta: 544}.Mean(), 0.446028513238289, 1e-14)
}

// The success-run formula n = ln(1 − C) / ln R, rounded up: 22, 59 and 299.
func TestSuccessRun(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		reliability, confidence float64
		want                    int
	}{
		{.9, .9, 22},
		{.95, .95, 59},
		{.99, .95, 299},
		{.5, .75, 2},
		{.5, .5, 1},
		{.1, .01, 1},
		{.9, .19, 2},
		{.1, .99999, 5},
		{1, .5, 0},
		{0, .5, 0},
		{.5, 0, 0},
		{.5, 1, 0},
		{math.NaN(), .5, 0},
		{.5, math.NaN(), 0},
	} {
		if got := trust.SuccessRun(c.reliability, c.confidence); got != c.want {
			t.Errorf("%g at %g: %d, want %d", c.reliability, c.confidence, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		reliability, confidence := rapid.Float64Range(.01, .999).Draw(t, "reliability"), rapid.Float64Range(.01, .999).Draw(t, "confidence")
		n := trust.SuccessRun(reliability, confidence)
		if trust.LowerBound(n, n, confidence) < reliability-1e-9 || (n > 1 && trust.LowerBound(n-1, n-1, confidence) > reliability+1e-9) {
			t.Fatalf("%g at %g takes %d, says the exact bound", reliability, confidence, n)
		}
	})
}

// A check that finds 0.6 of bad parts and fails 0.02 of good ones leaves, where 97
// in 100 are good, 60/4813 of those that pass bad (Bayes' theorem, exact).
func TestBadGivenPass(t *testing.T) {
	t.Parallel()
	near(t, "left", trust.BadGivenPass(.97, .6, .02), 60.0/4813, 1e-16)
	near(t, "left", trust.BadGivenPass(.97, .6, .02), .0124662373, 5e-11)
	near(t, "a check that finds nothing", trust.BadGivenPass(.97, 0, 0), .03, 1e-15)
	near(t, "a check that finds all", trust.BadGivenPass(.97, 1, .02), 0, 0)
	for _, nothing := range [][3]float64{{1, .6, 1}, {-.1, .6, 0}, {1.1, .6, 0}, {.9, math.NaN(), 0}, {.9, .6, 2}} {
		if got := trust.BadGivenPass(nothing[0], nothing[1], nothing[2]); got != 1 {
			t.Errorf("%v: %g", nothing, got)
		}
	}
}

// The average probability of failure on demand (as IEC 61508-6 has it; from
// memory): λτ/2 = 0.0438 for 1e-5 an hour over 8,760 hours, exactly 0.0425485655782.
func TestFailedOnDemand(t *testing.T) {
	t.Parallel()
	near(t, "exact", trust.FailedOnDemand(1e-5, 8760), .0425485655782, 5e-14)
	near(t, "approximately", trust.FailedOnDemand(1e-5, 8760), .0438, .0013)
	const x = 1e-5 * 9.999 // 1 − (1 − e⁻ˣ)/x = x/2 − x²/6 + x³/24 − …
	near(t, "series", trust.FailedOnDemand(1e-5, 9.999), x/2-x*x/6+x*x*x/24, 1e-17)
	near(t, "both sides of the series", trust.FailedOnDemand(1, .99999e-4)/trust.FailedOnDemand(1, 1.00001e-4), .99999/1.00001, 1e-8)
	near(t, "after so long", trust.FailedBy(1e-5, 8760), 1-math.Exp(-.0876), 1e-15)
	if trust.FailedOnDemand(0, 10) != 0 || trust.FailedBy(0, 10) != 0 || trust.FailedOnDemand(1, math.Inf(1)) != 1 {
		t.Error("no hazard, or no end")
	}
	for _, nothing := range [][2]float64{{-1, 1}, {1, -1}, {math.NaN(), 1}, {0, math.Inf(1)}, {-1, -1}} {
		if trust.FailedOnDemand(nothing[0], nothing[1]) != 1 || trust.FailedBy(nothing[0], nothing[1]) != 1 {
			t.Errorf("%v: %g, %g", nothing, trust.FailedOnDemand(nothing[0], nothing[1]), trust.FailedBy(nothing[0], nothing[1]))
		}
	}
	// By numerical integration of FailedBy.
	rapid.Check(t, func(t *rapid.T) {
		hazard, interval := rapid.Float64Range(1e-7, 1e-3).Draw(t, "hazard"), rapid.Float64Range(1, 5000).Draw(t, "interval")
		const steps = 2000
		sum := 0.0
		for i := range steps {
			sum += trust.FailedBy(hazard, interval*(float64(i)+.5)/steps)
		}
		if got := trust.FailedOnDemand(hazard, interval); math.Abs(got-sum/steps) > 1e-6*got {
			t.Fatalf("%g, integrated %g", got, sum/steps)
		}
	})
}

// No fault in T hours bounds the hazard by −ln(0.05)/T = 2.995732/T at 95 %.
func TestHazardBound(t *testing.T) {
	t.Parallel()
	near(t, "bound", trust.HazardBound(1, .95), 2.995732, 5e-7)
	near(t, "bound", trust.HazardBound(10000, .95), 2.995732e-4, 5e-11)
	for _, nothing := range [][2]float64{{0, .95}, {-1, .95}, {1, 0}, {1, 1}, {math.NaN(), .5}} {
		if got := trust.HazardBound(nothing[0], nothing[1]); !math.IsInf(got, 1) {
			t.Errorf("%v: %g", nothing, got)
		}
	}
}
