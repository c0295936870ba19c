package choice

import (
	"cmp"
	"math/big"
	"math/bits"
	"slices"

	"beltwright.example/services/quote/plan"
)

// odds holds how likely it is that certain offers fail and the next one passes.
// That does not depend on the order in which they are tried, even where offers of
// one seller share an uncertain chance. So all chances that any order can need are
// worked out once, as whole numbers of parts of one whole: then many laws can be
// summed and compared without a fraction.
type odds struct {
	parts []*big.Int
	whole *big.Int
	// rest and own are where the chances of field.rest and of the plan's own policy
	// start: of each that all before it fail and it passes, then that all fail.
	rest, own int
}

// slot is the place of the chance that the free offers in failed fail and the one
// at pass passes; with pass none, that these fail, whatever the others do.
func slot(failed set, pass int) int { return int(failed)*(none+1) + pass }

// none is the place behind the last free offer.
const none = Most

// newOdds asks package plan for the chances. In its copy of the problem every
// check takes a day, so that the chance of being ready after some days is that of
// passing within as many tries.
func newOdds(f *field) (*odds, error) {
	trials := f.problem
	trials.Fallback = &plan.Fallback{}
	trials.Offers = slices.Clone(trials.Offers)
	for n := range trials.Offers {
		trials.Offers[n].Days = 1
	}
	model, err := plan.Compile(trials)
	if err != nil {
		return nil, err
	}
	chances := make([]*big.Rat, slot(f.all(), none)+1)
	for n := range 1 << len(f.free) {
		left, err := lasting(model, f.members[n])
		if err != nil {
			return nil, err
		}
		chances[slot(set(n), none)] = left[len(left)-1]
	}
	for n := range 1 << len(f.free) {
		for free := f.all() &^ set(n); free != 0; free &= free - 1 {
			pass := bits.TrailingZeros8(uint8(free))
			chances[slot(set(n), pass)] = new(big.Rat).Sub(chances[slot(set(n), none)], chances[slot(set(n)|1<<pass, none)])
		}
	}
	o := &odds{rest: len(chances)}
	if chances, err = follow(model, chances, f.free, f.rest); err != nil {
		return nil, err
	}
	o.own = len(chances)
	if f.own != nil {
		if chances, err = follow(model, chances, nil, asked(f.model, *f.own)); err != nil {
			return nil, err
		}
	}
	o.inParts(chances)
	return o, nil
}

// lasting says how likely it is that the first n of the offers fail, from 0 to all
// of them.
func lasting(trials *plan.Model, offers []int) ([]*big.Rat, error) {
	var policy plan.Policy
	for n := range offers {
		policy.Batches = append(policy.Batches, offers[n:n+1])
	}
	law, err := trials.Evaluate(policy)
	if err != nil {
		return nil, err
	}
	left := []*big.Rat{big.NewRat(1, 1)}
	for n := range offers {
		left = append(left, new(big.Rat).Sub(left[0], law.ReadyBy(int32(n+1))))
	}
	return left, nil
}

// follow appends the chances of a chain of offers that come after others.
func follow(trials *plan.Model, chances []*big.Rat, before, chain []int) ([]*big.Rat, error) {
	left, err := lasting(trials, slices.Concat(before, chain))
	if err != nil {
		return nil, err
	}
	left = left[len(before):]
	for n := range chain {
		chances = append(chances, new(big.Rat).Sub(left[n], left[n+1]))
	}
	return append(chances, left[len(chain)]), nil
}

// inParts brings the chances to one denominator; places that nothing uses are 0.
func (o *odds) inParts(chances []*big.Rat) {
	o.whole = big.NewInt(1)
	for n, chance := range chances {
		if chance == nil {
			chance = new(big.Rat)
			chances[n] = chance
		}
		shared := new(big.Int).GCD(nil, nil, o.whole, chance.Denom())
		o.whole.Mul(o.whole, shared.Quo(chance.Denom(), shared))
	}
	for _, chance := range chances {
		parts := new(big.Int).Quo(o.whole, chance.Denom())
		o.parts = append(o.parts, parts.Mul(parts, chance.Num()))
	}
}

// asked lists the offers of a policy in the order in which it asks whether they
// pass.
func asked(model *plan.Model, policy plan.Policy) []int {
	var order []int
	model.Follow(policy, func(offer int) bool {
		order = append(order, offer)
		return false
	})
	return order
}

// end is a way to end.
type end struct {
	cost, days int64
	parts      *big.Int
}

// ends lists the ways to end of a candidate: those of the free offers and those
// that come after them, or all in the former where nothing does.
func (f *field) ends(c *candidate) ([]end, *tail) {
	policy := f.policy(c)
	if c.many < 0 {
		return f.chain(policy, asked(f.model, policy), f.odds.own), nil
	}
	free := policy
	free.Batches = policy.Batches[:c.many]
	var failed set
	var ends []end
	for _, offer := range asked(f.model, free) {
		n := slices.Index(f.free, offer)
		ends = append(ends, f.passing(policy, offer, slot(failed, n)))
		failed |= 1 << n
	}
	if len(f.rest) == 0 {
		return append(ends, f.passing(policy, nobody, slot(failed, none))), nil
	}
	return ends, f.after(policy, f.model.Follow(free, nothing))
}

// nothing is the state in which all offers fail.
func nothing(int) bool { return false }

// nobody stands for no offer.
const nobody = -1

// passing is the end of a policy where only one offer passes, with the chance at
// a place.
func (f *field) passing(policy plan.Policy, offer, at int) end {
	out := f.model.Follow(policy, func(other int) bool { return other == offer })
	return end{out.Cost, int64(out.Days), f.odds.parts[at]}
}

// chain lists the ends of a policy at each of some offers, with the chances from
// a place on, and its last end.
func (f *field) chain(policy plan.Policy, offers []int, from int) []end {
	ends := make([]end, 0, len(offers)+1)
	for n, offer := range offers {
		ends = append(ends, f.passing(policy, offer, from+n))
	}
	return append(ends, f.passing(policy, nobody, from+len(offers)))
}

// tail is what may follow after all free offers failed, the dearest ends first,
// with sums of the first n.
type tail struct {
	ends         []end
	parts, costs []*big.Int
	days         *big.Int
}

// after is the tail of a policy whose free offers end at out where all fail. Many
// policies have the same one: all that spend the same on the way there.
func (f *field) after(policy plan.Policy, out plan.Outcome) *tail {
	if known, ok := f.tails[out]; ok {
		return known
	}
	f.tails[out] = newTail(f.chain(policy, f.rest, f.odds.rest))
	return f.tails[out]
}

func newTail(ends []end) *tail {
	t := &tail{ends: ends, days: new(big.Int), parts: []*big.Int{new(big.Int)}, costs: []*big.Int{new(big.Int)}}
	slices.SortFunc(t.ends, dearest)
	for n, e := range t.ends {
		t.parts = append(t.parts, new(big.Int).Add(t.parts[n], e.parts))
		t.costs = append(t.costs, new(big.Int).Add(t.costs[n], e.times(e.cost)))
		t.days.Add(t.days, e.times(e.days))
	}
	return t
}

func (e end) times(amount int64) *big.Int { return new(big.Int).Mul(e.parts, big.NewInt(amount)) }

func dearest(a, b end) int { return cmp.Compare(b.cost, a.cost) }
