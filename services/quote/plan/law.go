package plan

import (
	"cmp"
	"math/big"
	"slices"
)

// law is how likely the ways to end are. All probabilities are whole numbers of
// parts, so that adding up hundreds of them stays exact and needs no common
// denominator to be sought each time.
type law struct {
	ends []exact
	// whole is how many parts make a probability of 1.
	whole *big.Int
}

// exact is an outcome before rounding; weight is its probability in parts.
type exact struct {
	cost   int64
	days   int32
	weight *big.Int
}

// refine cuts every part into as many smaller ones.
func (l *law) refine(by *big.Int) {
	l.whole.Mul(l.whole, by)
	for _, end := range l.ends {
		end.weight.Mul(end.weight, by)
	}
}

// merged is the law sorted by cost and days, equal ends joined and impossible
// ones dropped.
func (l *law) merged() law {
	slices.SortFunc(l.ends, func(a, b exact) int {
		return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(a.days, b.days))
	})
	merged := law{whole: l.whole}
	for _, end := range l.ends {
		last := len(merged.ends) - 1
		switch {
		case end.weight.Sign() == 0:
		case last >= 0 && merged.ends[last].cost == end.cost && merged.ends[last].days == end.days:
			merged.ends[last].weight = new(big.Int).Add(merged.ends[last].weight, end.weight)
		default:
			merged.ends = append(merged.ends, end)
		}
	}
	return merged
}

// probability is that of a number of parts.
func (l *law) probability(parts *big.Int) *big.Rat { return new(big.Rat).SetFrac(parts, l.whole) }

// float is the floating-point number nearest to the probability of a number of
// parts. It is what probability(parts).Float64 gives, without the reducing, which
// takes nearly all the time of a plan of many offers.
func (l *law) float(parts *big.Int) float64 {
	const enough = 64 // bits, of which 53 are kept
	shift := uint(max(0, enough+l.whole.BitLen()-parts.BitLen()))
	quotient, rest := new(big.Int).QuoRem(new(big.Int).Lsh(parts, shift), l.whole, new(big.Int))
	if rest.Sign() != 0 {
		quotient.SetBit(quotient, 0, 1) // above, not halfway
	}
	value := new(big.Float).SetInt(quotient)
	f, _ := value.SetMantExp(value, -int(shift)).Float64()
	return f
}

// means are the mean cost and days.
func (l *law) means() (cost, days *big.Rat) {
	costs, times := new(big.Int), new(big.Int)
	for _, end := range l.ends {
		costs.Add(costs, end.times(end.cost))
		times.Add(times, end.times(int64(end.days)))
	}
	return l.probability(costs), l.probability(times)
}

// quantile is the least cost that is not exceeded with at least the probability
// level; the ends are sorted by cost and their probabilities sum to 1.
func (l *law) quantile(level *big.Rat) int64 {
	// below / whole >= num / denom
	target := new(big.Int).Mul(l.whole, level.Num())
	below := new(big.Int)
	for _, end := range l.ends {
		below.Add(below, end.weight)
		if new(big.Int).Mul(below, level.Denom()).Cmp(target) >= 0 {
			return end.cost
		}
	}
	return 0 // there are always ends, and they sum to 1
}

// cvar is Rockafellar and Uryasev's (2000) t + E[(L − t)⁺] / (1 − level) at the
// quantile t: the mean of the worst 1 − level, which splits the probability of t
// itself where it must.
func (l *law) cvar(level *big.Rat) *big.Rat {
	t := l.quantile(level)
	tail := new(big.Int)
	for _, end := range l.ends {
		if end.cost > t {
			tail.Add(tail, end.times(end.cost-t))
		}
	}
	mean := l.probability(tail)
	mean.Quo(mean, new(big.Rat).Sub(big.NewRat(1, 1), level))
	return mean.Add(mean, new(big.Rat).SetInt64(t))
}

// times is the end's share of an amount, in parts.
func (e exact) times(amount int64) *big.Int { return new(big.Int).Mul(e.weight, big.NewInt(amount)) }
