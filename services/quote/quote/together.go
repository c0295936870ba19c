package quote

import (
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working"
)

const (
	// maxJoint bounds how many pairs of ends are put together for what all lines cost:
	// a few milliseconds.
	maxJoint = 20_000
	// writtenPlaces is with how many decimal places the chances are written that the
	// lines' chances are made of.
	writtenPlaces = 12
	// maxNamed is how many sellers are named at most.
	maxNamed = 3
)

// lineLaw is how the plan of a line can end.
type lineLaw struct {
	// law is that of its days and of what is bought, sent and sent back, without what
	// days or being late cost: the lines share the days.
	law plan.Law
	// sellers are those that the plan may buy from.
	sellers []string
}

// lawOf is how a line ends that follows a policy over these candidates.
func (f *field) lawOf(problem plan.Problem, policy plan.Policy, tried []*candidate) (lineLaw, error) {
	problem.DayCost, problem.Deadline, problem.LateCost = 0, 0, 0
	model, err := plan.Compile(problem)
	if err != nil {
		return lineLaw{}, fmt.Errorf("plan: %w", err)
	}
	law, err := model.Evaluate(policy)
	if err != nil {
		return lineLaw{}, fmt.Errorf("plan: %w", err)
	}
	of := lineLaw{law: law}
	for _, batch := range policy.Batches {
		for _, i := range batch {
			of.sellers = append(of.sellers, sellerKey(tried[i].option.GetSource()))
		}
	}
	if policy.Fallback && f.fallback != nil {
		of.sellers = append(of.sellers, sellerKey(f.fallback.option.GetSource()))
	}
	slices.Sort(of.sellers)
	of.sellers = slices.Compact(of.sellers)
	return of, nil
}

// together tells what the plans of all lines come to: when all lines are ready, what
// all of it costs, and what that takes for granted.
type together struct {
	currency string
	lines    []lineLaw
	steps    []working.Step
}

// tell gives the sentence, and how its numbers came about.
func (t *together) tell() (note string, steps []working.Step) {
	note = t.ready() + " " + t.costs()
	if shared := t.shared(); len(shared) > 0 {
		note += fmt.Sprintf(" The lines' plans are taken to be independent of each other, which they are only where no seller is shared: more than one line may buy of %s, whose parts tend to pass or to fail alike.", prose.Some(shared, maxNamed))
	} else {
		note += " The lines' plans share no seller, so they are taken to be independent of each other."
	}
	return note, t.steps
}

// shared are the sellers that more than one line may buy from.
func (t *together) shared() []string {
	lines := make(map[string]int)
	var shared []string
	for _, line := range t.lines {
		for _, seller := range line.sellers {
			if lines[seller]++; lines[seller] == 2 {
				_, name, _ := strings.Cut(seller, "/")
				shared = append(shared, name)
			}
		}
	}
	slices.Sort(shared)
	return slices.Compact(shared)
}

// ready says how likely all lines are ready by which day.
func (t *together) ready() string {
	days := t.days()
	said := make([]string, len(days))
	all := big.NewRat(1, 1)
	for i, day := range days {
		all.SetInt64(1)
		chance := big.NewRat(1, 1) // as the factors are written
		factors := make([]string, len(t.lines))
		for n, line := range t.lines {
			ready := line.law.ReadyBy(day)
			factors[n] = written(ready, chance)
			all.Mul(all, ready)
		}
		t.add(fmt.Sprintf("chance that all lines are ready by day %d", day), strings.Join(factors, " × "), chance.FloatString(chancePlaces))
		said[i] = fmt.Sprintf("%s by day %d", percentOf(all), day)
	}
	text := "All lines ready: " + prose.List(said) + "."
	if all.Cmp(big.NewRat(1, 1)) < 0 {
		text = strings.TrimSuffix(text, ".") + "; else a line stays without a part."
	}
	return text
}

