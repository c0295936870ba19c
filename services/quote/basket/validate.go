package basket

import (
	"fmt"
	"strconv"

	"beltwright.example/services/quote/problem"
)

// Limits of a Problem. Within them no sum can overflow 64 bits.
const (
	// MaxAmount bounds every amount, in minor units.
	MaxAmount = problem.MaxAmount
	// MaxParts bounds the parts.
	MaxParts = 40
	// MaxSellers bounds the sellers.
	MaxSellers = 1000
	// MaxOffers bounds the offers of all sellers together.
	MaxOffers = 20_000
)

// validate refuses what makes no sense with a *problem.InvalidError, and parts that
// cannot be had with an *UnofferedError.
func (p Problem) validate() error {
	var f problem.Fields
	f.Currency("currency_code", p.Currency)
	offered := p.validateParts(&f)
	p.validateSellers(&f, offered)
	if err := f.Err(); err != nil {
		return err
	}
	var missing UnofferedError
	for n, part := range p.Parts {
		if !offered[part] {
			missing.Parts = append(missing.Parts, part)
			missing.Fields = append(missing.Fields, "parts["+strconv.Itoa(n)+"]")
		}
	}
	if len(missing.Parts) > 0 {
		return &missing
	}
	return nil
}

// validateParts returns a map with every part, none of them offered yet.
func (p Problem) validateParts(f *problem.Fields) map[string]bool {
	switch n := len(p.Parts); {
	case n == 0:
		f.Add("parts", "is empty", "1 to "+strconv.Itoa(MaxParts)+" parts to buy")
	case n > MaxParts:
		f.Add("parts", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", MaxParts))
	}
	seen := make(map[string]int, len(p.Parts))
	offered := make(map[string]bool, len(p.Parts))
	for n, part := range p.Parts {
		at := "parts[" + strconv.Itoa(n) + "]"
		f.ID(at, part)
		if earlier, twice := seen[part]; twice {
			f.Add(at, fmt.Sprintf("is the same as parts[%d]", earlier), "each part once, since it is needed once")
		}
		seen[part] = n
		offered[part] = false
	}
	return offered
}

// validateSellers notes which parts are offered.
func (p Problem) validateSellers(f *problem.Fields, offered map[string]bool) {
	if n := len(p.Sellers); n > MaxSellers {
		f.Add("sellers", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", MaxSellers))
	}
	seen := make(map[string]int, len(p.Sellers))
	offers := 0
	for n, seller := range p.Sellers {
		at := "sellers[" + strconv.Itoa(n) + "]."
		f.ID(at+"id", seller.ID)
		if earlier, twice := seen[seller.ID]; twice {
			f.Add(at+"id", fmt.Sprintf("is the same as that of sellers[%d]", earlier), "an id of its own")
		}
		seen[seller.ID] = n
		f.Within(at+"freight", seller.Freight, MaxAmount)
		offers += len(seller.Offers)
		seller.validateOffers(f, at, offered)
	}
	if offers > MaxOffers {
		f.Add("sellers", fmt.Sprintf("have %d offers in all", offers), fmt.Sprintf("at most %d", MaxOffers))
	}
}

func (s Seller) validateOffers(f *problem.Fields, at string, offered map[string]bool) {
	seen := make(map[string]int, len(s.Offers))
	for n, offer := range s.Offers {
		if _, wanted := offered[offer.Part]; !wanted {
			f.Add(offerField(at, n, "part"), fmt.Sprintf("%.60q is none of parts", offer.Part), "one of the parts to buy")
			continue
		}
		if earlier, twice := seen[offer.Part]; twice {
			f.Add(offerField(at, n, "part"), fmt.Sprintf("is the same as that of offers[%d]", earlier), "one price for a part")
		}
		seen[offer.Part] = n
		if offer.Price < 0 || offer.Price > MaxAmount { // asked first, since thousands are right and a name takes long to build
			f.Within(offerField(at, n, "price"), offer.Price, MaxAmount)
		}
		offered[offer.Part] = true
	}
}

func offerField(at string, n int, name string) string {
	return at + "offers[" + strconv.Itoa(n) + "]." + name
}
