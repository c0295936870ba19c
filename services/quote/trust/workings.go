package trust

import (
	"fmt"
	"math/big"

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

// chanceStep is the chance that a seller's next part passes.
func chanceStep(prior Prior, passed, failed int) working.Step {
	good := new(big.Rat).Add(rational(prior.Pass), big.NewRat(int64(passed), 1))
	all := new(big.Rat).Add(rational(prior.Fail), big.NewRat(int64(failed), 1))
	all.Add(all, good)
	formula := fmt.Sprintf("(%s + %d) / (%s + %d + %s + %d)", prose.Decimal(prior.Pass), passed, prose.Decimal(prior.Pass), passed, prose.Decimal(prior.Fail), failed)
	return rounded("chance of passing", formula, good.Quo(good, all), "mean of the Beta posterior")
}

// workings are the mean and the variance of the sellers' rates.
func (s spread) workings() []working.Step {
	sum, squares := s.mean*float64(s.sellers), s.variance*float64(s.sellers-1)
	over := func(v float64, n int) *big.Rat { return new(big.Rat).Quo(rational(v), big.NewRat(int64(n), 1)) }
	return []working.Step{
		rounded(fmt.Sprintf("mean of the rates of %d sellers", s.sellers), fmt.Sprintf("%s / %d", prose.Decimal(sum), s.sellers), over(sum, s.sellers), ""),
		rounded("variance of those rates", fmt.Sprintf("%s / %d", prose.Decimal(squares), s.sellers-1), over(squares, s.sellers-1), ""),
		rounded("variance that chance alone makes", fmt.Sprintf("%s × (1 − %s) × %s", prose.Decimal(s.mean), prose.Decimal(s.mean), prose.Decimal(s.inverse)),
			s.chance(), "variance of a rate of n checks, with the mean of 1 / n"),
	}
}

// weightStep is how many checks the pool weighs, before its limits.
func (s spread) weightStep() working.Step {
	m, v := prose.Decimal(s.mean), prose.Decimal(s.variance)
	formula := fmt.Sprintf("(%s × (1 − %s) − %s) / (%s − %s × (1 − %s) × %s)", m, m, v, v, m, m, prose.Decimal(s.inverse))
	return rounded(fmt.Sprintf("weight of the pool in checks, of which 1 to %d count", s.checks), formula, s.weight(), moments)
}
