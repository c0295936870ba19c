package plan

import (
	"fmt"
	"math"
	"strconv"
	"unicode/utf8"

	"beltwright.example/services/platform/amount"
)

// Limits of a Problem. Within them no sum can overflow 64 bits.
const (
	// MaxAmount bounds every amount, in minor units.
	MaxAmount = amount.Max
	// MaxDays bounds days.
	MaxDays = 3650
	// MaxOffers bounds the offers.
	MaxOffers = 200
	// MaxID bounds an id, in characters.
	MaxID = 300
	// MinPass is the smallest chance that is worth writing down.
	MinPass = 1e-9
)

// Violation names a field of the problem, what is wrong and what would be right.
type Violation struct {
	Field, Problem, Expected string
}

// InvalidError lists everything that is wrong with a problem.
type InvalidError struct {
	Violations []Violation
}

// Error names the first violation.
func (e *InvalidError) Error() string {
	first := e.Violations[0]
	return fmt.Sprintf("plan: %s %s; expected %s (%d in all)", first.Field, first.Problem, first.Expected, len(e.Violations))
}

type validator struct{ violations []Violation }

func (v *validator) add(field, problem, expected string) {
	v.violations = append(v.violations, Violation{field, problem, expected})
}

func (v *validator) within(field string, value, high int64) {
	if value < 0 || value > high {
		v.add(field, strconv.FormatInt(value, 10)+" is out of range", fmt.Sprintf("0 to %d", high))
	}
}

func (p Problem) validate() error {
	var v validator
	if !amount.Known(p.Currency) {
		v.add("currency_code", fmt.Sprintf("%.20q is no currency in use", p.Currency), "an active code of ISO 4217, such as USD")
	}
	v.within("day_cost", p.DayCost, MaxAmount)
	if p.Fallback != nil {
		v.within("fallback.price", p.Fallback.Price, MaxAmount)
		v.within("fallback.days", int64(p.Fallback.Days), MaxDays)
	}
	if n := len(p.Offers); n > MaxOffers {
		v.add("offers", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", MaxOffers))
	}
	if len(p.Offers) == 0 && p.Fallback == nil {
		v.add("offers", "is empty and there is no fallback", "something to buy")
	}
	v.offers(p.Offers)
	if len(v.violations) > 0 {
		return &InvalidError{v.violations}
	}
	return nil
}

func (v *validator) offers(offers []Offer) {
	seen := make(map[string]int, len(offers))
	for n, o := range offers {
		at := "offers[" + strconv.Itoa(n) + "]."
		if earlier, twice := seen[o.ID]; twice {
			v.add(at+"id", fmt.Sprintf("is the same as that of offers[%d]", earlier), "an id of its own")
		}
		seen[o.ID] = n
		if o.ID == "" || utf8.RuneCountInString(o.ID) > MaxID {
			v.add(at+"id", "is empty or too long", fmt.Sprintf("1 to %d characters", MaxID))
		}
		v.within(at+"price", o.Price, MaxAmount)
		v.within(at+"sunk", o.Sunk, MaxAmount)
		v.within(at+"return_loss", o.ReturnLoss, MaxAmount)
		v.within(at+"days", int64(o.Days), MaxDays)
		if math.IsNaN(o.Pass) || o.Pass < MinPass || o.Pass > 1 {
			v.add(at+"pass_probability", strconv.FormatFloat(o.Pass, 'g', -1, 64)+" is out of range", "above 0 (at least 1e-9) and at most 1")
		}
	}
}
