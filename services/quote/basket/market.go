package basket

import (
	"cmp"
	"math"
	"slices"
)

// none is the price of what a seller does not offer. It is far above the sum of
// all amounts that a problem may state, and far below overflow when two are added.
const none = math.MaxInt64 / 4

// market is a problem in numbers: parts and sellers are their places in it.
type market struct {
	parts   int
	freight []int64
	// prices of seller i are prices[i*parts : (i+1)*parts], none where it has no
	// offer that matters.
	prices []int64
	// offers of each part by price, then seller.
	offers [][]listed
	// many offers there are in all.
	many int
}

// listed is an offer of one part.
type listed struct {
	price  int64
	seller int
}

// newMarket reads a valid problem.
func newMarket(p Problem) *market {
	place := make(map[string]int, len(p.Parts))
	for n, part := range p.Parts {
		place[part] = n
	}
	m := &market{parts: len(p.Parts), offers: make([][]listed, len(p.Parts))}
	m.freight = make([]int64, len(p.Sellers))
	m.prices = slices.Repeat([]int64{none}, len(p.Sellers)*len(p.Parts))
	for i, seller := range p.Sellers {
		m.freight[i] = seller.Freight
		for _, offer := range seller.Offers {
			m.prices[i*m.parts+place[offer.Part]] = offer.Price
		}
	}
	m.list()
	return m
}

// list sorts the offers of each part and strikes out those that cannot matter: where
// somebody else delivers the part alone for less, freight included.
func (m *market) list() {
	for j := range m.parts {
		alone := int64(none)
		for i, freight := range m.freight {
			alone = min(alone, freight+m.price(i, j))
		}
		for i := range m.freight {
			price := m.price(i, j)
			if price > alone {
				m.prices[i*m.parts+j] = none
				continue
			}
			m.offers[j] = append(m.offers[j], listed{price, i})
		}
		m.many += len(m.offers[j])
		slices.SortFunc(m.offers[j], func(a, b listed) int {
			return cmp.Or(cmp.Compare(a.price, b.price), cmp.Compare(a.seller, b.seller))
		})
	}
}

func (m *market) price(seller, part int) int64 { return m.prices[seller*m.parts+part] }

// assign gives each part to the cheapest of the sellers, the first in the problem
// where several are, and tells what that costs with the freight of those that are
// bought from; none where a part is offered by none of them.
func (m *market) assign(sellers []int, to []int) int64 {
	var total int64
	for j := range m.parts {
		best := int64(none)
		for _, i := range sellers {
			if price := m.price(i, j); price < best || price == best && i < to[j] {
				best, to[j] = price, i
			}
		}
		if best == none {
			return none
		}
		total += best
	}
	for _, i := range sellers {
		if slices.Contains(to, i) {
			total += m.freight[i]
		}
	}
	return total
}

// answer is a way to buy everything in this market.
type answer struct {
	total, bound int64
	to           []int // seller by part
	nodes        int64
	method       Method
}

// solution names the parts and sellers.
func (a answer) solution(p Problem) Solution {
	s := Solution{Total: a.total, Bound: a.bound, Proven: a.bound == a.total, Nodes: a.nodes, Method: a.method}
	for j, i := range a.to {
		s.Assignment = append(s.Assignment, Choice{p.Parts[j], p.Sellers[i].ID})
	}
	return s
}
