package quote

import (
	"fmt"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/working"
)

// workings say how the basket's numbers came about.
func (b *fillings) workings() []working.Step {
	steps := make([]working.Step, 0, len(b.chosen)+2)
	together := make([]int64, 0, 2*len(b.chosen))
	for line, c := range b.chosen {
		steps = append(steps, b.fields[line].worthStep(fmt.Sprintf("line %d, worth of %s", line+1, c.option.GetSource()), c, b.worth[c]))
		together = append(together, b.worth[c])
	}
	currency := b.fields[0].in.Currency
	together = append(together, b.shares(b.chosen)...)
	steps = append(steps, working.Sum("bought together", currency, b.cost(b.chosen), together...))
	apart := make([]int64, 0, 2*len(b.apart))
	for line, c := range b.apart {
		if c != b.chosen[line] {
			steps = append(steps, b.fields[line].worthStep(fmt.Sprintf("line %d by itself, worth of %s", line+1, c.option.GetSource()), c, b.worth[c]))
		}
		apart = append(apart, b.worth[c])
		if once := c.once(); once > 0 {
			apart = append(apart, once)
		}
	}
	return append(steps, working.Sum("each line by itself", currency, b.separate, apart...))
}

// worthStep is the working of what a candidate counts with.
func (f *field) worthStep(number string, c *candidate, value int64) working.Step {
	cash := func(minor int64) string { return working.Term(minor, f.in.Currency) }
	step := working.Step{Number: number, Value: amount.Format(value, f.in.Currency)}
	offer := c.planOffer()
	days := fmt.Sprintf("%d × %s", offer.Days, cash(f.in.DayCost))
	if c.option.GetCondition() == quotev1.Offer_NEW {
		step.Formula = cash(c.unfitted()-c.once()) + " + " + days
	} else {
		pass := prose.Decimal(offer.Pass)
		step.Formula = fmt.Sprintf("%s + (%s + %s + (1 − %s) × %s) / %s", cash(offer.Price), cash(offer.Sunk-c.once()), days, pass, cash(offer.ReturnLoss), pass) + working.Rounded
		step.Source = "Weitzman, Econometrica 47(3), 1979, seen from the cost side"
	}
	return step
}
