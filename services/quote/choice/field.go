package choice

import (
	"cmp"
	"fmt"
	"math"
	"math/big"
	"math/bits"
	"slices"
	"strings"

	"beltwright.example/services/quote/plan"
)

// set is a set of free offers, a bit each.
type set uint8

// field is what is compared.
type field struct {
	problem plan.Problem
	model   *plan.Model
	// free holds the offers that are tried in every order, as indices into
	// Problem.Offers.
	free []int
	// rest holds the offers that are tried after all of those, in the plan's order:
	// without a fallback nothing may be left untried.
	rest []int
	// own is the plan's own policy where it may buy more than the free offers.
	own *plan.Policy
	// members lists the offers of each set of free ones.
	members [][]int
	limited string
	odds    *odds
	tails   map[plan.Outcome]*tail
}

// newField chooses the offers that are tried in every order.
func newField(p plan.Problem) (*field, error) {
	model, err := plan.Compile(p)
	if err != nil {
		return nil, err
	}
	f := &field{problem: p, model: model, free: model.ByIndex(), tails: make(map[plan.Outcome]*tail)}
	if most := f.most(); len(f.free) > most {
		f.free = f.free[:most]
		if err := f.widen(); err != nil {
			return nil, err
		}
	}
	for s := range 1 << len(f.free) {
		f.members = append(f.members, f.places(set(s)))
	}
	f.odds, err = newOdds(f)
	return f, err
}

// most is how many offers are tried in every order. Where many more follow them
// and several may be bought at once those are fewer, since every policy then has a
// long tail of its own.
func (f *field) most() int {
	const fewer = 5
	if f.problem.Parallel && f.problem.Fallback == nil && len(f.problem.Offers) > plan.MaxExact {
		return fewer
	}
	return Most
}

// widen adds what the plan does with all of many offers.
func (f *field) widen() error {
	result, err := plan.Purchase(f.problem)
	if err != nil {
		return err
	}
	places := make(map[string]int, len(f.problem.Offers))
	for n, offer := range f.problem.Offers {
		places[offer.ID] = n
	}
	f.own = &plan.Policy{Fallback: result.UsesFallback}
	for _, ids := range result.Batches {
		var batch []int
		for _, id := range ids {
			batch = append(batch, places[id])
		}
		f.own.Batches = append(f.own.Batches, batch)
		if f.problem.Fallback == nil {
			f.rest = append(f.rest, batch...)
		}
	}
	f.rest = slices.DeleteFunc(f.rest, func(n int) bool { return slices.Contains(f.free, n) })
	f.limited = f.narrowed(result.Limited)
	return nil
}

// narrowed says what was not compared.
func (f *field) narrowed(plans string) string {
	ids := make([]string, 0, len(f.free))
	for _, n := range f.free {
		ids = append(ids, f.problem.Offers[n].ID)
	}
	words := fmt.Sprintf("Of %d offers only the %d with the least index (%s) are compared in every order, besides the plan's own order of all",
		len(f.problem.Offers), len(ids), strings.Join(ids, ", "))
	if f.problem.Fallback == nil {
		words += "; the others follow in the plan's order"
	}
	words += "."
	if plans != "" {
		words += " " + plans
	}
	return words
}

// all is the set of all free offers.
func (f *field) all() set { return 1<<len(f.free) - 1 }

// places lists the offers of a set.
func (f *field) places(s set) []int {
	var list []int
	for ; s != 0; s &= s - 1 {
		list = append(list, f.free[bits.TrailingZeros8(uint8(s))])
	}
	return list
}

// sure tells whether an offer cannot fail.
func (f *field) sure(n int) bool {
	offer := f.problem.Offers[n]
	_, uncertain := f.problem.Sellers[offer.Seller]
	return !uncertain && offer.Pass >= 1
}

func (f *field) ids(policy plan.Policy) [][]string {
	batches := make([][]string, 0, len(policy.Batches))
	for _, batch := range policy.Batches {
		ids := make([]string, 0, len(batch))
		for _, n := range batch {
			ids = append(ids, f.problem.Offers[n].ID)
		}
		batches = append(batches, ids)
	}
	return batches
}

