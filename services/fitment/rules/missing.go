package rules

import (
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// test is a piece of evidence that is worth getting: about an attribute, about
// the vehicle, or, where no single piece would do, about one rule.
type test struct {
	ask    Ask
	rules  []int // places of the rules it settles
	forced bool  // stands for its rules' answers themselves
	value  string
	maker  string // of a part number, where it is known
}

// tests finds a set of evidence that, all of it good, makes the listing fit. What
// follows from a good part number is not asked for apart.
func (c *Case) tests(now *world) []*test {
	w, try := *now, world{}
	var list []*test
	for open := w.unsettled(); open != 0; {
		t := c.pick(&w, &try, open)
		w.suppose(t, true)
		after := w.unsettled()
		if !t.forced {
			if t.rules = (open &^ after).inOrder(); len(t.rules) == 0 { // one of several things that a rule waits for
				t.rules = []int{open.first()}
			}
		}
		open = after
		if t.forced { // one question about the vehicle settles every rule that waits for it
			if at := slices.IndexFunc(list, func(o *test) bool { return o.forced && o.ask.Text == t.ask.Text }); at >= 0 {
				list[at].rules = append(list[at].rules, t.rules...)
				continue
			}
		}
		list = append(list, t)
	}
	return list
}

// pick chooses what to ask for to settle the first of the unsettled rules; try is
// room to try in.
func (c *Case) pick(w, try *world, open ruleSet) *test {
	rule := open.first()
	result := w.table[rule].Check(&w.Case)
	if result.Vehicle != "" {
		return &test{ask: Ask{Text: result.Vehicle, Minutes: vehicleMinutes, Good: vehicleGood}, rules: []int{rule}, forced: true}
	}
	conditions := 0
	if w.table[rule].Parts != nil {
		conditions = w.open()
	}
	for _, attribute := range w.reads(&w.table[rule]) {
		t := &test{ask: Ask{Attribute: attribute}, value: c.good(attribute)}
		if t.value == "" {
			continue
		}
		if attribute == aNumber {
			_, t.maker = c.goodNumber()
		}
		*try = *w
		try.suppose(t, true)
		after := try.unsettled()
		settles := !after.has(rule) && after.size() < open.size()
		if settles || (conditions > 0 && after&^open == 0 && try.open() < conditions) {
			t.ask = c.policy.askFor(attribute)
			return t
		}
	}
	attribute := w.table[rule].Reads[0]
	if result.About != 0 {
		attribute = result.About
	}
	ask := Ask{
		Attribute: attribute, Minutes: otherMinutes, Good: otherGood,
		Text: "Get evidence about " + words[attribute] + " that settles this: " + result.Why + ".",
	}
	return &test{ask: ask, rules: []int{rule}, forced: true}
}

// missing is the evidence worth getting, and the order of least expected work to a
// decision.
type missing struct {
	now   world
	tests []*test
	plan  evidence.Plan
	// caution is set where the order is not proven to be the best.
	caution string
}

// missing works out what is missing, from the rules' answers as they are now.
func (c *Case) missing(answers *[len(registry)]evidence.Answer) *missing {
	m := &missing{now: world{Case: *c, answers: *answers}}
	m.now.year, _ = c.statedYear()
	m.tests = c.tests(&m.now)
	costs := make([]evidence.Test, len(m.tests))
	for i, t := range m.tests {
		costs[i] = evidence.Test{Cost: t.ask.Minutes, Yes: t.ask.Good}
	}
	m.plan = evidence.Ratio(costs)
	deciding := m.now.tables(m.tests)
	if m.plan.Exact = m.now.conjunctive(deciding, m.tests); m.plan.Exact {
		return m
	}
	for i := range deciding {
		m.now.fill(&deciding[i], m.tests)
	}
	exact, err := evidence.Order(costs, func(outcomes []evidence.Answer) evidence.Answer { return evidence.Of(fits(deciding, outcomes)) })
	switch {
	case err != nil:
		m.caution = "More than 12 things are missing: their order is by cost over chance of failing, which is close to the least work but not proven to be it."
	case len(exact.Order) > 0: // none where both outcomes would do, but one must be had
		m.plan = exact
	}
	return m
}

// list writes what is missing for people, in order.
func (m *missing) list() []*fitmentv1.MissingEvidence {
	list := make([]*fitmentv1.MissingEvidence, 0, len(m.plan.Order))
	for _, i := range m.plan.Order {
		list = append(list, m.now.describe(m.tests[i]))
	}
	return list
}

// describe writes a test for people.
func (w *world) describe(t *test) *fitmentv1.MissingEvidence {
	bad := *w
	bad.suppose(t, false)
	ids := make([]string, 0, len(t.rules))
	for _, i := range t.rules {
		ids = append(ids, w.table[i].ID)
	}
	reason := "It would settle " + strings.Join(ids, ", ") + "."
	alone := bad.refused()
	if alone {
		reason += " A bad answer alone ends the matter."
	}
	return &fitmentv1.MissingEvidence{
		Attribute: t.ask.Attribute, Ask: t.ask.Text, Reason: reason,
		Rules: ids, Minutes: t.ask.Minutes, DecidesAlone: alone,
	}
}
