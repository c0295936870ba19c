package rules

import (
	"math/bits"
	"slices"

	"beltwright.example/services/fitment/evidence"
)

// ruleSet is a set of places in the order in which open rules are asked about.
type ruleSet uint64

// askOrder lists the rules that count in the order in which they are asked about:
// the number and the VIN first, since much follows from them; askPlace is each
// rule's place in it.
var (
	askOrder = orderOfAsking()
	askPlace = placesOf(askOrder)
)

func orderOfAsking() []int {
	var list []int
	for i, rule := range registry {
		if rule.Severity != advice {
			list = append(list, i)
		}
	}
	rank := func(rule int) int {
		switch registry[rule].ID {
		case "number.matches":
			return 0
		case "provenance.donor_vin":
			return 1
		default:
			return 2
		}
	}
	slices.SortStableFunc(list, func(a, b int) int { return rank(a) - rank(b) })
	return list
}

func placesOf(order []int) [len(registry)]int {
	var list [len(registry)]int
	for place, rule := range order {
		list[rule] = place
	}
	return list
}

func (s ruleSet) has(rule int) bool { return s>>askPlace[rule]&1 == 1 }
func (s ruleSet) size() int         { return bits.OnesCount64(uint64(s)) }
func (s ruleSet) first() int        { return askOrder[bits.TrailingZeros64(uint64(s))] }

// inOrder lists the rules.
func (s ruleSet) inOrder() []int {
	list := make([]int, 0, s.size())
	for ; s != 0; s &= s - 1 {
		list = append(list, s.first())
	}
	return list
}

// readers lists, by attribute, the rules that count and depend on it.
var readers = readersOf()

func readersOf() map[Attribute][]int {
	index := map[Attribute][]int{}
	for _, rule := range askOrder {
		for _, attribute := range registry[rule].Reads {
			index[attribute] = append(index[attribute], rule)
		}
	}
	return index
}

// world is a case with assumed outcomes of tests and the answers that follow. It
// is a value: a copy goes its own way.
type world struct {
	Case

	answers [len(registry)]evidence.Answer
	// assumed marks the rules whose answers are assumed themselves.
	assumed [len(registry)]bool
	// fixedDonor and fixedLoops mark that donor and loops are assumed.
	fixedDonor, fixedLoops bool
	// fixedMaker marks that the part's maker is assumed by itself, so that an assumed
	// number brings none with it.
	fixedMaker bool
	// year is the donor's model year as stated before any assumption, 0 for none: a
	// VIN that is assumed to be good agrees with it.
	year int32
}

// suppose adds a test's outcome and works out the answers that depend on it.
func (w *world) suppose(t *test, good bool) {
	w.assume(t, good)
	if t.forced {
		return
	}
	for _, rule := range readers[t.ask.Attribute] {
		w.refresh(rule)
	}
}

// refresh works out one rule's answer anew.
func (w *world) refresh(rule int) {
	if !w.assumed[rule] {
		w.answers[rule] = w.table[rule].Check(&w.Case).Answer
	}
}

// open counts the conditions that do not hold yet: of a rule of several parts
// each part that does not say yes.
func (w *world) open() int {
	n := 0
	for _, rule := range askOrder {
		switch parts := w.table[rule].Parts; {
		case w.answers[rule] == evidence.Yes:
		case parts == nil || w.assumed[rule]:
			n++
		default:
			for _, part := range parts(&w.Case) {
				if part.Check(&w.Case).Answer != evidence.Yes {
					n++
				}
			}
		}
	}
	return n
}

// assume adds a test's outcome and leaves the answers as they are, but for those
// that the test stands for.
func (w *world) assume(t *test, good bool) {
	if t.forced {
		for _, rule := range t.rules {
			w.answers[rule], w.assumed[rule] = evidence.Of(good), true
		}
		return
	}
	switch t.ask.Attribute {
	case aLoop:
		w.loops, w.fixedLoops = assumedLoops(good), true
	case aVIN:
		w.donor, w.fixedDonor, w.scan = &donorVIN{answer: Result{Answer: evidence.Of(good)}}, true, nil
		if good && w.year != 0 {
			w.donor.years = []int32{w.year}
		}
	default:
		value := t.value
		if !good {
			value = w.other(t.ask.Attribute)
		}
		w.fixedMaker = w.fixedMaker || t.ask.Attribute == aMaker
		if good && t.maker != "" && !w.fixedMaker { // the label shows both
			w.claims = w.claims.With(aMaker, t.maker, w.day)
		}
		w.state(t.ask.Attribute, value)
	}
}

