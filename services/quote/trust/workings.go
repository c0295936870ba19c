package trust

import (
	"fmt"
	"math/big"
	"strings"

	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/working"
)

// places is how many decimal places chances are shown with.
const places = 6

// moments is where the estimate of a pool's weight is published.
const moments = "moments of the beta-binomial law, Kleinman, Journal of the American Statistical Association 68 (1973), from memory"

// rational is exactly the number that prose.Decimal writes.
func rational(v float64) *big.Rat {
	r, _ := new(big.Rat).SetString(prose.Decimal(v))
	return r
}

// rounded is the step whose value is rounded to six places.
func rounded(number, formula string, value *big.Rat, source string) working.Step {
	return working.Step{Number: number, Formula: formula + working.Rounded, Value: value.FloatString(places), Source: source}
}

// chanceStep is the chance that a seller's next part passes; from is what the prior
// and the counts are.
func chanceStep(prior Prior, passed, failed int, from string) working.Step {
	good := new(big.Rat).Add(rational(prior.Pass), big.NewRat(int64(passed), 1))
	all := new(big.Rat).Add(rational(prior.Fail), big.NewRat(int64(failed), 1))
	all.Add(all, good)
	formula := fmt.Sprintf("(%s + %d) / (%s + %d + %s + %d)", prose.Decimal(prior.Pass), passed, prose.Decimal(prior.Pass), passed, prose.Decimal(prior.Fail), failed)
	return rounded("chance of passing", formula, good.Quo(good, all), "mean of the Beta posterior of "+from)
}

// maxTraced is of how many sellers the rates are written out.
const maxTraced = 24

// workings are the mean and the variance of the sellers' rates, and what of it chance
// alone makes.
func (s spread) workings() []working.Step {
	steps := s.summed()
	if s.sellers <= maxTraced {
		steps = s.written()
	}
	return append(steps, rounded("variance that chance alone makes",
		fmt.Sprintf("%s × (1 − %s) × %s", prose.Decimal(s.mean), prose.Decimal(s.mean), prose.Decimal(s.inverse)),
		s.chance(), "variance of a rate of n checks, with the mean of 1 / n"))
}

// names are what the numbers of a spread are called.
func (s spread) names() (mean, variance, inverse string) {
	return fmt.Sprintf("mean of the rates of %d sellers", s.sellers), "variance of those rates", "mean of 1 / n over those sellers, of n checks each"
}

// written writes every seller's rate out.
func (s spread) written() []working.Step {
	rates, squares, inverses := make([]string, len(s.records)), make([]string, len(s.records)), make([]string, len(s.records))
	sum, square, inverse := new(big.Rat), new(big.Rat), new(big.Rat)
	for i, r := range s.records {
		rate := big.NewRat(int64(r.Passed), int64(r.Reported()))
		share := big.NewRat(1, int64(r.Reported()))
		text := fmt.Sprintf("%d / %d", r.Passed, r.Reported())
		rates[i], squares[i], inverses[i] = text, text+" × "+text, fmt.Sprintf("1 / %d", r.Reported())
		sum.Add(sum, rate)
		square.Add(square, rate.Mul(rate, rate))
		inverse.Add(inverse, share)
	}
	k, mean := big.NewRat(int64(s.sellers), 1), rational(s.mean)
	middle := new(big.Rat).Mul(mean, mean)
	square.Sub(square, middle.Mul(middle, k))
	over := func(v *big.Rat, n int) *big.Rat { return new(big.Rat).Quo(v, big.NewRat(int64(n), 1)) }
	ofMean, ofVariance, ofInverse := s.names()
	return []working.Step{
		rounded(ofMean, fmt.Sprintf("(%s) / %d", strings.Join(rates, " + "), s.sellers), over(sum, s.sellers), ""),
		rounded(ofVariance, fmt.Sprintf("(%s − %d × %s × %s) / %d", strings.Join(squares, " + "), s.sellers, prose.Decimal(s.mean), prose.Decimal(s.mean), s.sellers-1),
			over(square, s.sellers-1), "sum of squares less that of the mean, by k − 1"),
		rounded(ofInverse, fmt.Sprintf("(%s) / %d", strings.Join(inverses, " + "), s.sellers), over(inverse, s.sellers), ""),
	}
}

// summed is written for so many sellers that only their sums are.
func (s spread) summed() []working.Step {
	step := func(number string, of float64, n int, what string) working.Step {
		sum := of * float64(n)
		formula := fmt.Sprintf("%s / %d, %s in all", prose.Decimal(sum), n, what)
		return rounded(number, formula, new(big.Rat).Quo(rational(sum), big.NewRat(int64(n), 1)), "")
	}
	ofMean, ofVariance, ofInverse := s.names()
	return []working.Step{
		step(ofMean, s.mean, s.sellers, "the rates"), step(ofVariance, s.variance, s.sellers-1, "the squares of what they differ by"),
		step(ofInverse, s.inverse, s.sellers, "1 / n"),
	}
}

// weightStep is how many checks the pool weighs, before its limits.
func (s spread) weightStep() working.Step {
	m, v := prose.Decimal(s.mean), prose.Decimal(s.variance)
	formula := fmt.Sprintf("(%s × (1 − %s) − %s) / (%s − %s × (1 − %s) × %s)", m, m, v, v, m, m, prose.Decimal(s.inverse))
	return rounded(fmt.Sprintf("weight of the pool in checks, of which 1 to %d count", s.checks), formula, s.weight(), moments)
}
