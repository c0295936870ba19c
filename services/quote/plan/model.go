package plan

import (
	"cmp"
	"math/big"
	"slices"
	"strconv"
)

// Model is a problem made ready for calculating; it never changes.
type Model struct {
	problem Problem
	offers  []offer
	beliefs []shared
}

// offer is an Offer with what is calculated with.
type offer struct {
	Offer

	// pass is its chance before anything failed, the seller's mean where the
	// seller's chance is uncertain.
	pass *big.Rat
	// passes and fails are the nearest floating-point numbers to pass and 1 − pass,
	// for an offer of its own.
	passes, fails float64
	// seller is the place of its seller's belief, -1 for an offer of its own.
	seller int
	// keepRank orders the offers by what they cost to keep, then by id.
	keepRank int
}

// shared is a seller's uncertain chance, Beta(alpha, beta), in units of 1/unit.
type shared struct {
	alpha, beta, unit *big.Int
	a, b              float64
}

// Compile makes a problem ready. One that makes no sense is refused with an
// InvalidError that names every field.
func Compile(p Problem) (*Model, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	m := &Model{problem: p, offers: make([]offer, len(p.Offers))}
	places := make(map[string]int, len(p.Sellers))
	for i, o := range p.Offers {
		place, seen := places[o.Seller]
		belief, uncertain := p.Sellers[o.Seller]
		switch {
		case !uncertain:
			m.offers[i] = single(o)
			continue
		case !seen:
			place = len(m.beliefs)
			places[o.Seller] = place
			m.beliefs = append(m.beliefs, newShared(belief))
		}
		m.offers[i] = offer{Offer: o, seller: place, pass: m.beliefs[place].mean()}
		m.offers[i].Pass = belief.mean()
	}
	m.rank()
	return m, nil
}

func single(o Offer) offer {
	pass := probability(o.Pass)
	fails, _ := new(big.Rat).Sub(big.NewRat(1, 1), pass).Float64()
	return offer{Offer: o, seller: -1, pass: pass, passes: o.Pass, fails: fails}
}

// probability reads a chance as the decimal number that somebody wrote: 0.85 is
// 85/100, not the nearest binary fraction.
func probability(p float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(p, 'g', -1, 64))
	return r
}

func newShared(b Belief) shared {
	alpha, beta := probability(b.Alpha), probability(b.Beta)
	unit := new(big.Int).Mul(alpha.Denom(), beta.Denom())
	return shared{
		alpha: new(big.Int).Mul(alpha.Num(), beta.Denom()), beta: new(big.Int).Mul(beta.Num(), alpha.Denom()),
		unit: unit, a: b.Alpha, b: b.Beta,
	}
}

func (s shared) mean() *big.Rat {
	return new(big.Rat).SetFrac(s.alpha, new(big.Int).Add(s.alpha, s.beta))
}

// rank orders the offers by what they cost to keep.
func (m *Model) rank() {
	order := make([]int, len(m.offers))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		x, y := m.offers[a], m.offers[b]
		return cmp.Or(cmp.Compare(x.Price-x.ReturnLoss, y.Price-y.ReturnLoss), cmp.Compare(x.ID, y.ID))
	})
	for rank, i := range order {
		m.offers[i].keepRank = rank
	}
}

// chance is an offer's chance of passing, pass of so many parts, after so many
// parts of each seller failed. With the seller's chance at Beta(a, b) it is
// a / (a + b + k) after k failures and no pass.
func (m *Model) chance(i int, failed []int) (pass, of *big.Int) {
	o := &m.offers[i]
	if o.seller < 0 {
		return o.pass.Num(), o.pass.Denom()
	}
	s := m.beliefs[o.seller]
	of = new(big.Int).Mul(s.unit, big.NewInt(int64(failed[o.seller])))
	of.Add(of, s.alpha)
	return s.alpha, of.Add(of, s.beta)
}

// chances are those that an offer passes and that it fails, in floating point. Each
// is near in itself: the small one of two is not what the other leaves of 1.
func (m *Model) chances(i int, failed []int) (pass, fail float64) {
	o := &m.offers[i]
	if o.seller < 0 {
		return o.passes, o.fails
	}
	s, k := m.beliefs[o.seller], float64(failed[o.seller])
	return s.a / (s.a + s.b + k), (s.b + k) / (s.a + s.b + k)
}

// ByIndex lists the offers, as indices into Problem.Offers, by their reservation
// index before anything failed, equal ones by id.
func (m *Model) ByIndex() []int {
	order := make([]int, len(m.offers))
	z := make([]*big.Rat, len(m.offers))
	for i := range m.offers {
		order[i], z[i] = i, m.index(i)
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(z[a].Cmp(z[b]), cmp.Compare(m.offers[a].ID, m.offers[b].ID))
	})
	return order
}

// index is the reservation index of an offer by its present chance.
func (m *Model) index(i int) *big.Rat {
	o := m.offers[i]
	return index(o.Offer, o.pass, new(big.Rat).SetInt64(o.Sunk+m.problem.DayCost*int64(o.Days)))
}

// Index is the offer's index z with days priced at dayCost, as a fraction. A
// chance outside MinPass to 1, which Purchase refuses, counts as MinPass.
func Index(o Offer, dayCost int64) *big.Rat {
	if !(o.Pass >= MinPass && o.Pass <= 1) {
		o.Pass = MinPass
	}
	cost := new(big.Int).Mul(big.NewInt(dayCost), big.NewInt(int64(o.Days)))
	cost.Add(cost, big.NewInt(o.Sunk))
	return index(o, probability(o.Pass), new(big.Rat).SetInt(cost))
}

// index is P + (c + (1 − p)·r) / p.
func index(o Offer, pass, cost *big.Rat) *big.Rat {
	z := new(big.Rat).Sub(big.NewRat(1, 1), pass)
	z.Mul(z, new(big.Rat).SetInt64(o.ReturnLoss))
	z.Add(z, cost)
	z.Quo(z, pass)
	return z.Add(z, new(big.Rat).SetInt64(o.Price))
}
