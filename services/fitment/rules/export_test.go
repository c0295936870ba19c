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
