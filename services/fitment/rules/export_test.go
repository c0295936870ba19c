package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// FitsBoth tells whether a listing fits where what is missing comes out as said,
// once by the rules' tables and once by every rule in a world where all of it is
// assumed; conjunctive is what is proven of the tables.
func FitsBoth(q *Question, listing *fitmentv1.Listing, outcome func(n int) []evidence.Answer) (tabled, checked, conjunctive bool) {
	c := caseOf(q, evidence.ClaimsOf(listing))
	var answers [len(registry)]evidence.Answer
	for i, rule := range registry {
		answers[i] = rule.Check(c).Answer
	}
	m := c.missing(&answers)
	outcomes := outcome(len(m.tests))
	deciding := tables(m.tests)
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
