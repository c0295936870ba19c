package plan

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
)

// MaxExact is how many offers an exact search looks at: it compares all ordered
// partitions of all their subsets, by a dynamic program over subsets.
const MaxExact = 12

// The methods by which a plan is found.
const (
	// MethodIndex orders independent offers by their reservation index.
	MethodIndex = "index"
	// MethodExact searches all policies.
	MethodExact = "exact"
)

// needsSearch tells whether the index does not answer the problem: offers share
// an uncertain chance, several may be bought at once, or being late has a price.
func (m *Model) needsSearch() bool {
	if m.problem.Parallel || m.problem.LateCost > 0 {
		return true
	}
	offers := make([]int, len(m.beliefs))
	for i := range m.offers {
		if seller := m.offers[i].seller; seller >= 0 {
			if offers[seller]++; offers[seller] > 1 {
				return true
			}
		}
	}
	return false
}

// best finds the policy of least expected cost. Limited says what a search left
// out.
func (m *Model) best() (policy Policy, method, limited string) {
	policy.Fallback = m.problem.Fallback != nil
	order := m.ByIndex()
	if !m.needsSearch() {
		policy.Batches = oneByOne(order[:m.worthTrying(order)])
		return policy, MethodIndex, ""
	}
	searched := order[:min(len(order), MaxExact)]
	tail := order[len(searched):]
	fate := "left out"
	if policy.Fallback {
		policy.Batches = newSearch(m, searched, nil).run()
	} else {
		fate = "tried after them, one at a time by their index"
		policy.Batches = append(newSearch(m, searched, tail).run(), oneByOne(tail)...)
	}
	if len(tail) > 0 {
		limited = fmt.Sprintf("An exact search takes at most %d offers. Of %d those with the %d best indices were compared in every order; the other %d are %s.",
			MaxExact, len(order), MaxExact, len(tail), fate)
	}
	return policy, MethodExact, limited
}

func oneByOne(offers []int) [][]int {
	batches := make([][]int, 0, len(offers))
	for _, i := range offers {
		batches = append(batches, []int{i})
	}
	return batches
}

// search is the dynamic program. A state is the set of offers that were tried and
// failed, and the days that passed, where they matter. What is expected of a
// seller's next part follows from how many of his parts are in the set.
//
// Values are floating-point numbers. Of policies that cost the same but for 1 part
// in 10^12 the first is taken: stopping before going on, single offers by their
// index before batches.
type search struct {
	m *Model
	// bit gives the offer of each bit, by what it costs to keep; byIndex gives the
	// bits by the offers' index.
	bit, byIndex []int
	// tail is tried one at a time after all others, where there is no fallback.
	tail []int
	// tables over all sets of offers
	spent []float64 // what is spent if all goes back
	days  []int32   // the longest of a batch
	// states by the set that was tried
	states []states
	// of the present set's batches, by batch: the chances that a part passes and that
	// all fail, and the mean of what is paid where one passes, all in all
	pass, fail, paid []float64
}

// same is how much two costs may differ and still count as the same.
const same = 1e-12

// newSearch takes the offers in the order of their index.
func newSearch(m *Model, offers, tail []int) *search {
	s := &search{m: m, bit: slices.Clone(offers), tail: tail}
	slices.SortFunc(s.bit, func(a, b int) int { return m.offers[a].keepRank - m.offers[b].keepRank })
	for _, i := range offers {
		s.byIndex = append(s.byIndex, slices.Index(s.bit, i))
	}
	sets := 1 << len(s.bit)
	s.spent, s.days = make([]float64, sets), make([]int32, sets)
	s.pass, s.fail, s.paid = make([]float64, sets), make([]float64, sets), make([]float64, sets)
	for set := 1; set < sets; set++ {
		last := bits.Len(uint(set)) - 1
		before, o := set&^(1<<last), m.offers[s.bit[last]]
		s.spent[set] = s.spent[before] + float64(o.Sunk+o.ReturnLoss)
		s.days[set] = max(s.days[before], o.Days)
	}
	return s
}

// run finds the best policy's batches.
func (s *search) run() [][]int {
	s.reach()
	for tried := range slices.Backward(s.states) {
		s.solve(tried)
	}
	var batches [][]int
	tried, days := 0, int32(0)
	for {
		batch := s.states[tried].choice[s.states[tried].place(days)]
		if batch == 0 {
			return batches
		}
		batches = append(batches, s.offers(int(batch)))
		tried, days = tried|int(batch), s.after(days, int(batch))
	}
}

// offers lists a set's offers by their index.
func (s *search) offers(set int) []int {
	var all []int
	for _, b := range s.byIndex {
		if set&(1<<b) != 0 {
			all = append(all, s.bit[b])
		}
	}
	return all
}

// after is the day on which a batch's check is done; beyond the deadline all days
// are alike, and without one no day matters.
func (s *search) after(days int32, batch int) int32 {
	if s.m.problem.LateCost == 0 {
		return 0
	}
	return min(days+s.days[batch], s.m.problem.Deadline+1)
}

// batches calls visit for each batch that may be bought when others were tried:
// single offers by their index, then, where allowed, all larger sets.
func (s *search) batches(tried int, visit func(batch int)) {
	for _, b := range s.byIndex {
		if tried&(1<<b) == 0 {
			visit(1 << b)
		}
	}
	if !s.m.problem.Parallel {
		return
	}
	rest := (len(s.spent) - 1) &^ tried
	for batch := rest; batch > 0; batch = (batch - 1) & rest {
		if batch&(batch-1) != 0 {
			visit(batch)
		}
	}
}

