package plan

import (
	"fmt"
	"math"
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
	v.offers(p.Offers)
	return v.Err()
}

func (v *validator) offers(offers []Offer) {
	seen := make(map[string]int, len(offers))
	for n, o := range offers {
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
		if math.IsNaN(o.Pass) || o.Pass < MinPass || o.Pass > 1 {
			v.Add(at+"pass_probability", strconv.FormatFloat(o.Pass, 'g', -1, 64)+" is out of range", "above 0 (at least 1e-9) and at most 1")
		}
	}
}
