package plan

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"slices"
)

// Law is how likely the ways to end of a policy are, exactly.
type Law struct {
	// Ends lists every way to end, by cost, then days, an end without a working
	// part last. Their probabilities are rounded to floating-point numbers; the
	// methods calculate with exact ones.
	Ends []Outcome

	law law
}

func newLaw(l law) Law {
	out := Law{law: l}
	for _, end := range l.ends {
		out.Ends = append(out.Ends, Outcome{Cost: end.cost, Days: end.days, Probability: l.float(end.weight), Unrepaired: end.never})
	}
	return out
}

// Mean is the expected cost, in minor units.
func (l Law) Mean() *big.Rat {
	cost, _ := l.law.means()
	return cost
}

// Days is the expected number of days.
func (l Law) Days() *big.Rat {
	_, days := l.law.means()
	return days
}

// Quantile is the least cost that is not exceeded with at least the probability
// level, 0 to 1.
func (l Law) Quantile(level *big.Rat) int64 { return l.law.quantile(level) }

// CVaR is the mean cost of the worst 1 − level; the level is at least 0 and below 1.
func (l Law) CVaR(level *big.Rat) *big.Rat { return l.law.cvar(level) }

// ReadyBy is the chance that a working part is there after at most so many days.
func (l Law) ReadyBy(days int32) *big.Rat {
	return l.law.probability(l.law.parts(func(end exact) bool { return !end.never && end.days <= days }))
}

// Unrepaired is the chance that all fail and nothing is left to buy.
func (l Law) Unrepaired() *big.Rat {
	return l.law.probability(l.law.parts(func(end exact) bool { return end.never }))
}

// maxEnds bounds the ways to end of two laws together.
const maxEnds = 1_000_000

// Both is the law of two plans that are followed side by side and have nothing to
// do with each other, such as those of two parts of different sellers: costs add
// up, the days are the longer ones, and the vehicle stays unrepaired where either
// plan leaves it so. Laws with more than a million pairs of ends, or costs that
// cannot be added up, are refused.
func Both(a, b Law) (Law, error) {
	if n := len(a.law.ends) * len(b.law.ends); n > maxEnds {
		return Law{}, fmt.Errorf("the two laws have %d pairs of ends; expected at most %d", n, maxEnds)
	}
	all := law{whole: new(big.Int).Mul(a.law.whole, b.law.whole)}
	for _, x := range a.law.ends {
		for _, y := range b.law.ends {
			if x.cost > math.MaxInt64-y.cost {
				return Law{}, fmt.Errorf("the costs %d and %d are too large to be added up", x.cost, y.cost)
			}
			all.ends = append(all.ends, exact{x.cost + y.cost, max(x.days, y.days), x.never || y.never, new(big.Int).Mul(x.weight, y.weight)})
		}
	}
	return newLaw(all.merged()), nil
}

// readyBy gives the chances at these days, which rise.
func (l Law) readyBy(days []int32) []Ready {
	// Each day adds what ends since the one before.
	ends := slices.SortedFunc(slices.Values(l.law.ends), func(a, b exact) int { return cmp.Compare(a.days, b.days) })
	ready, sum := make([]Ready, 0, len(days)), new(big.Int)
	for _, day := range days {
		for ; len(ends) > 0 && ends[0].days <= day; ends = ends[1:] {
			if !ends[0].never {
				sum.Add(sum, ends[0].weight)
			}
		}
		ready = append(ready, Ready{day, l.law.float(sum)})
	}
	return ready
}

// law is how likely the ways to end are. All probabilities are whole numbers of
// parts, so that adding up hundreds of them stays exact and needs no common
// denominator to be sought each time.
type law struct {
	ends []exact
	// whole is how many parts make a probability of 1.
	whole *big.Int
}

// exact is an outcome before rounding; never marks an end without a working part,
// weight is its probability in parts.
type exact struct {
	cost   int64
	days   int32
	never  bool
	weight *big.Int
}

func newExactLaw() law { return law{whole: big.NewInt(1)} }

// all is the number of parts of everything.
func (l *law) all() *big.Int { return new(big.Int).Set(l.whole) }

// split takes pass of every of parts of what is left for one end; the rest stays
// left.
func (l *law) split(left, pass, of *big.Int, end exact) {
	l.refine(of)
	end.weight = new(big.Int).Mul(left, pass)
	l.ends = append(l.ends, end)
	left.Mul(left, new(big.Int).Sub(of, pass))
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
	slices.SortFunc(l.ends, compareEnds)
	merged := law{whole: l.whole}
	for _, end := range l.ends {
		last := len(merged.ends) - 1
		switch {
		case end.weight.Sign() == 0:
		case last >= 0 && compareEnds(merged.ends[last], end) == 0:
			merged.ends[last].weight = new(big.Int).Add(merged.ends[last].weight, end.weight)
		default:
			merged.ends = append(merged.ends, end)
		}
	}
	return merged
}

func compareEnds(a, b exact) int {
	never := func(e exact) int {
		if e.never {
			return 1
		}
		return 0
	}
	return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(a.days, b.days), never(a)-never(b))
}

// parts adds up the ends that count.
func (l *law) parts(counts func(exact) bool) *big.Int {
	sum := new(big.Int)
	for _, end := range l.ends {
		if counts(end) {
			sum.Add(sum, end.weight)
		}
	}
	return sum
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