// reach finds the days that can have passed for each set of offers tried.
func (s *search) reach() {
	s.states = make([]states, len(s.spent))
	last := int32(0)
	if s.m.problem.LateCost > 0 {
		last = s.m.problem.Deadline + 1
	}
	for set := range s.states {
		s.states[set].reached = make([]uint64, last/64+1)
	}
	s.states[0].add(0)
	for tried := range s.states {
		s.states[tried].close()
		s.batches(tried, func(batch int) {
			next := &s.states[tried|batch]
			for _, days := range s.states[tried].days {
				next.add(s.after(days, batch))
			}
		})
	}
}

// solve finds the best way on for every number of days after a set was tried.
// Larger sets are solved already.
func (s *search) solve(tried int) {
	s.weigh(tried)
	at := &s.states[tried]
	for n, days := range at.days {
		at.value[n] = s.stop(tried, days)
	}
	s.batches(tried, func(batch int) {
		next := &s.states[tried|batch]
		own := s.paid[batch] + s.fail[batch]*s.spent[batch] + float64(s.m.problem.DayCost)*float64(s.days[batch])
		for n, days := range at.days {
			then := s.after(days, batch)
			value := own + s.pass[batch]*float64(s.m.late(then)) + s.fail[batch]*next.value[next.place(then)]
			if value < at.value[n]-same*math.Abs(at.value[n]) || math.IsInf(at.value[n], 1) {
				at.value[n], at.choice[n] = value, uint16(batch)
			}
		}
	})
}

// stop is what it costs to try none of the other offers: the fallback, or, where
// there is none and all were tried, what follows them. Without a fallback nobody
// stops earlier.
func (s *search) stop(tried int, days int32) float64 {
	if s.m.problem.Fallback != nil {
		return float64(s.m.problem.fallbackCost() + s.m.late(days+s.m.problem.Fallback.Days))
	}
	if tried != len(s.states)-1 {
		return math.Inf(1)
	}
	failed := s.failures(tried)
	left, cost := 1.0, 0.0
	at := stage{days: days}
	for _, i := range s.tail {
		at = s.m.enter(at, []int{i}, nil)
		pass, fail := s.m.chances(i, failed)
		cost += left * pass * float64(s.m.keep(at, i))
		left *= fail
		if seller := s.m.offers[i].seller; seller >= 0 {
			failed[seller]++
		}
	}
	return cost + left*float64(s.m.last(at, false).Cost)
}

// failures counts the failures of each seller after a set was tried.
func (s *search) failures(tried int) []int {
	failed := make([]int, len(s.m.beliefs))
	for b, i := range s.bit {
		if seller := s.m.offers[i].seller; seller >= 0 && tried&(1<<b) != 0 {
			failed[seller]++
		}
	}
	return failed
}

// weigh works out, for each batch of the offers left, how likely a part passes and
// what is paid then. A batch is the one without its last part, which is kept only
// where all before it fail. Nothing is taken from anything, so that no digits are
// lost.
func (s *search) weigh(tried int) {
	already := s.failures(tried)
	failed := make([]int, len(already))
	rest := (len(s.spent) - 1) &^ tried
	s.fail[0] = 1
	for batch := -rest & rest; batch != 0; batch = (batch - rest) & rest { // rising
		last := bits.Len(uint(batch)) - 1
		before, i := batch&^(1<<last), s.bit[last]
		copy(failed, already)
		if seller := s.m.offers[i].seller; seller >= 0 {
			for b := before; b != 0; b &= b - 1 {
				if s.m.offers[s.bit[bits.TrailingZeros(uint(b))]].seller == seller {
					failed[seller]++
				}
			}
		}
		pass, fail := s.m.chances(i, failed)
		o, only := s.m.offers[i], s.fail[before]*pass
		s.pass[batch], s.fail[batch] = s.pass[before]+only, s.fail[before]*fail
		s.paid[batch] = s.paid[before] + s.pass[before]*float64(o.Sunk+o.ReturnLoss) + only*(s.spent[before]+float64(o.Sunk+o.Price))
	}
}

// states are the states of one set of offers tried, one for each number of days
// that can have passed.
type states struct {
	// reached has a bit for each such day, before how many there are in the words
	// before each word.
	reached []uint64
	before  []int
	days    []int32
	value   []float64
	choice  []uint16 // the batch to buy, 0 to stop
}

func (s *states) add(day int32) { s.reached[day/64] |= 1 << (day % 64) }

// close readies the states when all days are known.
func (s *states) close() {
	s.before = make([]int, len(s.reached))
	for w, word := range s.reached {
		s.before[w] = len(s.days)
		for ; word != 0; word &= word - 1 {
			s.days = append(s.days, int32(w*64+bits.TrailingZeros64(word)))
		}
	}
	s.value, s.choice = make([]float64, len(s.days)), make([]uint16, len(s.days))
}

// place is where a day that can have passed is.
func (s *states) place(day int32) int {
	below := s.reached[day/64] & (1<<(day%64) - 1)
	return s.before[day/64] + bits.OnesCount64(below)
}
