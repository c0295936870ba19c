package plan

import (
	"fmt"
	"math"
	"slices"
)

// Policy says what to do: try the batches one after another until a part passes
// its check; then, where all fail, buy the fallback. Since a policy goes on only
// where everything so far failed, no plan can be cleverer than such a list.
//
// All parts of a batch are bought at once and checked when the last one is there.
// The passing part that costs least to keep (its price less its loss on return)
// is kept; every other part of the batch, passing or not, goes back with its
// loss. What is sunk is spent for all of them.
type Policy struct {
	// Batches hold indices into Problem.Offers, none twice, no batch empty.
	Batches [][]int
	// Fallback tells whether the fallback is bought where all fail. Without it the
	// vehicle stays unrepaired then.
	Fallback bool
}

// Evaluate computes exactly how a policy can end. It refuses a policy that makes no
// sense with an InvalidError.
func (m *Model) Evaluate(policy Policy) (Law, error) {
	if err := m.check(policy); err != nil {
		return Law{}, err
	}
	return newLaw(m.law(policy)), nil
}

// check refuses a policy that does not suit the problem.
func (m *Model) check(policy Policy) error {
	var v validator
	if policy.Fallback && m.problem.Fallback == nil {
		v.Add("policy.fallback", "is used and the problem has none", "false")
	}
	var room [MaxOffers]bool
	seen := room[:len(m.offers)]
	for n, batch := range policy.Batches {
		if len(batch) == 0 {
			v.Add(fmt.Sprintf("policy.batches[%d]", n), "is empty", "at least one offer")
		}
		for _, i := range batch {
			if i < 0 || i >= len(seen) || seen[i] {
				v.Add(fmt.Sprintf("policy.batches[%d]", n), fmt.Sprintf("names offer %d, which does not exist or was named before", i),
					"indices into the offers, each at most once")
				continue
			}
			seen[i] = true
		}
	}
	return v.Err()
}

// stage is one batch of a policy, on the way on which everything before it
// failed.
type stage struct {
	// order holds the batch's offers, the one that is kept first of those that
	// pass first.
	order []int
	// spent is what is spent when the batch's check is done, everything before it
	// included, were all of it to go back.
	spent int64
	// days have passed by then.
	days int32
}

// keep is what the way costs in all if the offer is the part that is kept.
func (m *Model) keep(s stage, offer int) int64 {
	o := &m.offers[offer]
	return s.spent + o.Price - o.ReturnLoss + m.late(s.days)
}

// enter buys and checks a batch after the stage before. Room is used for the
// order where it is long enough.
func (m *Model) enter(before stage, batch, room []int) stage {
	s := stage{order: append(room[:0], batch...), spent: before.spent}
	longest := int32(0)
	for _, i := range batch {
		o := &m.offers[i]
		s.spent += o.Sunk + o.ReturnLoss
		longest = max(longest, o.Days)
	}
	slices.SortFunc(s.order, func(a, b int) int { return m.offers[a].keepRank - m.offers[b].keepRank })
	s.days = before.days + longest
	s.spent += m.problem.DayCost * int64(longest)
	return s
}

// last is how a policy ends where everything fails.
func (m *Model) last(s stage, fallback bool) Outcome {
	if !fallback {
		return Outcome{Cost: s.spent + m.never(), Days: s.days, Unrepaired: true}
	}
	days := s.days + m.problem.Fallback.Days
	return Outcome{Cost: s.spent + m.problem.fallbackCost() + m.late(days), Days: days}
}

// late is what being ready after so many days costs beyond the days themselves.
func (m *Model) late(days int32) int64 {
	if m.problem.Deadline > 0 && days > m.problem.Deadline {
		return m.problem.LateCost
	}
	return 0
}

// never is what never being ready costs.
func (m *Model) never() int64 {
	if m.problem.Deadline > 0 {
		return m.problem.LateCost
	}
	return 0
}

// law lists the ways to end: one for each offer, then that every offer fails.
func (m *Model) law(policy Policy) law {
	all := newExactLaw()
	left := all.all() // chance that all offers so far fail, in parts of whole
	failed := make([]int, len(m.beliefs))
	var at stage
	for _, batch := range policy.Batches {
		at = m.enter(at, batch, nil)
		for _, i := range at.order {
			pass, of := m.chance(i, failed)
			all.split(left, pass, of, exact{cost: m.keep(at, i), days: at.days})
			if seller := m.offers[i].seller; seller >= 0 {
				failed[seller]++
			}
		}
	}
	end := m.last(at, policy.Fallback)
	all.ends = append(all.ends, exact{end.Cost, end.Days, end.Unrepaired, left})
	return all.merged()
}

// Follow says how a policy, which Evaluate must take, ends in the world in which
// exactly the offers pass that passes names by their index. The outcome's
// probability is 1.
func (m *Model) Follow(policy Policy, passes func(offer int) bool) Outcome {
	var room [16]int
	var at stage
	for _, batch := range policy.Batches {
		at = m.enter(at, batch, room[:])
		for _, i := range at.order {
			if passes(i) {
				return Outcome{Cost: m.keep(at, i), Days: at.days, Probability: 1}
			}
		}
	}
	end := m.last(at, policy.Fallback)
	end.Probability = 1
	return end
}

// Estimate computes a policy's mean cost, CVaR at 0.95 and mean days in
// floating-point numbers, with errors of about 1 part in 10^13; all NaN for a
// policy that Evaluate refuses. It is some hundred times as fast as Evaluate.
func (m *Model) Estimate(policy Policy) (cost, cvar95, days float64) {
	if m.check(policy) != nil {
		return math.NaN(), math.NaN(), math.NaN()
	}
	var room [16]weighed
	ends := m.weigh(policy, room[:0])
	for _, end := range ends {
		cost += end.weight * end.cost
		days += end.weight * end.days
	}
	return cost, worst(ends), days
}

// weighed is a way to end in floating-point numbers.
type weighed struct{ cost, days, weight float64 }

// weigh appends the ways to end of a policy.
func (m *Model) weigh(policy Policy, ends []weighed) []weighed {
	var room, count [16]int
	failed := append(count[:0], make([]int, len(m.beliefs))...)
	left := 1.0
	var at stage
	for _, batch := range policy.Batches {
		at = m.enter(at, batch, room[:])
		for _, i := range at.order {
			pass, fail := m.chances(i, failed)
			ends = append(ends, weighed{float64(m.keep(at, i)), float64(at.days), left * pass})
			left *= fail
			if seller := m.offers[i].seller; seller >= 0 {
				failed[seller]++
			}
		}
	}
	end := m.last(at, policy.Fallback)
	return append(ends, weighed{float64(end.Cost), float64(end.Days), left})
}

// worst is the mean cost of the worst 5 in 100; it sorts the ends.
func worst(ends []weighed) float64 {
	const tail = 0.05
	slices.SortFunc(ends, func(a, b weighed) int {
		switch {
		case a.cost > b.cost:
			return -1
		case a.cost < b.cost:
			return 1
		}
		return 0
	})
	left, sum := tail, 0.0
	for _, end := range ends {
		part := min(left, end.weight)
		sum += part * end.cost
		left -= part
	}
	// What rounding left over belongs to the cheapest end.
	return (sum + left*ends[len(ends)-1].cost) / tail
}
