package plan

import (
	"fmt"
	"math/big"
	"strings"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/working"
)

const (
	// maxTraced is how many offers are traced one by one; what is computed from the
	// distribution is traced for any number.
	maxTraced = 24
	// places is how many decimal places chances and days are shown with.
	places = 6

	weitzman  = "reservation index, Weitzman, Econometrica 47(3), 1979"
	posterior = "mean of the Beta posterior after failures"
	tailMean  = "CVaR, Rockafellar and Uryasev, Journal of Risk 2(3), 2000"
)

// tracer writes down how a plan's numbers came about.
type tracer struct {
	m     *Model
	steps []working.Step
}

// workings traces a policy with its law and the days at which it is to be ready.
func (m *Model) workings(policy Policy, method string, law law, days []Ready) []working.Step {
	t := tracer{m: m}
	if f := m.problem.Fallback; f != nil {
		t.money("cost of the fallback", t.amount(f.Price)+t.perDay(f.Days), new(big.Rat).SetInt64(m.problem.fallbackCost()), "")
	}
	if method == MethodIndex {
		order := m.ByIndex()
		for _, i := range order[:min(len(order), maxTraced)] {
			t.index(i)
		}
	}
	t.tries(policy)
	t.totals(law, days)
	return t.steps
}

// money adds a step whose value is an amount, given in minor units.
func (t *tracer) money(number, formula string, minor *big.Rat, source string) {
	digits := amount.Digits(t.m.problem.Currency)
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(digits)), nil)
	t.add(number, formula, new(big.Rat).Quo(minor, new(big.Rat).SetInt(scale)).FloatString(digits), source)
}

// chance adds a step whose value is a chance or a number of days.
func (t *tracer) chance(number, formula string, value *big.Rat, source string) {
	t.add(number, formula, value.FloatString(places), source)
}

func (t *tracer) add(number, formula, value, source string) {
	t.steps = append(t.steps, working.Step{Number: number, Formula: formula + working.Rounded, Value: value, Source: source})
}

func (t *tracer) amount(minor int64) string { return working.Term(minor, t.m.problem.Currency) }

// perDay is the term of days that cost something.
func (t *tracer) perDay(days int32) string {
	if t.m.problem.DayCost == 0 || days == 0 {
		return ""
	}
	return fmt.Sprintf(" + %d × %s", days, t.amount(t.m.problem.DayCost))
}

// passing writes an offer's chance after failures of its seller.
func (t *tracer) passing(i int, failed []int) (formula, source string) {
	o := t.m.offers[i]
	if o.seller < 0 {
		return prose.Decimal(o.Pass), ""
	}
	s := t.m.beliefs[o.seller]
	return fmt.Sprintf("(%s / (%s + %s + %d))", prose.Decimal(s.a), prose.Decimal(s.a), prose.Decimal(s.b), failed[o.seller]), posterior
}

// index traces an offer's reservation index.
func (t *tracer) index(i int) {
	o := t.m.offers[i]
	pass, _ := t.passing(i, make([]int, len(t.m.beliefs)))
	formula := fmt.Sprintf("%s + (%s%s + (1 − %s) × %s) / %s",
		t.amount(o.Price), t.amount(o.Sunk), t.perDay(o.Days), pass, t.amount(o.ReturnLoss), pass)
	t.money("index of "+o.ID, formula, t.m.index(i), weitzman)
}

// tries traces what each try costs and how likely it is to be the last.
func (t *tracer) tries(policy Policy) {
	failed := make([]int, len(t.m.beliefs))
	left := big.NewRat(1, 1)
	var at stage
	traced := 0
	for _, batch := range policy.Batches {
		if traced += len(batch); traced > maxTraced {
			return
		}
		before := at
		at = t.m.enter(before, batch, nil)
		for _, i := range at.order {
			t.kept(before, at, i)
			pass, of := t.m.chance(i, failed)
			formula, source := t.passing(i, failed)
			chance := new(big.Rat).SetFrac(pass, of)
			t.chance("chance of keeping "+t.m.offers[i].ID, exactly(left)+" × "+formula, new(big.Rat).Mul(left, chance), source)
			rest := new(big.Rat).Mul(left, chance.Sub(big.NewRat(1, 1), chance))
			t.chance("chance that "+t.m.offers[i].ID+" fails after all before it", exactly(left)+" × (1 − "+formula+")", rest, source)
			left = rest
			if seller := t.m.offers[i].seller; seller >= 0 {
				failed[seller]++
			}
		}
		t.lost(before, at)
	}
	t.end(at, policy.Fallback)
}

// end traces the cost where everything fails.
func (t *tracer) end(at stage, fallback bool) {
	formula := t.amount(at.spent)
	end := t.m.last(at, fallback)
	base := at.spent
	if fallback {
		base += t.m.problem.fallbackCost()
		formula += " + " + t.amount(t.m.problem.fallbackCost())
	}
	if late := end.Cost - base; late > 0 {
		formula += " + " + t.amount(late)
	}
	t.money("cost if all fail", formula, new(big.Rat).SetInt64(end.Cost), "")
}

