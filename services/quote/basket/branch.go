package basket

// search is a branch and bound: at each node some sellers are opened or closed for
// good, and the dual bounds what the rest can cost.
type search struct {
	*dual

	budget Budget
	all    []int // every part
	best   int64
	to     []int // seller by part of the best
	nodes  int64
	ended  bool // the budget is used up
	// open are the sellers that choose picked.
	open []int
	// trial and depend are kept from one use to the next, for speed.
	trial, depend []int
}

func newSearch(m *market, b Budget) *search {
	s := &search{dual: newDual(m), budget: b, best: none, to: make([]int, m.parts), trial: make([]int, m.parts)}
	for j := range m.parts {
		s.all = append(s.all, j)
	}
	return s
}

// over tells whether the budget is used up.
func (s *search) over() bool {
	s.ended = s.ended || s.nodes >= int64(s.budget.Nodes) || s.budget.Stop != nil && s.budget.Stop()
	return s.ended
}

// bid raises the bids as far as they go, and finds ways to buy on the way.
func (s *search) bid() {
	before := s.best
	s.spread(s.all)
	s.ascend(s.all)
	s.improve()
	if s.best < before && s.sum < s.best {
		s.polish()
	}
}

// explore searches everything below the present node and returns a bound: nothing
// there costs less than that, or than the best.
func (s *search) explore() int64 {
	s.nodes++
	if !s.begin() {
		return none
	}
	s.bid()
	bound := s.sum
	if bound >= s.best {
		return bound
	}
	seller := s.branch()
	if seller < 0 {
		return bound
	}
	shut := s.shut(bound)
	low := int64(none)
	for _, way := range []standing{opened, closed} {
		s.standings[seller] = way
		below := bound
		if !s.over() {
			below = max(bound, s.explore())
		}
		low = min(low, below)
	}
	s.standings[seller] = free
	for _, i := range shut {
		s.standings[i] = free
	}
	return low
}

// shut closes the sellers that nothing better than the best can buy from: opening
// one costs its slack on top of the bound.
func (s *search) shut(bound int64) []int {
	var shut []int
	for i, standing := range s.standings {
		if standing == free && bound+s.slack[i] >= s.best {
			s.standings[i] = closed
			shut = append(shut, i)
		}
	}
	return shut
}
