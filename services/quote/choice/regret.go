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

// world is a state in which certain free offers pass and, of the others that the
// plan tries, the one at other; nobody where that is nobody.
type world struct {
	free  set
	other int
}

const nobody = -1

// worlds lists the states that are possible.
func (f *field) worlds() []world {
	others := []int{nobody}
	for n := range f.problem.Offers {
		if !slices.Contains(f.free, n) && f.tried(n) {
			others = append(others, n)
		}
	}
	var all []world
	for n := range 1 << len(f.free) {
		free := set(n)
		if slices.ContainsFunc(f.places(f.all()&^free), f.sure) {
			continue
		}
		for _, other := range others {
			all = append(all, world{free, other})
		}
	}
	return all
}

// tried tells whether any policy tries an offer that is not free.
func (f *field) tried(offer int) bool {
	return slices.Contains(f.rest, offer) || (f.own != nil && slices.ContainsFunc(f.own.Batches, func(batch []int) bool { return slices.Contains(batch, offer) }))
}

// passes tells whether an offer passes in a state.
func (f *field) passes(w world, offer int) bool {
	if n := slices.Index(f.free, offer); n >= 0 {
		return w.free&(1<<n) != 0
	}
	return offer == w.other || f.sure(offer)
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
			if !settled || w.other == nobody {
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
		if w.other == nobody {
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
			Source:  "",
		})
	}
}

// state names the offers that pass and fail; of those that are not free only the
// ones that pass.
func (f *field) state(w world) State {
	s := f.row(w)
	if w.other != nobody {
		s.Passes = append(s.Passes, f.problem.Offers[w.other].ID)
	}
	s.OthersFail = len(f.problem.Offers) > len(f.free)
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
