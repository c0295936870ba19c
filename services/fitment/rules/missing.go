package rules

import (
	"slices"
	"strings"
	"time"

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
}

// world is a listing with assumed outcomes of tests.
type world struct {
	case0   *Case
	claims  evidence.Claims
	assumed map[int]evidence.Answer
	donor   *donorVIN
	loops   *loops
}

func (c *Case) world() *world {
	return &world{case0: c, claims: c.claims, assumed: map[int]evidence.Answer{}}
}

// suppose adds a test's outcome.
func (w *world) suppose(t *test, good bool) {
	if t.forced {
		for _, i := range t.rules {
			w.assumed[i] = evidence.Of(good)
		}
		return
	}
	switch t.ask.Attribute {
	case aLoop:
		w.loops = assumedLoops(good)
	case aVIN:
		w.donor = &donorVIN{answer: Result{Answer: evidence.Of(good)}}
		if year, known := w.case0.statedYear(); known && good {
			w.donor.years = []int32{year}
		}
	default:
		value := t.value
		if !good {
			value = w.case0.other(t.ask.Attribute)
		}
		w.claims = w.claims.With(t.ask.Attribute, value, w.case0.today.Format(time.DateOnly))
	}
}

// prepared is the case of this world.
func (w *world) prepared() *Case {
	c := caseOf(w.case0.Question, w.claims)
	c.donor, c.loops = w.donor, w.loops
	if c.donor == nil && c.claims.Fact(aVIN) == w.case0.claims.Fact(aVIN) && c.claims.Fact(aYear) == w.case0.claims.Fact(aYear) {
		c.donor = w.case0.donor
	}
	return c
}

func (w *world) answer(c *Case, rule int) Result {
	if a, ok := w.assumed[rule]; ok {
		return Result{Answer: a}
	}
	return registry[rule].Check(c)
}

// unsettled lists the rules that count and do not say yes, the number and the VIN
// first: much follows from them.
func (w *world) unsettled() []int {
	c := w.prepared()
	var list []int
	for i, rule := range registry {
		if rule.Severity != advice && w.answer(c, i).Answer != evidence.Yes {
			list = append(list, i)
		}
	}
	slices.SortStableFunc(list, func(a, b int) int { return rank(a) - rank(b) })
	return list
}

func rank(rule int) int {
	switch registry[rule].ID {
	case "number.matches":
		return 0
	case "provenance.donor_vin":
		return 1
	default:
		return 2
	}
}

