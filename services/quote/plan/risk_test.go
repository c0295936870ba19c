package plan

import (
	"math/big"
	"testing"
)

// equiprobable gives each loss the same chance.
func equiprobable(losses ...int64) []exact {
	var ends []exact
	for _, loss := range losses {
		ends = append(ends, exact{cost: loss, probability: big.NewRat(1, int64(len(losses)))})
	}
	return ends
}

// Six losses of 100 to 600, equally likely. At level 2/3 the quantile is 400 and
// the worst third is {500, 600}, in the mean 550; at 7/12 the quantile is 400 too
// and its atom is split: half of 400, 500 and 600 make 1300/6 / (5/12) = 520.
// (By the formula of Rockafellar and Uryasev, Journal of Risk 2(3), 2000, in
// exact fractions; it is their later example of split atoms, from memory.)
func TestCVaROfSixEquallyLikelyLosses(t *testing.T) {
	t.Parallel()
	ends := equiprobable(100, 200, 300, 400, 500, 600)
	cases := []struct {
		level          *big.Rat
		quantile, cvar int64
	}{
		{big.NewRat(2, 3), 400, 550},
		{big.NewRat(7, 12), 400, 520},
		{big.NewRat(0, 1), 100, 350}, // the mean of all
		{big.NewRat(5, 6), 500, 600},
	}
	for _, c := range cases {
		if got := quantile(ends, c.level); got != c.quantile {
			t.Errorf("level %s: quantile %d, want %d", c.level, got, c.quantile)
		}
		if got := cvar(ends, c.level); got.Cmp(new(big.Rat).SetInt64(c.cvar)) != 0 {
			t.Errorf("level %s: CVaR %s, want %d", c.level, got.FloatString(4), c.cvar)
		}
	}
}

// The worked example's law in whole units: {170: .6, 340: .38, 385: .0182, 785:
// .0018}; mean 239.62, CVaR 356.2, 372.4 and 457 at .90, .95 and .99, computed as
// exact fractions. E[L | L ≥ quantile] would give 344.05 for the first.
func TestCVaRAtSeveralLevels(t *testing.T) {
	t.Parallel()
	ends := []exact{
		{170, 0, big.NewRat(6, 10)},
		{340, 0, big.NewRat(38, 100)},
		{385, 0, big.NewRat(182, 10000)},
		{785, 0, big.NewRat(18, 10000)},
	}
	for _, c := range []struct{ level, want *big.Rat }{
		{big.NewRat(90, 100), big.NewRat(3562, 10)},
		{big.NewRat(95, 100), big.NewRat(3724, 10)},
		{big.NewRat(99, 100), big.NewRat(457, 1)},
	} {
		if got := cvar(ends, c.level); got.Cmp(c.want) != 0 {
			t.Errorf("level %s: CVaR %s, want %s", c.level, got.FloatString(4), c.want.FloatString(4))
		}
	}
	mean, _ := means(ends)
	if mean.Cmp(big.NewRat(23962, 100)) != 0 {
		t.Errorf("mean %s, want 239.62", mean.FloatString(4))
	}
}

// CVaR is the least value of t + E[(L − t)⁺] / (1 − level) over all t; for a
// discrete law it is enough to look at the losses themselves.
func TestCVaRIsTheMinimumOfItsFormula(t *testing.T) {
	t.Parallel()
	ends := equiprobable(3, 3, 7, 10, 10, 10, 40, 41, 90, 1000, 1000)
	for n := range int64(20) {
		level := big.NewRat(n, 20)
		var best *big.Rat
		for _, at := range ends {
			value := new(big.Rat)
			for _, end := range ends {
				value.Add(value, times(end.probability, max(end.cost-at.cost, 0)))
			}
			value.Quo(value, new(big.Rat).Sub(big.NewRat(1, 1), level))
			value.Add(value, new(big.Rat).SetInt64(at.cost))
			if best == nil || value.Cmp(best) < 0 {
				best = value
			}
		}
		if got := cvar(ends, level); got.Cmp(best) != 0 {
			t.Errorf("level %s: %s, the formula's minimum is %s", level, got.FloatString(4), best.FloatString(4))
		}
	}
}