// state makes an attribute stand as shown, and forgets what followed from what
// was stated of it before.
func (w *world) state(attribute Attribute, value string) {
	w.claims = w.claims.With(attribute, value, w.day)
	switch attribute {
	case aNumber, aMaker:
		w.prepare()
	case aCodes:
		w.scan = nil
	default:
	}
	switch attribute {
	case aNumber, aMaker, aStages, aKind, aPosition:
		if !w.fixedLoops {
			w.loops = nil
		}
	case aYear:
		w.scan = nil
		if !w.fixedDonor {
			w.donor = nil
		}
	default:
	}
}

// unsettled is the set of rules that count and do not say yes.
func (w *world) unsettled() ruleSet {
	var set ruleSet
	for place, rule := range askOrder {
		if w.answers[rule] != evidence.Yes {
			set |= 1 << place
		}
	}
	return set
}

// refused tells whether the listing is barred or does not fit: some rule that
// counts says no.
func (w *world) refused() bool {
	return slices.ContainsFunc(askOrder, func(rule int) bool { return w.answers[rule] == evidence.No })
}

// table says in which outcomes of the tests that a condition depends on it says
// yes: bit k of yes stands for the outcomes in which those tests are good whose
// bits are set in k. It is empty until it is filled.
type table struct {
	check func(*Case) Result
	tests []int
	yes   []uint64
}

func (t *table) says(k int) bool { return t.yes[k/64]>>(k%64)&1 == 1 }

// tables makes the tables of the conditions that count and depend on tests. A rule
// that a test stands for depends on that test alone, every other one on the tests
// of the attributes that it reads; a rule of several parts has a table for each.
func (c *Case) tables(tests []*test) []table {
	list := make([]table, 0, len(askOrder))
	for _, place := range askOrder {
		if i := standsFor(tests, place); i >= 0 {
			list = append(list, table{tests: []int{i}, yes: []uint64{0b10}})
			continue
		}
		rule := &c.table[place]
		parts := []Part{{rule.Reads, rule.Check}}
		if rule.Parts != nil {
			parts = rule.Parts(c)
		}
		for _, part := range parts {
			t := table{check: part.Check}
			for i, one := range tests {
				if !one.forced && slices.Contains(part.Reads, one.ask.Attribute) {
					t.tests = append(t.tests, i)
				}
			}
			if len(t.tests) > 0 {
				list = append(list, t)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b table) int { return len(a.tests) - len(b.tests) })
	return list
}

// standsFor is the place of the test that stands for a rule's answer itself, −1
// where there is none.
func standsFor(tests []*test, rule int) int {
	return slices.IndexFunc(tests, func(t *test) bool { return t.forced && slices.Contains(t.rules, rule) })
}

// fill tries every outcome of a table's tests.
func (w *world) fill(t *table, tests []*test) {
	if t.yes != nil {
		return
	}
	t.yes = make([]uint64, 1+1<<len(t.tests)/64)
	var try world
	for k := range 1 << len(t.tests) {
		try = *w
		for bit, i := range t.tests {
			try.assume(tests[i], k>>bit&1 == 1)
		}
		if t.check(&try.Case).Answer == evidence.Yes {
			t.yes[k/64] |= 1 << (k % 64)
		}
	}
}

// fits tells whether the listing fits where all tests have the outcomes; rules
// that depend on none of them say yes, since all good makes it fit.
func fits(tables []table, outcomes []evidence.Answer) bool {
	for i := range tables {
		k := 0
		for bit, test := range tables[i].tests {
			if outcomes[test] == evidence.Yes {
				k |= 1 << bit
			}
		}
		if !tables[i].says(k) {
			return false
		}
	}
	return true
}

// conjunctive proves that the listing fits exactly where all tests come out good:
// all good makes it fit (tests ends with that), and each test has a rule that
// never says yes where that test is bad, whatever the other tests that the rule
// depends on say. For such a conjunction the ratio order is the exact optimum.
// It fills only the tables that it needs, those of few tests first.
func (w *world) conjunctive(list []table, tests []*test) bool {
	vetoed := make([]bool, len(tests))
	for i := range list {
		t := &list[i]
		if !slices.ContainsFunc(t.tests, func(test int) bool { return !vetoed[test] }) {
			continue
		}
		w.fill(t, tests)
		for bit, test := range t.tests {
			vetoed[test] = vetoed[test] || t.vetoes(bit)
		}
	}
	return !slices.Contains(vetoed, false)
}

// vetoes tells whether the rule never says yes where one of its tests is bad.
func (t *table) vetoes(bit int) bool {
	for k := range 1 << len(t.tests) {
		if k>>bit&1 == 0 && t.says(k) {
			return false
		}
	}
	return true
}
