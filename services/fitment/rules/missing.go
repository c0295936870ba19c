package rules

import (
	"fmt"
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
	costs []evidence.Test
	// deciding says which outcomes make the listing fit.
	deciding []table
	plan     evidence.Plan
	// conjunction is set where the listing is proven to fit exactly where all comes
	// out good.
	conjunction bool
	// caution is set where the order is not proven to be the best.
	caution string
}

// missing works out what is missing, from the rules' answers as they are now.
func (c *Case) missing(answers *[len(registry)]evidence.Answer) *missing {
	m := &missing{now: world{Case: *c, answers: *answers}}
	m.now.year, _ = c.statedYear()
	m.tests = c.tests(&m.now)
	m.costs = make([]evidence.Test, len(m.tests))
	for i, t := range m.tests {
		m.costs[i] = evidence.Test{Cost: t.ask.Minutes, Yes: t.ask.Good}
	}
	m.plan = evidence.Ratio(m.costs)
	m.deciding = m.now.tables(m.tests)
	if m.plan.Exact = m.now.conjunctive(m.deciding, m.tests); m.plan.Exact {
		m.conjunction = true
		return m
	}
	for i := range m.deciding {
		m.now.fill(&m.deciding[i], m.tests)
	}
	exact, err := evidence.Order(m.costs, m.decide)
	switch {
	case err != nil:
		m.caution = "More than 12 things are missing: their order is by cost over chance of failing, which is close to the least work but not proven to be it."
	case len(exact.Order) > 0: // none where both outcomes would do, but one must be had
		m.plan = exact
	}
	return m
}

// decide tells whether the listing fits where what is missing comes out as said.
func (m *missing) decide(outcomes []evidence.Answer) evidence.Answer {
	return evidence.Of(fits(m.deciding, outcomes))
}

const (
	// maxPairs bounds the pairs that a decision lists.
	maxPairs = 5
	// leastGain is the chance from which on a pair is worth a word (a choice of this
	// project, no source).
	leastGain = 0.01
)

// pairs lists the pairs among what is listed as missing that can settle the matter
// where neither of the two does alone. Where all of it must come out good there is
// none: a bad answer settles it alone, and a good one waits for all the others; and
// of two missing things it goes without saying that both together settle it. More
// than evidence.MaxTests things are not tried: a caution says so of their order.
func (m *missing) pairs() []*fitmentv1.MissingPair {
	if m.conjunction || len(m.tests) <= 2 {
		return nil
	}
	found, err := evidence.Pairs(m.costs, m.decide, leastGain)
	if err != nil {
		return nil
	}
	var list []*fitmentv1.MissingPair
	for _, p := range found {
		first, second := slices.Index(m.plan.Order, p.First), slices.Index(m.plan.Order, p.Second)
		if first < 0 || second < 0 || len(list) == maxPairs {
			continue // not asked for as things stand
		}
		list = append(list, &fitmentv1.MissingPair{
			First: int32(min(first, second)), Second: int32(max(first, second)),
			Minutes: m.costs[p.First].Cost + m.costs[p.Second].Cost,
			Settles: p.Settles, Reason: pairReason(p),
		})
	}
	return list
}

// pairReason says why a pair is worth more than its parts.
func pairReason(p evidence.Pair) string {
	if p.Alone == 0 {
		return fmt.Sprintf("Neither of the two can settle the matter alone; together they do with a chance of %.0f %%.", 100*p.Settles)
	}
	return fmt.Sprintf("Together they settle the matter with a chance of %.0f %%; one of the two alone would with %.0f %%.", 100*p.Settles, 100*p.Alone)
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
