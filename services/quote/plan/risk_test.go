package plan

import (
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// equiprobable gives each loss the same chance.
func equiprobable(losses ...int64) law {
	all := law{whole: big.NewInt(int64(len(losses)))}
	for _, loss := range losses {
		all.ends = append(all.ends, exact{cost: loss, weight: big.NewInt(1)})
	}
	return all
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
		if got := ends.quantile(c.level); got != c.quantile {
			t.Errorf("level %s: quantile %d, want %d", c.level, got, c.quantile)
		}
		if got := ends.cvar(c.level); got.Cmp(new(big.Rat).SetInt64(c.cvar)) != 0 {
			t.Errorf("level %s: CVaR %s, want %d", c.level, got.FloatString(4), c.cvar)
		}
	}
}

// The worked example's law in whole units: {170: .6, 340: .38, 385: .0182, 785:
// .0018}; mean 239.62, CVaR 356.2, 372.4 and 457 at .90, .95 and .99, computed as
// exact fractions. E[L | L ≥ quantile] would give 344.05 for the first.
func TestCVaRAtSeveralLevels(t *testing.T) {
	t.Parallel()
	ends := law{whole: big.NewInt(10000), ends: []exact{
		{170, 0, false, big.NewInt(6000)}, {340, 0, false, big.NewInt(3800)}, {385, 0, false, big.NewInt(182)}, {785, 0, false, big.NewInt(18)},
	}}
	for _, c := range []struct{ level, want *big.Rat }{
		{big.NewRat(90, 100), big.NewRat(3562, 10)},
		{big.NewRat(95, 100), big.NewRat(3724, 10)},
		{big.NewRat(99, 100), big.NewRat(457, 1)},
	} {
		if got := ends.cvar(c.level); got.Cmp(c.want) != 0 {
			t.Errorf("level %s: CVaR %s, want %s", c.level, got.FloatString(4), c.want.FloatString(4))
		}
	}
	mean, _ := ends.means()
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
		for _, at := range ends.ends {
			value := new(big.Rat)
			for _, end := range ends.ends {
				value.Add(value, ends.probability(end.times(max(end.cost-at.cost, 0))))
			}
			value.Quo(value, new(big.Rat).Sub(big.NewRat(1, 1), level))
			value.Add(value, new(big.Rat).SetInt64(at.cost))
			if best == nil || value.Cmp(best) < 0 {
				best = value
			}
		}
		if got := ends.cvar(level); got.Cmp(best) != 0 {
			t.Errorf("level %s: %s, the formula's minimum is %s", level, got.FloatString(4), best.FloatString(4))
		}
	}
}

// Parts become the same floating-point numbers as fractions do, from the largest
// chances down to those that no floating-point number can tell from 0.
func TestPartsBecomeTheNearestNumber(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		small := func(name string) *big.Int { return big.NewInt(rapid.Int64Range(1, 1<<62).Draw(t, name)) }
		l := law{whole: new(big.Int).Exp(small("base"), big.NewInt(rapid.Int64Range(1, 20).Draw(t, "power")), nil)}
		parts := new(big.Int).Mul(l.whole, small("parts"))
		parts.Rsh(parts, uint(rapid.IntRange(62, 1300).Draw(t, "smaller")))
		want, _ := l.probability(parts).Float64()
		if got := l.float(parts); got != want {
			t.Fatalf("%s of %s: %g, want %g", parts, l.whole, got, want)
		}
	})
}
