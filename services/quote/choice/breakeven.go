package choice

import (
	"math/big"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working"
)

// breakEvens fills in the break-even day cost between each point and the next.
//
// A policy's expected cost rises with the cost of a day by its expected days. Two
// policies so cost the same at one cost of a day, D + (E₂ − E₁) / (d₁ − d₂) with
// their costs E at the present one D: the saving of the slower one, divided by
// the days that it takes longer.
func breakEvens(p plan.Problem, points []Point) {
	for n := range max(len(points)-1, 0) {
		point, next := &points[n], points[n+1]
		saved := new(big.Rat).Sub(next.mean, point.mean)
		days := new(big.Rat).Sub(point.days, next.days)
		if days.Sign() == 0 {
			continue
		}
		at := saved.Quo(saved, days)
		if at.Add(at, new(big.Rat).SetInt64(p.DayCost)); at.Sign() <= 0 {
			continue
		}
		point.BreakEven = at
		point.Workings = append(point.Workings, breakEvenWorking(p, *point, next))
	}
}

// gap is what a break-even is calculated from, in major units and days.
type gap struct{ day, next, cost, days, nextDays *big.Rat }

// breakEven is D + (E₂ − E₁) / (d₁ − d₂); the days differ.
func (g gap) breakEven() *big.Rat {
	at := new(big.Rat).Sub(g.next, g.cost)
	at.Quo(at, new(big.Rat).Sub(g.days, g.nextDays))
	return at.Add(at, g.day)
}

// rounded is the same with so many decimal places; ok is false where the days no
// longer differ.
func (g gap) rounded(places int) (short gap, ok bool) {
	round := func(r *big.Rat) *big.Rat {
		short, _ := new(big.Rat).SetString(r.FloatString(places))
		return short
	}
	short = gap{g.day, round(g.next), round(g.cost), round(g.days), round(g.nextDays)}
	return short, short.days.Cmp(short.nextDays) != 0
}

// formula writes the sum, each number as write does.
func (g gap) formula(day string, write func(*big.Rat) string) string {
	return day + " + (" + write(g.next) + " − " + write(g.cost) + ") / (" + write(g.days) + " − " + write(g.nextDays) + ")" + working.Rounded
}

// breakEvenWorking writes the formula with six places more than amounts have, or
// where the rounded numbers do not give the value with fractions.
func breakEvenWorking(p plan.Problem, point, next Point) working.Step {
	places := amount.Digits(p.Currency)
	unit := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil))
	major := func(minor *big.Rat) *big.Rat { return new(big.Rat).Quo(minor, unit) }
	g := gap{major(new(big.Rat).SetInt64(p.DayCost)), major(next.mean), major(point.mean), point.days, next.days}
	day := amount.Format(p.DayCost, p.Currency)
	step := working.Step{Number: "break-even day cost", Value: g.breakEven().FloatString(places + 2)}
	if short, ok := g.rounded(places + 6); ok && short.breakEven().FloatString(places+2) == step.Value {
		step.Formula = g.formula(day, func(r *big.Rat) string { return r.FloatString(places + 6) })
		return step
	}
	step.Formula = g.formula(day, func(r *big.Rat) string { return "(" + r.Num().String() + " / " + r.Denom().String() + ")" })
	return step
}
