package plan

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"

	"beltwright.example/services/quote/problem"
)

// Limits of a Problem. Within them no sum can overflow 64 bits.
const (
	// MaxAmount bounds every amount, in minor units.
	MaxAmount = problem.MaxAmount
	// MaxDays bounds days.
	MaxDays = 3650
	// MaxOffers bounds the offers.
	MaxOffers = 200
	// MaxID bounds an id, in characters.
	MaxID = problem.MaxID
	// MinPass is the smallest chance that is worth writing down.
	MinPass = 1e-9
	// MinWeight and MaxWeight bound the weights of a Belief.
	MinWeight = 1e-3
	MaxWeight = 1_000_000
	// MaxReadyBy bounds the days at which the chance of being ready is wanted.
	MaxReadyBy = 400

	// sameChance is how far a stated chance may be from its seller's mean.
	sameChance = 1e-9
)

// Violation names a field of the problem, what is wrong and what would be right.
type Violation = problem.Violation

// InvalidError lists everything that is wrong with a problem.
type InvalidError = problem.InvalidError

// validator collects what is wrong.
type validator struct{ problem.Fields }

func (p Problem) validate() error {
	var v validator
	v.Currency("currency_code", p.Currency)
	v.Within("day_cost", p.DayCost, MaxAmount)
	if p.Fallback != nil {
		v.Within("fallback.price", p.Fallback.Price, MaxAmount)
		v.Within("fallback.days", int64(p.Fallback.Days), MaxDays)
	}
	if n := len(p.Offers); n > MaxOffers {
		v.Add("offers", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", MaxOffers))
	}
	if len(p.Offers) == 0 && p.Fallback == nil {
		v.Add("offers", "is empty and there is no fallback", "something to buy")
	}
	v.times(p)
	v.sellers(p.Sellers)
	v.offers(p)
	return v.Err()
}

func (v *validator) times(p Problem) {
	v.Within("deadline_days", int64(p.Deadline), MaxDays)
	v.Within("late_cost", p.LateCost, MaxAmount)
	if p.LateCost != 0 && p.Deadline == 0 {
		v.Add("deadline_days", "is missing and late_cost is stated", "the days after which that is paid")
	}
	if n := len(p.ReadyBy); n > MaxReadyBy {
		v.Add("ready_by", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", MaxReadyBy))
	}
	for n, days := range p.ReadyBy {
		v.Within(fmt.Sprintf("ready_by[%d]", n), int64(days), MaxDays)
	}
}

func (v *validator) sellers(sellers map[string]Belief) {
	if n := len(sellers); n > MaxOffers {
		v.Add("sellers", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", MaxOffers))
		return
	}
	for _, id := range slices.Sorted(maps.Keys(sellers)) {
		at := fmt.Sprintf("sellers[%.40q].", id)
		v.ID(at+"id", id)
		v.weight(at+"alpha", sellers[id].Alpha)
		v.weight(at+"beta", sellers[id].Beta)
	}
}

func (v *validator) weight(field string, value float64) {
	if !(value >= MinWeight && value <= MaxWeight) {
		v.Add(field, strconv.FormatFloat(value, 'g', -1, 64)+" is out of range", fmt.Sprintf("%g to %d", MinWeight, MaxWeight))
	}
}

// passes checks an offer's chance: its own, or that of its seller.
func (v *validator) passes(field string, o Offer, sellers map[string]Belief) {
	belief, uncertain := sellers[o.Seller]
	stated := strconv.FormatFloat(o.Pass, 'g', -1, 64)
	switch {
	case uncertain && o.Pass != 0 && !(math.Abs(o.Pass-belief.mean()) <= sameChance):
		v.Add(field, stated+" is not the mean of the seller's chance", strconv.FormatFloat(belief.mean(), 'g', -1, 64)+", or nothing")
	case !uncertain && !(o.Pass >= MinPass && o.Pass <= 1):
		v.Add(field, stated+" is out of range", "above 0 (at least 1e-9) and at most 1")
	}
}

func (v *validator) offers(p Problem) {
	seen := make(map[string]int, len(p.Offers))
	for n, o := range p.Offers {
		at := "offers[" + strconv.Itoa(n) + "]."
		if earlier, twice := seen[o.ID]; twice {
			v.Add(at+"id", fmt.Sprintf("is the same as that of offers[%d]", earlier), "an id of its own")
		}
		seen[o.ID] = n
		v.ID(at+"id", o.ID)
		v.Within(at+"price", o.Price, MaxAmount)
		v.Within(at+"sunk", o.Sunk, MaxAmount)
		v.Within(at+"return_loss", o.ReturnLoss, MaxAmount)
		v.Within(at+"days", int64(o.Days), MaxDays)
		if o.Seller != "" {
			v.ID(at+"seller", o.Seller)
		}
		v.passes(at+"pass_probability", o, p.Sellers)
	}
}
