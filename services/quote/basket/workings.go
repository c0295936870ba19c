package basket

import (
	"slices"

	"beltwright.example/services/quote/working"
)

// Workings say how a solution's total comes about: what each seller is paid for its
// parts and its freight, in the order in which the parts come to them, and their sum.
func (p Problem) Workings(s Solution) []working.Step {
	freight := make(map[string]int64, len(p.Sellers))
	price := make(map[Choice]int64)
	for _, seller := range p.Sellers {
		freight[seller.ID] = seller.Freight
		for _, offer := range seller.Offers {
			price[Choice{offer.Part, seller.ID}] = offer.Price
		}
	}
	var order []string
	terms := make(map[string][]int64)
	for _, choice := range s.Assignment {
		if _, known := terms[choice.Seller]; !known {
			order = append(order, choice.Seller)
		}
		terms[choice.Seller] = append(terms[choice.Seller], price[choice])
	}
	steps := make([]working.Step, 0, len(order)+1)
	paid := make([]int64, 0, len(order))
	for _, seller := range order {
		all := slices.Concat(terms[seller], []int64{freight[seller]})
		var sum int64
		for _, term := range all {
			sum += term
		}
		paid = append(paid, sum)
		steps = append(steps, working.Sum("parts and freight from "+seller, p.Currency, sum, all...))
	}
	return append(steps, working.Sum("total", p.Currency, s.Total, paid...))
}
