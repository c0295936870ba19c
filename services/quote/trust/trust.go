// Package trust turns arrival checks that were recorded into the chance that
// the next part of the same seller, condition and kind passes.
//
// The chance is unknown and has a Beta distribution: a prior, moved by what was
// recorded. Expected costs are linear in each chance, so the posterior mean is
// exact there as long as the parts' chances are independent; a lower bound is a
// limit that somebody may set, never evidence that a part fits.
//
// Parts of one seller share the seller's unknown chance and are not independent:
// Belief.Next says by how much. A buying plan that takes several offers of one
// seller for independent is too hopeful.
//
// Pool learns from many sellers at once: what is believed of a seller before its
// own record is what the others' records say of sellers of its kind. An outcome
// that nobody reported is not a pass; a Record counts such parts apart.
package trust

import (
	"fmt"

	"gonum.org/v1/gonum/stat/distuv"
)

// Condition is the condition that parts are sold in.
type Condition int

// The conditions.
const (
	// Used parts come from donor vehicles.
	Used Condition = iota + 1
	// Remanufactured parts were made good at a factory.
	Remanufactured
	// New parts come from their maker.
	New
)

// Prior is a Beta distribution before anything was recorded. Pass and Fail
// weigh like that many recorded checks; both are above 0.
type Prior struct {
	Pass, Fail float64
}

// Priors hold a prior for each condition.
type Priors struct {
	Used, Remanufactured, New Prior
}

// DefaultPriors are guesses, labelled as such: they weigh like ten checks of
// which eight passed for used parts, twenty of which nineteen passed for
// remanufactured ones, and fifty of which forty-nine passed for new ones. They
// are no published figures; recorded outcomes move them.
func DefaultPriors() Priors {
	return Priors{
		Used:           Prior{Pass: 8, Fail: 2},
		Remanufactured: Prior{Pass: 19, Fail: 1},
		New:            Prior{Pass: 49, Fail: 1},
	}
}

// Limits of a Prior's weights: beyond them a quantile is no longer exact.
const (
	minWeight = 1e-3
	maxWeight = 1e6
)

// Validate refuses a prior that is no distribution, or one that is so strong or
// so weak that nothing can be calculated with it.
func (p Priors) Validate() error {
	for i, prior := range []Prior{p.Used, p.Remanufactured, p.New} {
		if !weighty(prior.Pass) || !weighty(prior.Fail) {
			return fmt.Errorf("prior for %s parts: pass %g and fail %g are out of range; expected %g to %g each",
				[]string{"used", "remanufactured", "new"}[i], prior.Pass, prior.Fail, minWeight, float64(maxWeight))
		}
	}
	return nil
}

func weighty(v float64) bool { return v >= minWeight && v <= maxWeight }

// For returns the prior of a condition; an unknown condition gets the most
// cautious one, that of used parts.
func (p Priors) For(condition Condition) Prior {
	switch condition {
	case New:
		return p.New
	case Remanufactured:
		return p.Remanufactured
	case Used:
	}
	return p.Used
}

// Mean is the chance of passing after the recorded checks: the posterior mean
// (a + passed) / (a + b + passed + failed). Counts are at least 0.
func (p Prior) Mean(passed, failed int) float64 {
	a, b := p.after(passed, failed)
	return a / (a + b)
}

// Quantile is the posterior quantile of the chance of passing, 0 < q < 1: with
// q = 0.05 the lower credible bound at 95 %. It is no confidence bound (a
// Jeffreys prior promises 0.95 after 38 clean checks, where LowerBound asks for
// 59): it is there to show that difference, and no limit stands on it.
func (p Prior) Quantile(passed, failed int, q float64) float64 {
	a, b := p.after(passed, failed)
	return distuv.Beta{Alpha: a, Beta: b}.Quantile(q)
}

func (p Prior) after(passed, failed int) (a, b float64) {
	return p.Pass + float64(max(passed, 0)), p.Fail + float64(max(failed, 0))
}

// LowerBound is the exact one-sided lower confidence bound (Clopper and Pearson
// 1934) on the chance of passing: the alpha quantile of
// Beta(passed, checks − passed + 1) with alpha = 1 − confidence; 0 where
// nothing passed or the counts make no sense.
func LowerBound(passed, checks int, confidence float64) float64 {
	if passed <= 0 || passed > checks || !(confidence > 0 && confidence < 1) {
		return 0
	}
	return distuv.Beta{Alpha: float64(passed), Beta: float64(checks - passed + 1)}.Quantile(1 - confidence)
}