// candidate is a policy with its numbers.
type candidate struct {
	// batches are the sets of free offers that it buys, many of them; where many is
	// below 0 it is the plan's own policy.
	batches [Most]set
	many    int8
	// near holds expected cost, CVaR and expected days, nearly; exact, once somebody
	// asked for it, exactly and times the whole.
	near  [criteria]float64
	exact *[criteria]*big.Int
}

// candidates are all policies that are compared.
func (f *field) candidates() []*candidate {
	w := walker{field: f}
	w.walk(candidate{}, f.all())
	if f.own != nil {
		w.note(candidate{many: -1}, *f.own)
	}
	return w.found
}

// walker goes through all policies, each the one before with a batch more.
type walker struct {
	*field

	found []*candidate
	path  [][]int
}

// walk notes the policy that bought so far if it may stop there, then goes on with
// each batch of what is left.
func (w *walker) walk(sofar candidate, left set) {
	certain := len(w.path) > 0 && slices.ContainsFunc(w.path[len(w.path)-1], w.sure)
	if w.problem.Fallback != nil || left == 0 || certain {
		w.stop(sofar, certain)
	}
	if certain {
		return
	}
	for batch := left; batch != 0; batch = (batch - 1) & left {
		if batch&(batch-1) != 0 && !w.problem.Parallel {
			continue
		}
		next := sofar
		next.batches[next.many] = batch
		next.many++
		w.path = append(w.path, w.members[batch])
		w.walk(next, left&^batch)
		w.path = w.path[:len(w.path)-1]
	}
}

// stop notes the policy that ends with the path; nothing follows a certain one.
func (w *walker) stop(sofar candidate, certain bool) {
	path := w.path
	if !certain {
		for n := range w.rest {
			path = append(path, w.rest[n:n+1])
		}
	}
	w.note(sofar, plan.Policy{Batches: path, Fallback: w.problem.Fallback != nil && !certain})
}

func (w *walker) note(c candidate, policy plan.Policy) {
	c.near[0], c.near[1], c.near[2] = w.model.Estimate(policy)
	w.found = append(w.found, &c)
}

// policy is the policy of a candidate.
func (f *field) policy(c *candidate) plan.Policy {
	if c.many < 0 {
		return *f.own
	}
	var policy plan.Policy
	certain := false
	for _, batch := range c.batches[:c.many] {
		policy.Batches = append(policy.Batches, slices.Clone(f.members[batch]))
		certain = slices.ContainsFunc(f.members[batch], f.sure)
	}
	policy.Fallback = f.problem.Fallback != nil && !certain
	if !certain {
		for n := range f.rest {
			policy.Batches = append(policy.Batches, []int{f.rest[n]})
		}
	}
	return policy
}

// compare compares a number of two candidates: by the near ones where those are
// far enough apart, else exactly. Near ones are right to 1 part in 10^13.
func (f *field) compare(a, b *candidate, number int) int {
	const apart = 1e-10
	x, y := a.near[number], b.near[number]
	if math.Abs(x-y) > apart*max(x, y) {
		return cmp.Compare(x, y)
	}
	return f.exact(a)[number].Cmp(f.exact(b)[number])
}

// exact are a candidate's numbers, each times the same whole.
func (f *field) exact(c *candidate) *[criteria]*big.Int {
	if c.exact == nil {
		ends, after := f.ends(c)
		c.exact = sums(ends, after, f.odds.whole, twentieth)
	}
	return c.exact
}

// simpler orders policies whose numbers are equal: fewest parts first, then the
// fewest at once, then by the offers' index.
func simpler(a, b *candidate) int {
	parts := func(c *candidate) (n int) {
		if c.many < 0 {
			return math.MaxInt
		}
		for _, batch := range c.batches[:c.many] {
			n += bits.OnesCount8(uint8(batch))
		}
		return n
	}
	return cmp.Or(cmp.Compare(parts(a), parts(b)), -cmp.Compare(a.many, b.many), slices.Compare(a.batches[:], b.batches[:]))
}
