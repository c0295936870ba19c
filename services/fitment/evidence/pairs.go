package evidence

import (
	"cmp"
	"slices"
)

// Pair is two tests that are worth more together than the two apart.
type Pair struct {
	// First and Second are the places of the two, First before Second.
	First, Second int
	// Settles is the chance that the outcomes of both settle the decision, whatever
	// the other tests would say.
	Settles float64
	// Alone is the chance that at least one of the two outcomes settles it by
	// itself.
	Alone float64
}

// Gain is the chance that both outcomes settle the decision where neither of them
// does by itself.
func (p Pair) Gain() float64 { return p.Settles - p.Alone }

// Pairs finds the pairs of tests with a gain of at least least, the greatest gain
// first; equal ones by what they cost, then by place. What information is worth
// does not add up (Howard 1966, "Information value theory", IEEE SSC-2), so what
// tests are worth one at a time can hide such a pair. It is exact: every outcome of
// all tests is tried, of which there are at most 2^12. decide is asked as Order asks
// it, and the errors are the same.
func Pairs(tests []Test, decide func(outcomes []Answer) Answer, least float64) ([]Pair, error) {
	if len(tests) > MaxTests || !sound(tests) {
		return nil, ErrTests
	}
	s := settled{tests: tests, answers: complete(len(tests), decide)}
	if s.by(0, 0) {
		return nil, nil // there is nothing to settle
	}
	var list []Pair
	for i := range tests {
		for j := i + 1; j < len(tests); j++ {
			if p := s.pair(i, j); p.Gain() >= least && p.Gain() > 0 {
				list = append(list, p)
			}
		}
	}
	cost := func(p Pair) float64 { return tests[p.First].Cost + tests[p.Second].Cost }
	slices.SortStableFunc(list, func(a, b Pair) int {
		return cmp.Or(cmp.Compare(b.Gain(), a.Gain()), cmp.Compare(cost(a), cost(b)))
	})
	return list, nil
}

// complete lists what is decided for every outcome of n tests: bit i of the place
// is set where test i says yes.
func complete(n int, decide func([]Answer) Answer) []Answer {
	answers, outcomes := make([]Answer, 1<<n), make([]Answer, n)
	for k := range answers {
		for i := range outcomes {
			outcomes[i] = Of(k>>i&1 == 1)
		}
		answers[k] = And(decide(outcomes)) // folds anything odd into Unknown
	}
	return answers
}

// settled tells which outcomes settle a decision.
type settled struct {
	tests   []Test
	answers []Answer
}

// by tells whether the tests whose bits are set in known settle the decision with
// the outcomes that the bits of said are: all completions agree.
func (s *settled) by(known, said int) bool {
	others := (len(s.answers) - 1) &^ known
	for rest := others; ; rest = (rest - 1) & others {
		if s.answers[rest|said] != s.answers[others|said] {
			return false
		}
		if rest == 0 {
			return true
		}
	}
}

// pair weighs two tests over their four outcomes.
func (s *settled) pair(i, j int) Pair {
	p := Pair{First: i, Second: j}
	first, second := 1<<i, 1<<j
	for _, said := range [...]int{0, first, second, first | second} {
		chance := s.tests[i].chance(said&first != 0) * s.tests[j].chance(said&second != 0)
		switch {
		case s.by(first, said&first) || s.by(second, said&second):
			p.Alone += chance
			p.Settles += chance
		case s.by(first|second, said):
			p.Settles += chance
		}
	}
	return p
}

// chance is that of an outcome.
func (t Test) chance(yes bool) float64 {
	if yes {
		return t.Yes
	}
	return 1 - t.Yes
}