// tests finds a set of evidence that, all of it good, makes the listing fit. What
// follows from a good part number is not asked for apart.
func (c *Case) tests() []*test {
	w := c.world()
	var list []*test
	for open := w.unsettled(); len(open) > 0; open = w.unsettled() {
		t := c.pick(w, open[0])
		w.suppose(t, true)
		after := w.unsettled()
		if !t.forced {
			t.rules = slices.DeleteFunc(slices.Clone(open), func(i int) bool { return slices.Contains(after, i) })
		}
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

// pick chooses what to ask for to settle a rule.
func (c *Case) pick(w *world, rule int) *test {
	result := w.answer(w.prepared(), rule)
	if result.Vehicle != "" {
		return &test{ask: Ask{Text: result.Vehicle, Minutes: vehicleMinutes, Good: vehicleGood}, rules: []int{rule}, forced: true}
	}
	before := w.unsettled()
	for _, attribute := range registry[rule].Reads {
		t := &test{ask: c.policy.askFor(attribute), value: c.good(attribute)}
		if t.value == "" {
			continue
		}
		try := *w
		try.suppose(t, true)
		after := try.unsettled()
		if !slices.Contains(after, rule) && len(after) < len(before) {
			return t
		}
	}
	attribute := registry[rule].Reads[0]
	ask := Ask{
		Attribute: attribute, Minutes: otherMinutes, Good: otherGood,
		Text: "Get evidence about " + words[attribute] + " that settles this: " + result.Why + ".",
	}
	return &test{ask: ask, rules: []int{rule}, forced: true}
}

// missing lists the evidence worth getting, in the order of least expected work
// to a decision, with the expected minutes and, where the order is not proven to
// be the best, a caution.
func (c *Case) missing() (list []*fitmentv1.MissingEvidence, minutes float64, caution string) {
	tests := c.tests()
	costs := make([]evidence.Test, len(tests))
	for i, t := range tests {
		costs[i] = evidence.Test{Cost: t.ask.Minutes, Yes: t.ask.Good}
	}
	plan := evidence.Ratio(costs)
	plan.Exact = c.conjunctive(tests)
	if !plan.Exact {
		exact, err := evidence.Order(costs, func(outcomes []evidence.Answer) evidence.Answer { return c.fits(tests, outcomes) })
		switch {
		case err != nil:
			caution = "More than 12 things are missing: their order is by cost over chance of failing, which is close to the least work but not proven to be it."
		case len(exact.Order) > 0: // none where both outcomes would do, but one must be had
			plan = exact
		}
	}
	for _, i := range plan.Order {
		list = append(list, c.describe(tests[i]))
	}
	return list, plan.Expected, caution
}

// fits tells whether the listing fits where all tests have the outcomes.
func (c *Case) fits(tests []*test, outcomes []evidence.Answer) evidence.Answer {
	w := c.world()
	for i, t := range tests {
		w.suppose(t, outcomes[i] == evidence.Yes)
	}
	return evidence.Of(w.prepared().verdict(w.assumed) == fitmentv1.Decision_FITS)
}

// conjunctive proves that the listing fits exactly where all tests come out good:
// all good makes it fit, and each test has a rule that withholds its yes where
// that test is bad, whatever the other tests that the rule depends on say.
// For such a conjunction the ratio order is the exact optimum.
func (c *Case) conjunctive(tests []*test) bool {
	all := make([]evidence.Answer, len(tests))
	for i := range all {
		all[i] = evidence.Yes
	}
	if c.fits(tests, all) != evidence.Yes {
		return false
	}
	for _, t := range tests {
		if !t.forced && !c.vetoed(t, tests) {
			return false
		}
	}
	return true
}

// vetoed tells whether some rule never says yes where the test is bad.
func (c *Case) vetoed(t *test, tests []*test) bool {
	for i, rule := range registry {
		if rule.Severity == advice || !slices.Contains(rule.Reads, t.ask.Attribute) {
			continue
		}
		if slices.ContainsFunc(tests, func(o *test) bool { return o.forced && slices.Contains(o.rules, i) }) {
			continue
		}
		if c.withholds(i, t, tests) {
			return true
		}
	}
	return false
}

// withholds tries every outcome of the other tests that a rule depends on. A rule
// reads the donor's VIN and year, and what follows from the number, through the
// attributes it lists.
func (c *Case) withholds(rule int, t *test, tests []*test) bool {
	var others []*test
	for _, o := range tests {
		if o != t && !o.forced && slices.Contains(registry[rule].Reads, o.ask.Attribute) {
			others = append(others, o)
		}
	}
	for mask := range 1 << len(others) {
		w := c.world()
		w.suppose(t, false)
		for i, o := range others {
			w.suppose(o, mask>>i&1 == 1)
		}
		if w.answer(w.prepared(), rule).Answer == evidence.Yes {
			return false
		}
	}
	return true
}

// describe writes a test for people.
func (c *Case) describe(t *test) *fitmentv1.MissingEvidence {
	w := c.world()
	w.suppose(t, false)
	alone := false
	switch w.prepared().verdict(w.assumed) {
	case fitmentv1.Decision_BARRED, fitmentv1.Decision_DOES_NOT_FIT:
		alone = true
	default:
	}
	ids := make([]string, 0, len(t.rules))
	for _, i := range t.rules {
		ids = append(ids, registry[i].ID)
	}
	reason := "It would settle " + strings.Join(ids, ", ") + "."
	if alone {
		reason += " A bad answer alone ends the matter."
	}
	return &fitmentv1.MissingEvidence{
		Attribute: t.ask.Attribute, Ask: t.ask.Text, Reason: reason,
		Rules: ids, Minutes: t.ask.Minutes, DecidesAlone: alone,
	}
}
