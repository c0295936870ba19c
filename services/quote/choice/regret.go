package choice

import (
	"slices"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/working"
)

// regrets says for each state of the world and each policy how much more the
// policy costs there than the policy that is cheapest there (Savage, Journal of
// the American Statistical Association 46(253), 1951, from memory). costs[s][k] is
// what policy k costs in state s; so is the answer laid out.
func regrets(costs [][]int64) [][]int64 {
	table := make([][]int64, 0, len(costs))
	for _, row := range costs {
		least := row[0]
		for _, cost := range row {
			least = min(least, cost)
		}
		regret := make([]int64, 0, len(row))
		for _, cost := range row {
			regret = append(regret, cost-least)
		}
		table = append(table, regret)
	}
	return table
}

// worst is the greatest regret of each policy over all states, and the first
// state that has it.
func worst(table [][]int64) (regret []int64, state []int) {
	if len(table) == 0 {
		return nil, nil
	}
	regret, state = make([]int64, len(table[0])), make([]int, len(table[0]))
	for s, row := range table {
		for k, value := range row {
			if value > regret[k] {
				regret[k], state[k] = value, s
			}
		}
	}
	return regret, state
}

// leastWorst lists the policies whose worst regret is least.
func leastWorst(regret []int64) []int {
	var least []int
	for k, value := range regret {
		if value == slices.Min(regret) {
			least = append(least, k)
		}
	}
	return least
}

// world is a state in which certain free offers pass and certain others.
type world struct {
	free   set
	others []int
}

// worlds lists the states that are possible, as far as they differ for any policy;
// of the same free offers first the one in which all others fail.
func (f *field) worlds() []world {
	others := f.others()
	var all []world
	for n := range 1 << len(f.free) {
		free := set(n)
		if slices.ContainsFunc(f.places(f.all()&^free), f.sure) {
			continue
		}
		for _, passing := range others {
			all = append(all, world{free, passing})
		}
	}
	return all
}

// others lists what may pass of the offers that are not free: none, one, or two
// that the plan buys at once. More make no difference: the plan keeps the one of
// its batch that costs least to keep, and all other policies, where they get to
// these offers, the first in the plan's order.
func (f *field) others() [][]int {
	single, pairs := [][]int{nil}, [][]int(nil)
	if f.own == nil {
		return single
	}
	for _, batch := range f.own.Batches {
		batch = slices.DeleteFunc(slices.Clone(batch), func(n int) bool { return slices.Contains(f.free, n) })
		for n, first := range batch {
			single = append(single, []int{first})
			for _, second := range batch[n+1:] {
				pairs = append(pairs, []int{first, second})
			}
		}
	}
	return append(single, pairs...)
}

// passes tells whether an offer passes in a state.
func (f *field) passes(w world, offer int) bool {
	if n := slices.Index(f.free, offer); n >= 0 {
		return w.free&(1<<n) != 0
	}
	return slices.Contains(w.others, offer) || f.sure(offer)
}

// costs says what the policies cost in the states. Where a policy ends before it
// has tried an offer that is not free, those make no difference to it.
func (f *field) costs(worlds []world, points []Point) [][]int64 {
	table := make([][]int64, 0, len(worlds))
	for range worlds {
		table = append(table, make([]int64, len(points)))
	}
	for k, point := range points {
		settled, cost := false, int64(0)
		for s, w := range worlds {
			if !settled || len(w.others) == 0 {
				settled = true
				cost = f.model.Follow(point.Policy, func(offer int) bool {
					settled = settled && slices.Contains(f.free, offer)
					return f.passes(w, offer)
				}).Cost
			}
			table[s][k] = cost
		}
	}
	return table
}

// regrets fills in the regret table and what follows from it.
func (f *field) regrets(trade *Trade) {
	if len(trade.Points) == 0 {
		return
	}
	worlds := f.worlds()
	costs := f.costs(worlds, trade.Points)
	table := regrets(costs)
	for s, w := range worlds {
		if len(w.others) == 0 {
			trade.Regrets = append(trade.Regrets, Regret{State: f.row(w), Amounts: slices.Clone(table[s])})
			continue
		}
		row := trade.Regrets[len(trade.Regrets)-1].Amounts
		for k, amount := range table[s] {
			row[k] = max(row[k], amount)
		}
	}
	regret, state := worst(table)
	trade.LeastWorst = leastWorst(regret)
	for k := range trade.Points {
		point := &trade.Points[k]
		point.WorstRegret, point.WorstState = regret[k], f.state(worlds[state[k]])
		own := costs[state[k]][k]
		point.Workings = append(point.Workings, working.Step{
			Number:  "worst regret",
			Formula: amount.Format(own, f.problem.Currency) + " − " + amount.Format(own-regret[k], f.problem.Currency),
			Value:   amount.Format(regret[k], f.problem.Currency),
		})
	}
}

// state names the offers that pass and fail; of those that are not free only the
// ones that pass.
func (f *field) state(w world) State {
	s := f.row(w)
	for n, offer := range f.problem.Offers {
		if !slices.Contains(f.free, n) && f.passes(w, n) {
			s.Passes = append(s.Passes, offer.ID)
		}
	}
	s.OthersFail = len(s.Passes)+len(s.Fails) < len(f.problem.Offers)
	return s
}

// row names the free offers only.
func (f *field) row(w world) State {
	var s State
	for _, n := range f.free {
		if f.passes(w, n) {
			s.Passes = append(s.Passes, f.problem.Offers[n].ID)
		} else {
			s.Fails = append(s.Fails, f.problem.Offers[n].ID)
		}
	}
	return s
}
