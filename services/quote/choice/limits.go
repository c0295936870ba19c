package choice

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/problem"
)

// maxLimit bounds the limits on amounts, in minor units: a thousand times the
// largest amount, which floating-point numbers still hold exactly.
const maxLimit = 1000 * plan.MaxAmount

// validate refuses limits that are no limits.
func (l Limits) validate() error {
	var fields problem.Fields
	fields.Within("limits.max_cost", l.MaxCost, maxLimit)
	fields.Within("limits.max_cvar", l.MaxCVaR, maxLimit)
	if !(l.MaxDays >= 0 && l.MaxDays <= maxLimit) {
		fields.Add("limits.max_days", number(l.MaxDays)+" is out of range", "a number of days, or 0 for no limit")
	}
	if !(l.MinLowerBound >= 0 && l.MinLowerBound < 1) {
		fields.Add("limits.min_lower_bound", number(l.MinLowerBound)+" is out of range", "above 0 and below 1, or 0 for no limit")
	}
	return fields.Err()
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// admit leaves out the offers whose lower bound is too low. Places says where
// those that are left stand in the problem.
func (l Limits) admit(p plan.Problem) (admitted plan.Problem, places []int, out []ShutOut) {
	admitted = p
	admitted.Offers = nil
	for n, offer := range p.Offers {
		bound, bounded := l.LowerBounds[offer.ID]
		if l.MinLowerBound > 0 && bounded && !(bound >= l.MinLowerBound) {
			out = append(out, ShutOut{offer.ID, bound})
			continue
		}
		admitted.Offers = append(admitted.Offers, offer)
		places = append(places, n)
	}
	return admitted, places, out
}

// allow tells whether a point is within the limits on its numbers.
func (l Limits) allow(point Point) bool {
	for _, one := range l.numbers() {
		if !one.allows(point) {
			return false
		}
	}
	return true
}

// limit is a limit on a number of a point.
type limit struct {
	field, name string
	most        float64
	of          func(Point) float64
	write       func(value float64, currency string) string
}

func (l limit) allows(point Point) bool { return l.of(point) <= l.most }

// numbers lists the limits on numbers that are on.
func (l Limits) numbers() []limit {
	money := func(value float64, currency string) string {
		return amount.Format(int64(value), currency) + " " + currency
	}
	// Rounded up, so that the limit may be set to what is written.
	days := func(value float64, _ string) string { return number(math.Ceil(value*1000)/1000) + " days" }
	all := []limit{
		{"max_cost", "expected cost", float64(l.MaxCost), func(p Point) float64 { return float64(p.ExpectedCost) }, money},
		{"max_cvar", "mean cost of the worst 5 in 100", float64(l.MaxCVaR), func(p Point) float64 { return float64(p.CVaR95) }, money},
		{"max_days", "expected days", l.MaxDays, func(p Point) float64 { return p.ExpectedDays }, days},
	}
	return slices.DeleteFunc(all, func(l limit) bool { return l.most == 0 })
}

// Miss says how near one comes to a limit that leaves nothing.
type Miss struct {
	// Limit is its field's name, such as max_cost.
	Limit string
	// Asked is the limit and Nearest what comes nearest to it, as written.
	Asked, Nearest string
	// Alone is true where Nearest keeps all other limits, so that moving this one
	// there is enough.
	Alone bool
	// Words say the same in a sentence.
	Words string
}

// misses says for each limit what comes nearest to it, of the points and of the
// offers that were shut out.
func (l Limits) misses(currency string, points []Point, out []ShutOut) []Miss {
	var all []Miss
	limits := l.numbers()
	for n, one := range limits {
		if len(points) == 0 {
			break
		}
		others := slices.Delete(slices.Clone(limits), n, n+1)
		kept := slices.DeleteFunc(slices.Clone(points), func(point Point) bool {
			return slices.ContainsFunc(others, func(other limit) bool { return !other.allows(point) })
		})
		all = append(all, one.miss(currency, points, kept))
	}
	if len(out) > 0 {
		all = append(all, l.missedBound(out))
	}
	return all
}

// miss says what comes nearest to a limit: of the points that keep all others, or
// else of all.
func (l limit) miss(currency string, points, kept []Point) Miss {
	m := Miss{Limit: l.field, Asked: l.write(l.most, currency), Alone: len(kept) > 0}
	among := kept
	if !m.Alone {
		among = points
	}
	nearest := l.of(among[0])
	for _, point := range among {
		nearest = min(nearest, l.of(point))
	}
	m.Nearest = l.write(nearest, currency)
	switch {
	case m.Alone:
		m.Words = fmt.Sprintf("With the other limits as they are, the least %s is %s; the limit is %s.", l.name, m.Nearest, m.Asked)
	case nearest <= l.most:
		m.Words = fmt.Sprintf("The least %s is %s, within the limit of %s, but nothing that keeps the other limits is left.", l.name, m.Nearest, m.Asked)
	default:
		m.Words = fmt.Sprintf("The least %s of all is %s; the limit is %s, and nothing keeps the other limits either.", l.name, m.Nearest, m.Asked)
	}
	return m
}

// missedBound names the offer that comes nearest to the limit on lower bounds.
func (l Limits) missedBound(out []ShutOut) Miss {
	best := slices.MaxFunc(out, func(a, b ShutOut) int {
		switch {
		case a.LowerBound < b.LowerBound:
			return -1
		case a.LowerBound > b.LowerBound:
			return 1
		}
		return 0
	})
	m := Miss{Limit: "min_lower_bound", Asked: number(l.MinLowerBound), Nearest: number(math.Floor(best.LowerBound*1e4) / 1e4)}
	m.Words = fmt.Sprintf("Of the %d offers that the limit on lower bounds shuts out, %s comes nearest with %s; the limit is %s.",
		len(out), best.ID, m.Nearest, m.Asked)
	return m
}
