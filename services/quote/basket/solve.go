package basket

import "cmp"

// solve runs branch and bound, and where that does not end soon, the dynamic program
// if it can.
func (m *market) solve(b Budget) answer {
	b.Nodes = cmp.Or(max(b.Nodes, 0), DefaultNodes)
	patient := b
	if m.parts <= MaxSubsetParts {
		patient.Nodes = min(b.Nodes, m.patience())
	}
	s := newSearch(m, patient)
	low := s.explore()
	found := answer{total: s.best, bound: min(low, s.best), to: s.to, nodes: s.nodes, method: BranchAndBound}
	if m.parts > MaxSubsetParts || found.bound == found.total {
		return found
	}
	return s.bySubsets(found, b.Stop)
}

// patience is after how many nodes the dynamic program is likely to be faster.
func (m *market) patience() int {
	const (
		least = 100
		// a node takes about as long as touching each offer so many times
		touches = 50
	)
	additions := 1
	for range m.parts {
		additions *= 3
	}
	return max(least, additions/6/(touches*m.many))
}

// bySubsets improves on what branch and bound found, with the bids and the sellers
// of its root to tell what need not be looked at.
func (s *search) bySubsets(found answer, stop func() bool) answer {
	found.method = SubsetProgramming
	clear(s.standings)
	s.begin()
	s.bid()
	found.total, found.to = s.best, s.to // the bids may have found a better way
	s.shut(s.sum)
	var sellers []int
	for i, standing := range s.standings {
		if standing == free {
			sellers = append(sellers, i)
		}
	}
	t := subsets{m: s.m, stop: stop}
	t.bundles(sellers)
	t.solve(s.bids, s.best-s.sum)
	if t.ended {
		return found
	}
	if t.least[len(t.least)-1] < found.total {
		found.total = s.m.assign(used(t.assignment(sellers)), found.to)
	}
	found.bound = found.total
	return found
}
