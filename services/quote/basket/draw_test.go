package basket_test

import (
	"fmt"
	"math/rand/v2"

	"beltwright.example/services/quote/basket"
)

// shape says what a random problem looks like.
type shape struct {
	// density is how likely a seller offers a part.
	density float64
	// freight and price are from 0 to these; Base is added to each price.
	freight, price, base int64
	// even makes all freight and all prices the same: choosing the fewest sellers.
	even bool
}

// shapes hold what is easy and what is hard: prices that matter more than freight
// and less, ties, zeros.
var shapes = []shape{
	{density: .5, freight: 20000, price: 60000},
	{density: .9, freight: 9000, price: 9000, base: 10000},
	{density: .3, freight: 90000, price: 500},
	{density: .5, freight: 3, price: 3},
	{density: .4, freight: 1, price: 0},
	{density: .3, freight: 5000, price: 10000, even: true},
	{density: 1, freight: 40000, price: 20000},
	{density: .7, freight: 0, price: 100},
}

// draw makes a problem in which somebody offers every part.
func draw(r *rand.Rand, s shape, parts, sellers int) basket.Problem {
	p := basket.Problem{Currency: "USD"}
	for j := range parts {
		p.Parts = append(p.Parts, fmt.Sprintf("P%02d", j+1))
	}
	for i := range sellers {
		p.Sellers = append(p.Sellers, basket.Seller{ID: fmt.Sprintf("S%03d", i+1), Freight: s.amount(r, s.freight, 0)})
		for j, part := range p.Parts {
			if r.Float64() < s.density || j%sellers == i {
				p.Sellers[i].Offers = append(p.Sellers[i].Offers, basket.Offer{Part: part, Price: s.amount(r, s.price, s.base)})
			}
		}
	}
	return p
}

func (s shape) amount(r *rand.Rand, most, base int64) int64 {
	if s.even {
		return most
	}
	return base + r.Int64N(most+1)
}

// seeded gives the numbers of one case.
func seeded(n int) *rand.Rand { return rand.New(rand.NewPCG(uint64(n), 34)) }

// bruteForce tries every set of sellers: each part from its cheapest of them, and
// the freight of all of them. It shares nothing with the package.
func bruteForce(p basket.Problem) int64 {
	price := make([]map[string]int64, len(p.Sellers))
	for i, seller := range p.Sellers {
		price[i] = make(map[string]int64)
		for _, offer := range seller.Offers {
			price[i][offer.Part] = offer.Price
		}
	}
	least := int64(-1)
	for set := range 1 << len(p.Sellers) {
		var total int64
		for i, seller := range p.Sellers {
			if set>>i&1 == 1 {
				total += seller.Freight
			}
		}
		whole := true
		for _, part := range p.Parts {
			best := int64(-1)
			for i := range p.Sellers {
				if at, offers := price[i][part]; offers && set>>i&1 == 1 && (best < 0 || at < best) {
					best = at
				}
			}
			whole = whole && best >= 0
			total += best
		}
		if whole && (least < 0 || total < least) {
			least = total
		}
	}
	return least
}

// priced adds up again what an assignment costs, and says what is wrong with it.
func priced(p basket.Problem, s basket.Solution) (int64, error) {
	if len(s.Assignment) != len(p.Parts) {
		return 0, fmt.Errorf("%d parts are assigned, %d are needed", len(s.Assignment), len(p.Parts))
	}
	var total int64
	paid := make(map[string]bool)
	for n, choice := range s.Assignment {
		if choice.Part != p.Parts[n] {
			return 0, fmt.Errorf("choice %d is of %s, not of %s", n, choice.Part, p.Parts[n])
		}
		price, freight, err := quoted(p, choice)
		if err != nil {
			return 0, err
		}
		total += price
		if !paid[choice.Seller] {
			total += freight
			paid[choice.Seller] = true
		}
	}
	return total, nil
}

func quoted(p basket.Problem, choice basket.Choice) (price, freight int64, err error) {
	for _, seller := range p.Sellers {
		for _, offer := range seller.Offers {
			if seller.ID == choice.Seller && offer.Part == choice.Part {
				return offer.Price, seller.Freight, nil
			}
		}
	}
	return 0, 0, fmt.Errorf("%s does not offer %s", choice.Seller, choice.Part)
}
