package quote

import (
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/basket"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
)

const (
	// sellersALine is how many sellers of one line take part in a basket: those
	// with the least cost for it.
	sellersALine = 50
	// maxRounds bounds how often a basket is chosen anew because one listing was
	// to serve two lines; then the lines take turns.
	maxRounds = 100
)

// What a basket takes for granted.
const (
	basketIndex   = "A part counts in the basket with what it is worth in its line's plan: its price, its days, and what a failed check is expected to cost."
	basketRetries = "Freight is shared among first purchases only: what is tried after a failed check pays its own, so sharing there is not counted; nor, while sellers are chosen, is the tax that a place may take of shared freight (the total has it right)."
	basketUnequal = "A seller's parts state different freight or handling: the highest is charged, and the bound counts the lowest."
	basketTwice   = "One listing suits several lines and can serve one: which, was settled line by line, so a cheaper basket may exist."
	basketMost    = "Of the sellers of a line the 50 cheapest for it were compared."
)

// fillings are candidates for first purchases, one line after another.
type fillings struct {
	fields []*field
	// worth is what a candidate counts with, without what is charged once a seller.
	worth map[*candidate]int64
	// banned are listings that serve another line, by line.
	banned         []map[string]bool
	limited, twice bool
	bound          int64
	bounded        bool
	nodes          int64
	proven         bool
	// chosen are the first purchases, and apart those of each line by itself.
	chosen, apart []*candidate
	separate      int64
}

// fill chooses the first purchases of all lines together.
func fill(fields []*field, stop func() bool) (*fillings, error) {
	b := &fillings{fields: fields, worth: make(map[*candidate]int64), banned: make([]map[string]bool, len(fields))}
	for i, f := range fields {
		b.banned[i] = make(map[string]bool)
		for _, c := range f.priced {
			b.worth[c] = f.worth(c)
		}
	}
	for range maxRounds {
		if err := b.solve(stop); err != nil {
			return nil, err
		}
		line, source := b.conflict()
		if source == "" {
			return b, nil
		}
		b.banned[line][source], b.twice = true, true
	}
	return b, b.byTurns()
}

// byTurns lets one line after another take what is cheapest for it of what is left:
// needs that are alike want the same listings over and over.
func (b *fillings) byTurns() error {
	b.chosen, b.separate, b.proven = make([]*candidate, len(b.fields)), 0, false
	for line := range b.fields {
		b.banned[line] = make(map[string]bool)
		for _, taken := range b.chosen[:line] {
			if name := taken.option.GetSource(); strings.HasPrefix(name, "listings/") {
				b.banned[line][name] = true
			}
		}
		best := b.best(line)
		if len(best) == 0 {
			return fmt.Errorf("line %d: %w", line+1, ErrTaken)
		}
		b.chosen[line] = best[0]
		b.separate += b.worth[best[0]] + best[0].once()
	}
	b.apart = b.chosen
	return nil
}

// worth is what a candidate counts with: the price of a sure thing that is worth
// as much (plan.Index), without freight and handling that are charged once.
func (f *field) worth(c *candidate) int64 {
	sharedCost := c.once()
	if c.option.GetCondition() == quotev1.Offer_NEW {
		return min(c.unfitted()-sharedCost+f.in.DayCost*int64(c.option.GetDays()), amount.Max)
	}
	offer := c.planOffer()
	offer.Sunk -= sharedCost
	value, err := money.Round(new(big.Rat).Set(plan.Index(offer, f.in.DayCost)))
	if err != nil {
		return amount.Max
	}
	return min(value, amount.Max)
}

// once is what the seller charges once for all of its parts.
func (c *candidate) once() int64 { return c.base + c.option.GetHandling() }

// best are the candidates of a line that may be bought first, the cheapest of
// each seller, cheapest first.
func (b *fillings) best(line int) []*candidate {
	by := make(map[string]*candidate)
	for _, c := range b.fields[line].priced {
		key := sellerKey(c.option.GetSource())
		if b.banned[line][c.option.GetSource()] || (by[key] != nil && b.compare(by[key], c) <= 0) {
			continue
		}
		by[key] = c
	}
	all := make([]*candidate, 0, len(by))
	for _, c := range by {
		all = append(all, c)
	}
	slices.SortFunc(all, b.compare)
	if len(all) > sellersALine {
		b.limited = true
		all = all[:sellersALine]
	}
	return all
}

func (b *fillings) compare(x, y *candidate) int {
	if d := b.worth[x] + x.once() - b.worth[y] - y.once(); d != 0 {
		return int(max(min(d, 1), -1))
	}
	return strings.Compare(x.option.GetSource(), y.option.GetSource())
}

