package evidence

import (
	"cmp"
	"errors"
	"math"
	"slices"
)

// MaxTests is the greatest number of tests that Order solves exactly.
const MaxTests = 12

// Test is a piece of evidence that could be got.
type Test struct {
	// Cost of getting it, in any one unit; not negative.
	Cost float64
	// Yes is the probability that it comes out Yes, 0 to 1, independent of the
	// other tests.
	Yes float64
}

// Plan is how to decide at the least expected cost.
type Plan struct {
	// Order lists the tests worth making: the best first one, then the best
	// next one on the likelier of the branches that stay undecided, and so on.
	// Tests that cannot change the decision from there on are left out.
	Order []int
	// Expected is the expected cost of the best policy, which may choose the
	// next test by what the ones before said.
	Expected float64
	// Exact is false where the ratio order was taken without proof.
	Exact bool
}

// ErrTests means that a test's cost or probability is out of range, or that
// there are more than MaxTests.
var ErrTests = errors.New("evidence: at most 12 tests, each with a finite cost of at least 0 and a probability from 0 to 1")

// Order finds the testing policy of least expected cost: stochastic Boolean
// function evaluation, solved exactly over the 3^n states of knowledge (review:
// Ünlüyurt 2004, "Sequential testing of complex systems"). decide is asked only
// about complete states, each test being Yes or No, and may answer Unknown;
// testing goes on until every completion agrees. Ties go to the earlier test.
func Order(tests []Test, decide func(outcomes []Answer) Answer) (Plan, error) {
	if len(tests) > MaxTests || !sound(tests) {
		return Plan{}, ErrTests
	}
	s := newSolver(tests, decide)
	s.solve()
	return Plan{Order: s.path(), Expected: s.cost[0], Exact: true}, nil
}

// sound tells whether every cost and probability is in range.
func sound(tests []Test) bool {
	for _, t := range tests {
		if !(t.Cost >= 0) || math.IsInf(t.Cost, 0) || !(t.Yes >= 0 && t.Yes <= 1) {
			return false
		}
	}
	return true
}

// Ratio orders tests that must all come out Yes: by cost over the chance of
// failing, ascending, which is optimal for a pure conjunction (Mitten 1960, from
// memory). A test that cannot fail comes last. Expected is exact for a pure
// conjunction; Exact is left to the caller, who knows whether it is one.
func Ratio(tests []Test) Plan {
	order := make([]int, len(tests))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(tests[a].ratio(), tests[b].ratio()) })
	expected, reach := 0.0, 1.0
	for _, i := range order {
		expected += reach * tests[i].Cost
		reach *= tests[i].Yes
	}
	return Plan{Order: order, Expected: expected}
}

// ratio is cost over the chance of failing; a test that cannot fail comes last
// whatever it costs.
func (t Test) ratio() float64 {
	if t.Yes >= 1 {
		return math.Inf(1)
	}
	return t.Cost / (1 - t.Yes)
}

// A state of knowledge is a number in base 3: digit i is 0 where test i is not
// made, 1 where it said No, 2 where it said Yes.
const (
	open = iota
	saidNo
	saidYes
)

// solver works through the states from the most to the least known: making a
// test always leads to a higher number.
type solver struct {
	tests []Test
	power []int     // 3^i
	value []int8    // what all completions agree on, as an Answer; 0 where they differ
	cost  []float64 // least expected cost to go
	next  []int8    // best next test; -1 where settled
	// decide answers a complete state.
	decide func([]Answer) Answer
	// digits are those of the state being worked on.
	digits []int8
}

func newSolver(tests []Test, decide func([]Answer) Answer) *solver {
	s := &solver{
		tests: tests, decide: decide, power: make([]int, len(tests)+1),
		digits: make([]int8, len(tests)),
	}
	states := 1
	for i := range s.power {
		s.power[i] = states
		states *= 3
	}
	states = s.power[len(tests)]
	s.value = make([]int8, states)
	s.cost = make([]float64, states)
	s.next = make([]int8, states)
	return s
}

// solve fills value, cost and next for every state.
func (s *solver) solve() {
	for i := range s.digits {
		s.digits[i] = saidYes
	}
	outcomes := make([]Answer, len(s.tests))
	for state := len(s.value) - 1; state >= 0; state-- {
		s.next[state] = -1
		s.settle(state, outcomes)
		s.countDown()
	}
}

// countDown takes one off the state's digits.
func (s *solver) countDown() {
	for i := range s.digits {
		if s.digits[i] > 0 {
			s.digits[i]--
			return
		}
		s.digits[i] = saidYes
	}
}

// settle works out one state, of which every higher one is done.
func (s *solver) settle(state int, outcomes []Answer) {
	first := slices.Index(s.digits, open)
	if first < 0 {
		for i, digit := range s.digits {
			outcomes[i] = Of(digit == saidYes)
		}
		s.value[state] = int8(And(s.decide(outcomes))) // folds anything odd into Unknown
		return
	}
	step := s.power[first]
	if no, yes := s.value[state+step*saidNo], s.value[state+step*saidYes]; no == yes && no != 0 {
		s.value[state] = no
		return
	}
	best := math.Inf(1)
	for i := first; i < len(s.digits); i++ {
		if s.digits[i] != open {
			continue
		}
		t := &s.tests[i]
		no, yes := state+s.power[i]*saidNo, state+s.power[i]*saidYes
		if cost := t.Cost + (1-t.Yes)*s.cost[no] + t.Yes*s.cost[yes]; cost < best {
			best, s.next[state] = cost, int8(i)
		}
	}
	s.cost[state] = best
}

// path follows the best policy along undecided branches, the likelier one first.
func (s *solver) path() []int {
	var order []int
	state := 0
	for s.next[state] >= 0 {
		i := int(s.next[state])
		order = append(order, i)
		no, yes := state+s.power[i]*saidNo, state+s.power[i]*saidYes
		switch {
		case s.next[yes] < 0:
			state = no
		case s.next[no] < 0 || s.tests[i].Yes >= 0.5:
			state = yes
		default:
			state = no
		}
	}
	return order
}
