package trust

import (
	"fmt"
	"maps"
	"math/big"
	"slices"

	"gonum.org/v1/gonum/stat"

	"beltwright.example/services/quote/working"
)

// Record counts how one seller's parts of one kind and condition fared.
type Record struct {
	// Passed and Failed count reported arrival checks.
	Passed, Failed int
	// Unreported counts parts that were bought and of which nobody said how they
	// fared. They are no passes: the mean leaves them out, LowerBound counts them
	// as failures.
	Unreported int
}

// Reported is how many checks were reported.
func (r Record) Reported() int { return max(r.Passed, 0) + max(r.Failed, 0) }

// LowerBound is the exact one-sided lower confidence bound on the chance of
// passing if every unreported part had failed.
func (r Record) LowerBound(confidence float64) float64 {
	return LowerBound(r.Passed, r.Reported()+max(r.Unreported, 0), confidence)
}

// Belief is what is believed of a seller's chance after all records: the
// distribution Beta(Alpha, Beta), each weight from 0.001 to 1,000,000.
type Belief struct {
	Alpha, Beta float64
	// Source says in words what the belief stands on.
	Source string
	// Workings say how it was computed.
	Workings []working.Step
}

// Mean is the chance that the seller's next part passes.
func (b Belief) Mean() float64 { return Prior{b.Alpha, b.Beta}.Mean(0, 0) }

// MinSellers is how many sellers with a reported check it takes to learn how
// sellers differ. Below four not even the James–Stein estimator, which takes k − 3
// of k sellers' spread for real, shrinks towards their own mean.
const MinSellers = 4

// Pool says what to believe of each seller, from all sellers' records of the same
// kind and condition. Sellers without a reported check get what is believed of a
// stranger.
//
//   - Fewer than MinSellers reporting: the documented prior, moved by the seller's
//     own record.
//   - Otherwise sellers' chances are taken to have the Beta distribution whose
//     mean and spread the records show (the moments of the beta-binomial law),
//     moved by the seller's own record. It weighs at least as much as one check
//     and at most as much as all that were reported.
//   - Where the records differ no more than chance makes them: one common chance,
//     the documented prior moved by all records together.
func Pool(prior Prior, sellers map[string]Record) map[string]Belief {
	p := look(prior, sellers)
	beliefs := make(map[string]Belief, len(sellers))
	for seller, record := range sellers {
		beliefs[seller] = p.belief(record)
	}
	return beliefs
}

// pool is what all sellers' records say together.
type pool struct {
	// prior is what is believed of a stranger.
	prior Prior
	// common is true where all sellers share one chance: own records are in the
	// prior then.
	common   bool
	source   string
	workings []working.Step
}

// belief is what to believe of the seller with this record.
func (p pool) belief(r Record) Belief {
	passed, failed := max(r.Passed, 0), max(r.Failed, 0)
	b := Belief{Source: fmt.Sprintf("%s, then its own %d passed and %d failed checks", p.source, passed, failed)}
	if p.common {
		b.Source, passed, failed = p.source, 0, 0
	}
	if r.Unreported > 0 {
		b.Source += fmt.Sprintf("; %d bought parts whose outcome nobody reported count neither way", r.Unreported)
	}
	b.Alpha, b.Beta = p.prior.Pass+float64(passed), p.prior.Fail+float64(failed)
	b.Workings = append(slices.Clip(p.workings), chanceStep(p.prior, passed, failed, b.Source))
	if heaviest := max(b.Alpha, b.Beta); heaviest > maxWeight {
		b.Alpha, b.Beta = b.Alpha*maxWeight/heaviest, b.Beta*maxWeight/heaviest
	}
	b.Alpha, b.Beta = max(b.Alpha, minWeight), max(b.Beta, minWeight)
	return b
}

// look learns from all records; map order plays no part.
func look(prior Prior, sellers map[string]Record) pool {
	var s spread
	var rates, inverse []float64
	passed, failed := 0, 0
	for _, seller := range slices.Sorted(maps.Keys(sellers)) {
		r := sellers[seller]
		n := r.Reported()
		if n == 0 {
			continue
		}
		s.records = append(s.records, Record{Passed: max(r.Passed, 0), Failed: max(r.Failed, 0)})
		rates = append(rates, float64(max(r.Passed, 0))/float64(n))
		inverse = append(inverse, 1/float64(n))
		passed, failed = passed+max(r.Passed, 0), failed+max(r.Failed, 0)
	}
	if len(rates) < MinSellers {
		return pool{prior: prior, source: fmt.Sprintf("the documented prior, since %d of the sellers of such parts have reported checks and it takes %d to learn how they differ",
			len(rates), MinSellers)}
	}
	s.sellers, s.checks, s.inverse = len(rates), passed+failed, stat.Mean(inverse, nil)
	s.mean, s.variance = stat.MeanVariance(rates, nil)
	if s.even() {
		return pool{
			prior: Prior{prior.Pass + float64(passed), prior.Fail + float64(failed)}, common: true, workings: s.workings(),
			source: fmt.Sprintf("the documented prior and all %d checks of %d sellers, whose records differ no more than chance makes them", s.checks, s.sellers),
		}
	}
	return pool{
		prior: s.prior(), workings: append(s.workings(), s.weightStep()),
		source: fmt.Sprintf("what the records of %d sellers with %d checks say of such sellers", s.sellers, s.checks),
	}
}

// spread is how sellers' rates of passing differ.
type spread struct {
	sellers, checks int
	// records are those that the rates come from.
	records []Record
	// mean and variance (with k − 1) of the rates.
	mean, variance float64
	// inverse is the mean of 1/n over the sellers, n being a seller's checks.
	inverse float64
}

// chance is the variance that the rates would have if all sellers had the same
// chance: m(1−m) times the mean of 1/n.
func (s spread) chance() *big.Rat {
	m := s.bernoulli()
	return m.Mul(m, rational(s.inverse))
}

// bernoulli is m(1−m).
func (s spread) bernoulli() *big.Rat {
	m := rational(s.mean)
	return m.Mul(m, new(big.Rat).Sub(big.NewRat(1, 1), m))
}

// even tells whether the rates differ no more than chance makes them, or one check
// a seller leaves open whether they do.
func (s spread) even() bool {
	return rational(s.variance).Cmp(s.chance()) <= 0 || s.inverse >= 1
}

// weight is a + b of the Beta distribution, unless the rates are even: their
// variance is m(1−m)·((1−ρ)/n + ρ) in the mean, with ρ = 1/(a+b+1), so that
//
//	a + b = (m(1−m) − S²) / (S² − m(1−m)·mean(1/n))
//
// which for equal n are the usual moments of the beta-binomial law (Kleinman,
// Journal of the American Statistical Association 68, 1973; from memory).
func (s spread) weight() *big.Rat {
	variance := rational(s.variance)
	within := s.bernoulli()
	within.Sub(within, variance)
	return within.Quo(within, variance.Sub(variance, s.chance()))
}

// prior is the Beta distribution of sellers' chances.
func (s spread) prior() Prior {
	exact, _ := s.weight().Float64()
	weight := min(max(exact, 1), float64(s.checks))
	return Prior{Pass: max(weight*s.mean, minWeight), Fail: max(weight*(1-s.mean), minWeight)}
}