// days are those worth telling of: of all days on which a line can become ready the
// first ones by which all lines are with 1, 5, 8 and 9.5 in 10 at least, and the last
// one. Floating-point numbers are enough to choose them.
func (t *together) days() []int32 {
	var all []int32
	ready := make([]map[int32]float64, len(t.lines)) // by line and day: the chance of just that day
	for i, line := range t.lines {
		ready[i] = make(map[int32]float64)
		for _, end := range line.law.Ends {
			if !end.Unrepaired {
				ready[i][end.Days] += end.Probability
				all = append(all, end.Days)
			}
		}
	}
	slices.Sort(all)
	all = slices.Compact(all)
	var told []int32
	levels := []float64{.1, .5, .8, .95}
	so := make([]float64, len(t.lines))
	for i, day := range all {
		chance := 1.0
		for line := range t.lines {
			so[line] += ready[line][day]
			chance *= so[line]
		}
		reached := 0
		for reached < len(levels) && chance >= levels[reached] {
			reached++
		}
		if levels = levels[reached:]; reached > 0 || i == len(all)-1 {
			told = append(told, day)
		}
	}
	return told
}

// costs says what the purchases of all lines cost in the mean, and what they cost at
// most in 95 of 100 cases unless there are too many ways to end.
func (t *together) costs() string {
	mean := new(big.Rat)
	means := make([]string, len(t.lines))
	for i, line := range t.lines {
		each := big.NewRat(1, 1)
		means[i] = written(t.major(line.law.Mean()), each)
		mean.Add(mean, each)
	}
	value := mean.FloatString(amount.Digits(t.currency))
	t.add("mean cost of what all lines buy", strings.Join(means, " + "), value)
	text := fmt.Sprintf("What all plans buy costs %s %s in the mean", value, t.currency)
	if most, found := t.most(); found {
		text += fmt.Sprintf(" and at most %s %s in 95 of 100 cases", amount.Format(most, t.currency), t.currency)
	}
	return text + "; days, fitting and supplies are not in it."
}

// most is the least cost that is not exceeded in 95 of 100 cases; none is found where
// the ways to end are too many to be put together.
func (t *together) most() (int64, bool) {
	last := t.lines[len(t.lines)-1].law
	joint := t.lines[0].law
	for i, line := range t.lines[1:] {
		if len(joint.Ends)*len(line.law.Ends) > maxJoint {
			return 0, false
		}
		both, err := plan.Both(joint, line.law)
		if err != nil {
			return 0, false // too dear to be added up
		}
		if i == len(t.lines)-2 {
			most := both.Quantile(big.NewRat(95, 100))
			t.trace(joint, last, most)
			return most, true
		}
		joint = both
	}
	return 0, false
}

// trace adds the working of the chance that two laws together cost at most so much.
func (t *together) trace(before, last plan.Law, most int64) {
	sum := new(big.Rat)
	terms := make([]string, len(last.Ends))
	for i, end := range last.Ends {
		var below float64
		for _, other := range before.Ends {
			if other.Cost <= most-end.Cost {
				below += other.Probability
			}
		}
		product := big.NewRat(1, 1)
		terms[i] = written(new(big.Rat).SetFloat64(end.Probability), product) + " × " + written(new(big.Rat).SetFloat64(below), product)
		sum.Add(sum, product)
	}
	number := fmt.Sprintf("chance that what all lines buy costs at most %s, the least with 0.95 or more", amount.Format(most, t.currency))
	t.add(number, strings.Join(terms, " + "), sum.FloatString(chancePlaces))
}

// major is an amount in the currency's major unit.
func (t *together) major(minor *big.Rat) *big.Rat {
	unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(amount.Digits(t.currency))), nil)
	return new(big.Rat).Quo(minor, new(big.Rat).SetInt(unit))
}

func (t *together) add(number, formula, value string) {
	t.steps = append(t.steps, working.Step{Number: number, Formula: formula + working.Rounded, Value: value})
}

// written writes a number with 12 decimal places, the zeros at its end left out, and
// multiplies into by what is written.
func written(value, into *big.Rat) string {
	text := value.FloatString(writtenPlaces)
	text = strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
	rounded, _ := new(big.Rat).SetString(text)
	into.Mul(into, rounded)
	return text
}

// percentOf writes a chance that is not 1 as less than 100 %, however near it is.
func percentOf(chance *big.Rat) string {
	value, _ := chance.Float64()
	if chance.Cmp(big.NewRat(1, 1)) < 0 {
		value = min(value, math.Nextafter(1, 0))
	}
	return prose.Percent(value)
}
