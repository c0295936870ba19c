// Package basket finds the cheapest way to buy several parts from several sellers
// where each seller that is bought from charges freight once.
//
// Choosing the sellers is the uncapacitated facility location problem, freight being
// the cost of opening a facility; it is strongly NP-hard (as the Internet shopping
// problem: Błażewicz, Kovalyov, Musiał, Urbański and Wojciechowski, International
// Journal of Applied Mathematics and Computer Science 20(2), 2010). It is solved
// exactly, in whole minor units: by branch and bound with the dual ascent bound of
// Erlenkotter (Operations Research 26(6), 1978), and where that takes too long and
// there are at most MaxSubsetParts parts, by a dynamic program over the subsets of
// the parts, whose time is bounded whatever the prices are.
//
// Freight here is one amount a seller, whatever is bought from it. Freight by
// weight, price breaks and thresholds are other problems.
package basket

import "strings"

// Offer is a seller's price for a part.
type Offer struct {
	// Part is the part's id.
	Part string
	// Price in minor units, 0 to MaxAmount.
	Price int64
}

// Seller is somebody to buy from.
type Seller struct {
	// ID is unique in the problem.
	ID string
	// Freight in minor units is paid once if anything is bought from the seller.
	Freight int64
	// Offers hold each part at most once.
	Offers []Offer
}

// Problem is what is to be bought and where it can be.
type Problem struct {
	// Currency is the ISO 4217 code of every amount.
	Currency string
	// Parts are the ids of the parts, each needed once.
	Parts []string
	// Sellers in any order. Of those that are bought from, a part comes from the first
	// that is cheapest.
	Sellers []Seller
}

// Budget bounds the work. The zero value bounds it by DefaultNodes alone.
type Budget struct {
	// Nodes bounds the nodes of branch and bound; 0 is DefaultNodes.
	Nodes int
	// Stop is asked about once a millisecond, so it must be quick; true ends the
	// search with the best that was found. Nil never ends it.
	Stop func() bool
}

// Choice says where a part is bought.
type Choice struct {
	Part, Seller string
}

// Method says how the last word was had.
type Method string

// Methods.
const (
	// BranchAndBound with the dual ascent bound.
	BranchAndBound Method = "branch and bound"
	// SubsetProgramming is dynamic programming over subsets of the parts.
	SubsetProgramming Method = "subset dynamic programming"
)

// Solution is a way to buy everything.
type Solution struct {
	// Total of all prices and of the freight of every seller that is bought from.
	Total int64
	// Bound is proven: no way to buy everything costs less. It is Total where
	// Proven.
	Bound int64
	// Assignment in the order of the problem's parts.
	Assignment []Choice
	// Proven tells whether nothing cheaper exists.
	Proven bool
	// Nodes of branch and bound that were looked at.
	Nodes int64
	// Method that found the proof, or was at work when the budget ended.
	Method Method
}

// UnofferedError names every part that no seller offers.
type UnofferedError struct {
	// Parts in the problem's order.
	Parts []string
	// Fields are the parts' places in the problem, such as parts[3].
	Fields []string
}

// Error names the parts.
func (e *UnofferedError) Error() string {
	return "no seller offers " + strings.Join(e.Parts, ", ")
}

// DefaultNodes bounds branch and bound where the budget does not.
const DefaultNodes = 200_000

// Solve finds the cheapest way. A problem that makes no sense is refused with a
// *problem.InvalidError, one with parts that nobody offers with an *UnofferedError.
// The same problem and nodes give the same answer, unless Stop ends the search.
func Solve(p Problem, b Budget) (Solution, error) {
	if err := p.validate(); err != nil {
		return Solution{}, err
	}
	return newMarket(p).solve(b).solution(p), nil
}