// solve chooses a basket under the present bans, and compares it with each line
// bought where it is cheapest by itself.
func (b *fillings) solve(stop func() bool) error {
	p := basket.Problem{Currency: b.fields[0].in.Currency}
	at := make(map[string]int)
	var offered []map[string]*candidate
	b.apart = make([]*candidate, len(b.fields))
	b.separate = 0
	for line := range b.fields {
		part := strconv.Itoa(line + 1)
		p.Parts = append(p.Parts, part)
		best := b.best(line)
		if len(best) == 0 {
			return fmt.Errorf("line %d: %w", line+1, ErrTaken)
		}
		b.apart[line] = best[0]
		b.separate += b.worth[best[0]] + best[0].once()
		offered = append(offered, make(map[string]*candidate))
		for _, c := range best {
			key := sellerKey(c.option.GetSource())
			offered[line][key] = c
			if _, known := at[key]; !known {
				at[key] = len(p.Sellers)
				p.Sellers = append(p.Sellers, basket.Seller{ID: key, Freight: c.once()})
			}
			seller := &p.Sellers[at[key]]
			seller.Freight = min(seller.Freight, c.once())
			seller.Offers = append(seller.Offers, basket.Offer{Part: part, Price: b.worth[c]})
		}
	}
	solution, err := basket.Solve(p, basket.Budget{Stop: stop})
	if err != nil {
		return fmt.Errorf("basket: %w", err)
	}
	together := make([]*candidate, len(b.fields))
	for line, choice := range solution.Assignment {
		together[line] = offered[line][choice.Seller]
	}
	if b.chosen = together; b.cost(b.apart) < b.cost(together) {
		b.chosen = b.apart
	}
	b.nodes += solution.Nodes
	b.proven = solution.Proven && solution.Total == b.cost(b.chosen)
	if !b.bounded { // a ban only makes it dearer
		b.bound, b.bounded = solution.Bound, true
	}
	return nil
}

// ErrTaken means: every listing that suits a line serves another one.
var ErrTaken = errors.New("all that may be bought for it serves another line of the quote")

// cost is what first purchases cost together.
func (b *fillings) cost(chosen []*candidate) int64 {
	var total int64
	for _, c := range chosen {
		total += b.worth[c]
	}
	for _, value := range b.shares(chosen) {
		total += value
	}
	return total
}

// shares are freight and handling, each not 0, once a seller, the highest of its
// parts', in the order of the lines.
func (*fillings) shares(chosen []*candidate) []int64 {
	freight, handling := make(map[string]int64), make(map[string]int64)
	var sellers []string
	for _, c := range chosen {
		key := sellerKey(c.option.GetSource())
		if _, known := freight[key]; !known {
			sellers = append(sellers, key)
		}
		freight[key] = max(freight[key], c.base)
		handling[key] = max(handling[key], c.option.GetHandling())
	}
	var all []int64
	for _, key := range sellers {
		for _, value := range []int64{freight[key], handling[key]} {
			if value > 0 {
				all = append(all, value)
			}
		}
	}
	return all
}

// conflict finds a listing that two lines want, and the line that gives way: the
// one for which something else costs least more.
func (b *fillings) conflict() (line int, source string) {
	by := make(map[string]int)
	for i, c := range b.chosen {
		name := c.option.GetSource()
		other, twice := by[name]
		switch {
		case !strings.HasPrefix(name, "listings/"):
		case !twice:
			by[name] = i
		case b.regret(i, c) <= b.regret(other, b.chosen[other]):
			return i, name
		default:
			return other, name
		}
	}
	return 0, ""
}

// regret is how much more a line pays where it may not have a candidate.
func (b *fillings) regret(line int, without *candidate) int64 {
	name := without.option.GetSource()
	b.banned[line][name] = true
	defer delete(b.banned[line], name)
	left := b.best(line)
	if len(left) == 0 {
		return amount.Max
	}
	return b.worth[left[0]] + left[0].once() - b.worth[without] - without.once()
}

func (b *fillings) firsts() []*candidate { return b.chosen }

// proto is the basket in the form of the wire contract.
func (b *fillings) proto() *quotev1.Basket {
	total := b.cost(b.chosen)
	answer := &quotev1.Basket{
		Total: total, SeparateTotal: b.separate, Proven: b.proven && !b.twice && !b.limited, Bound: min(b.bound, total),
		Nodes: int32(min(b.nodes, 1<<31-1)), Notes: []string{basketIndex, basketRetries},
	}
	freight := make(map[string]int64)
	unequal := false
	for _, c := range b.chosen {
		name := c.option.GetSource()
		answer.Sources = append(answer.Sources, name)
		before, known := freight[sellerKey(name)]
		unequal = unequal || (known && before != c.once())
		freight[sellerKey(name)] = c.once()
	}
	for _, note := range []struct {
		true bool
		text string
	}{{unequal, basketUnequal}, {b.twice, basketTwice}, {b.limited, basketMost}} {
		if note.true {
			answer.Notes = append(answer.Notes, note.text)
		}
	}
	return answer
}
