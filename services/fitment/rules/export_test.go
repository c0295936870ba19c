package rules

import (
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// FitsBoth tells whether a listing fits where what is missing comes out as said,
// once by the rules' tables and once by every rule in a world where all of it is
// assumed; conjunctive is what is proven of the tables.
func FitsBoth(q *Question, listing *fitmentv1.Listing, outcome func(n int) []evidence.Answer) (tabled, checked, conjunctive bool) {
	c := caseOf(q, evidence.ClaimsOf(listing))
	var answers [len(registry)]evidence.Answer
	for i := range c.table {
		answers[i] = c.table[i].Check(c).Answer
	}
	m := c.missing(&answers)
	outcomes := outcome(len(m.tests))
	deciding := m.now.tables(m.tests)
	w := m.now
	for i, t := range m.tests {
		w.assume(t, outcomes[i] == evidence.Yes)
	}
	checked = true
	for _, rule := range askOrder {
		w.refresh(rule)
		checked = checked && w.answers[rule] == evidence.Yes
	}
	conjunctive = m.now.conjunctive(deciding, m.tests)
	for i := range deciding {
		m.now.fill(&deciding[i], m.tests)
	}
	return fits(deciding, outcomes), checked, conjunctive
}

// ForceRule makes one rule of a question answer the same whatever is asked.
func ForceRule(q *Question, id string, answer evidence.Answer) {
	table := slices.Clone(q.table)
	for i := range table {
		if table[i].ID == id {
			table[i].Check = func(*Case) Result { return Result{Answer: answer, Why: "forced"} }
			table[i].Parts = nil
		}
	}
	q.table = table
}

// Answers is every rule's answer, in the order of All.
func Answers(q *Question, listing *fitmentv1.Listing) []evidence.Answer {
	c := caseOf(q, evidence.ClaimsOf(listing))
	list := make([]evidence.Answer, len(q.table))
	for i := range q.table {
		list[i] = q.table[i].Check(c).Answer
	}
	return list
}

// SettlesByRules is the chance that two of the things that a decision lists as
// missing settle it, and that one of them alone does, by asking every rule in every
// world of outcomes; told is the number of worlds.
func SettlesByRules(q *Question, listing *fitmentv1.Listing, first, second int) (settles, alone float64, told int) {
	c := caseOf(q, evidence.ClaimsOf(listing))
	var answers [len(registry)]evidence.Answer
	for i := range c.table {
		answers[i] = c.table[i].Check(c).Answer
	}
	m := c.missing(&answers)
	one, other := m.plan.Order[first], m.plan.Order[second]
	fit := make([]bool, 1<<len(m.tests))
	for k := range fit {
		w := m.now
		for i, t := range m.tests {
			w.assume(t, k>>i&1 == 1)
		}
		fit[k] = true
		for _, rule := range askOrder {
			w.refresh(rule)
			fit[k] = fit[k] && w.answers[rule] == evidence.Yes
		}
	}
	agree := func(mask, said int) bool {
		seen := map[bool]bool{}
		for k := range fit {
			if k&mask == said {
				seen[fit[k]] = true
			}
		}
		return len(seen) == 1
	}
	a, b := 1<<one, 1<<other
	for _, said := range []int{0, a, b, a | b} {
		chance := 1.0
		for i, bit := range map[int]int{one: a, other: b} {
			if said&bit != 0 {
				chance *= m.costs[i].Yes
			} else {
				chance *= 1 - m.costs[i].Yes
			}
		}
		if agree(a|b, said) {
			settles += chance
		}
		if agree(a, said&a) || agree(b, said&b) {
			alone += chance
		}
	}
	return settles, alone, len(fit)
}