// kept traces the cost where an offer is the part that is kept.
func (t *tracer) kept(before, at stage, offer int) {
	terms := t.batch(before, at)
	for _, i := range at.order {
		if i == offer {
			terms = append(terms, t.amount(t.m.offers[i].Price))
		} else {
			terms = append(terms, t.amount(t.m.offers[i].ReturnLoss))
		}
	}
	if late := t.m.late(at.days); late > 0 {
		terms = append(terms, t.amount(late))
	}
	t.money("cost if "+t.m.offers[offer].ID+" is kept", strings.Join(terms, " + "), new(big.Rat).SetInt64(t.m.keep(at, offer)), "")
}

// lost traces what is spent where a whole batch goes back.
func (t *tracer) lost(before, at stage) {
	terms := t.batch(before, at)
	for _, i := range at.order {
		terms = append(terms, t.amount(t.m.offers[i].ReturnLoss))
	}
	name := strings.Join(t.m.ids(at.order), ", ")
	t.money("spent when all up to "+name+" failed", strings.Join(terms, " + "), new(big.Rat).SetInt64(at.spent), "")
}

// batch lists what is spent before a batch, on its days and on what is sunk in it.
func (t *tracer) batch(before, at stage) []string {
	terms := make([]string, 0, 2*len(at.order)+2) // there is more to come
	terms = append(terms, t.amount(before.spent)+t.perDay(at.days-before.days))
	for _, i := range at.order {
		terms = append(terms, t.amount(t.m.offers[i].Sunk))
	}
	return terms
}

// totals traces what follows from the law.
func (t *tracer) totals(l law, ready []Ready) {
	cost, days := l.means()
	chances, costs, times := make([]string, len(l.ends)), make([]string, len(l.ends)), make([]string, len(l.ends))
	var never []string
	for n, end := range l.ends {
		chances[n] = l.exactly(end.weight)
		costs[n] = chances[n] + " × " + t.amount(end.cost)
		times[n] = fmt.Sprintf("%s × %d", chances[n], end.days)
		if end.never {
			never = append(never, chances[n])
		}
	}
	t.money("expected cost", strings.Join(costs, " + "), cost, "")
	t.chance("expected days", strings.Join(times, " + "), days, "")
	if len(never) > 0 {
		t.parts("chance of ending unrepaired", strings.Join(never, " + "), l, l.parts(func(end exact) bool { return end.never }))
	}
	t.tail(l, chances)
	t.ready(l, ready)
}

// parts adds a step whose value is the chance of so many parts.
func (t *tracer) parts(number, formula string, l law, parts *big.Int) {
	t.add(number, formula, l.decimal(parts, places), "")
}

// tail traces the quantile and the CVaR; chances are those of the ends.
func (t *tracer) tail(l law, chances []string) {
	quantile := l.quantile(level95)
	var below, above []string
	for n, end := range l.ends {
		if end.cost <= quantile {
			below = append(below, chances[n])
		} else {
			above = append(above, fmt.Sprintf("%s × (%s − %s)", chances[n], t.amount(end.cost), t.amount(quantile)))
		}
	}
	reached := l.parts(func(end exact) bool { return end.cost <= quantile })
	t.parts("chance that the cost is at most "+t.amount(quantile)+", the least with 0.95 or more", strings.Join(below, " + "), l, reached)
	formula := t.amount(quantile)
	if len(above) > 0 {
		formula += " + (" + strings.Join(above, " + ") + ") / (1 − 0.95)"
	}
	t.money("mean cost of the worst 5 in 100", formula, l.cvar(level95), tailMean)
}

// ready traces the chance of being ready by each of these days, which rise.
func (t *tracer) ready(l law, days []Ready) {
	before, sum := int32(-1), new(big.Int)
	for _, by := range days {
		added := l.parts(func(end exact) bool { return !end.never && end.days > before && end.days <= by.Days })
		formula := l.exactly(added)
		if before >= 0 {
			formula = l.exactly(sum) + " + " + formula
		}
		sum.Add(sum, added)
		t.parts(fmt.Sprintf("chance of being ready by day %d", by.Days), formula, l, sum)
		before = by.Days
	}
}

// exactly writes the chance of so many parts. Where the parts are so small that no
// short fraction can be meant, reducing it would take nearly all the time of a
// plan of many offers.
func (l *law) exactly(parts *big.Int) string {
	const short = 1024 // bits
	if l.whole.BitLen() > short {
		return l.decimal(parts, cut)
	}
	return exactly(l.probability(parts))
}

// decimal writes the chance of so many parts with so many decimal places, a half
// rounded up.
func (l *law) decimal(parts *big.Int, places int) string {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	scaled := new(big.Int).Mul(parts, scale)
	scaled.Lsh(scaled, 1).Add(scaled, l.whole)
	scaled.Quo(scaled, new(big.Int).Lsh(l.whole, 1))
	whole, rest := new(big.Int).QuoRem(scaled, scale, new(big.Int))
	return fmt.Sprintf("%d.%0*d", whole, places, rest)
}

// cut is with how many decimal places a chance is written that cannot be written
// exactly.
const cut = 30

// exactly writes a chance as a decimal number where it has at most 20 decimal
// places, else as a fraction where that is short, else to 30 places.
func exactly(p *big.Rat) string {
	const most = 20
	if places, finite := p.FloatPrec(); finite && places <= most {
		return p.FloatString(places)
	}
	if text := p.String(); len(text) <= 2*most {
		return "(" + strings.Replace(text, "/", " / ", 1) + ")"
	}
	return p.FloatString(cut)
}
