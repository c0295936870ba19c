package basket_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/basket"
	"beltwright.example/services/quote/problem"
)

// solve demands a proven solution whose assignment costs what it says.
func solve(tb testing.TB, p basket.Problem) basket.Solution {
	tb.Helper()
	s, err := basket.Solve(p, basket.Budget{})
	if err != nil {
		tb.Fatal(err)
	}
	total, err := priced(p, s)
	if err != nil {
		tb.Fatal(err)
	}
	if total != s.Total || !s.Proven || s.Bound != s.Total || s.Nodes < 1 {
		tb.Fatalf("%+v; its assignment costs %d", s, total)
	}
	return s
}

// read reads a problem in the JSON form of the API.
func read(tb testing.TB, name string) basket.Problem {
	tb.Helper()
	raw, err := os.ReadFile(filepath.Join("testdata", name+".json"))
	if err != nil {
		tb.Fatal(err)
	}
	var file struct {
		CurrencyCode string   `json:"currencyCode"`
		Parts        []string `json:"parts"`
		Sellers      []struct {
			ID      string `json:"id"`
			Freight int64  `json:"freight,string"`
			Offers  []struct {
				Part  string `json:"part"`
				Price int64  `json:"price,string"`
			} `json:"offers"`
		} `json:"sellers"`
	}
	if err := json.Unmarshal(raw, &file); err != nil {
		tb.Fatal(err)
	}
	p := basket.Problem{Currency: file.CurrencyCode, Parts: file.Parts}
	for _, seller := range file.Sellers {
		s := basket.Seller{ID: seller.ID, Freight: seller.Freight}
		for _, offer := range seller.Offers {
			s.Offers = append(s.Offers, basket.Offer(offer))
		}
		p.Sellers = append(p.Sellers, s)
	}
	return p
}

// samples are random problems of rising size. Their least cost is by GLPK 5.0 and
// CBC 2.10.8, which TestAgreesWithOtherSolvers asks again.
var samples = map[string]int64{"small-6x8": 117717, "medium-12x60": 336025, "large-20x200": 505605}

func TestSamples(t *testing.T) {
	t.Parallel()
	for name, want := range samples {
		if got := solve(t, read(t, name)); got.Total != want {
			t.Errorf("%s: %d, want %d", name, got.Total, want)
		}
	}
}

// The warehouse location problem, number 34 of CSPLib (csplib.org): ten stores, five
// warehouses that cost 30 each. Without capacities 328 is least, with Bonn, Bordeaux
// and Rome open (by brute force; CSPLib's own 383 is with capacities).
func TestWarehouseLocation(t *testing.T) {
	t.Parallel()
	costs := [][]int64{
		{20, 24, 11, 25, 30},
		{28, 27, 82, 83, 74},
		{74, 97, 71, 96, 70},
		{2, 55, 73, 69, 61},
		{46, 96, 59, 83, 4},
		{42, 22, 29, 67, 59},
		{1, 5, 73, 59, 56},
		{10, 73, 13, 43, 96},
		{93, 35, 63, 85, 46},
		{47, 65, 55, 71, 95},
	}
	p := basket.Problem{Currency: "USD"}
	for i, place := range []string{"Bonn", "Bordeaux", "London", "Paris", "Rome"} {
		p.Sellers = append(p.Sellers, basket.Seller{ID: place, Freight: 30})
		for j, row := range costs {
			p.Sellers[i].Offers = append(p.Sellers[i].Offers, basket.Offer{Part: fmt.Sprint("store ", j+1), Price: row[i]})
		}
	}
	for j := range costs {
		p.Parts = append(p.Parts, fmt.Sprint("store ", j+1))
	}
	got := solve(t, p)
	open := make(map[string]bool)
	for _, choice := range got.Assignment {
		open[choice.Seller] = true
	}
	if want := map[string]bool{"Bonn": true, "Bordeaux": true, "Rome": true}; got.Total != 328 || !cmp.Equal(open, want) {
		t.Errorf("%d with %v open, want 328 with %v", got.Total, open, want)
	}
	if least := bruteForce(p); least != 328 {
		t.Errorf("brute force finds %d", least)
	}
}

func TestNothingIsCheaperThanBruteForceFinds(t *testing.T) {
	t.Parallel()
	for n := range 4000 {
		r := seeded(n)
		p := draw(r, shapes[n%len(shapes)], 1+r.IntN(7), 1+r.IntN(7))
		if got, want := solve(t, p), bruteForce(p); got.Total != want {
			t.Fatalf("case %d: %d, but %d is possible: %+v", n, got.Total, want, p)
		}
	}
}

// Naively each part is bought where it is cheapest; freight that is shared makes
// that dear.
func TestFreightIsShared(t *testing.T) {
	t.Parallel()
	p := basket.Problem{Currency: "USD", Parts: []string{"buckle", "sensor"}, Sellers: []basket.Seller{
		{ID: "a", Freight: 1250, Offers: []basket.Offer{{Part: "buckle", Price: 4500}, {Part: "sensor", Price: 3000}}},
		{ID: "b", Freight: 900, Offers: []basket.Offer{{Part: "buckle", Price: 4400}}},
		{ID: "c", Freight: 900, Offers: []basket.Offer{{Part: "sensor", Price: 2900}}},
	}}
	want := basket.Solution{
		Total: 8750, Bound: 8750, Proven: true, Nodes: 1, Method: basket.BranchAndBound,
		Assignment: []basket.Choice{{Part: "buckle", Seller: "a"}, {Part: "sensor", Seller: "a"}},
	}
	if diff := cmp.Diff(want, solve(t, p)); diff != "" {
		t.Error(diff)
	}
}

// Both sellers are needed, and ask the same for what both have: it comes from the one
// that is named first, whatever the order of the parts.
func TestFirstOfEquals(t *testing.T) {
	t.Parallel()
	for _, parts := range [][]string{{"a", "b", "both"}, {"b", "both", "a"}, {"both", "b", "a"}} {
		s := solve(t, basket.Problem{Currency: "USD", Parts: parts, Sellers: []basket.Seller{
			{ID: "first", Freight: 10, Offers: []basket.Offer{{Part: "a", Price: 1}, {Part: "both", Price: 5}}},
			{ID: "second", Freight: 10, Offers: []basket.Offer{{Part: "b", Price: 1}, {Part: "both", Price: 5}}},
		}})
		want := []basket.Choice{{Part: "a", Seller: "first"}, {Part: "b", Seller: "second"}, {Part: "both", Seller: "first"}}
		slices.SortFunc(s.Assignment, func(a, b basket.Choice) int { return strings.Compare(a.Part, b.Part) })
		if !cmp.Equal(want, s.Assignment) || s.Total != 27 {
			t.Errorf("%v: %+v", parts, s)
		}
	}
}

// By both methods a part comes from the first of the sellers that are bought from and
// ask least, also where some charge no freight.
func TestFirstOfEqualsWhereMostAreEqual(t *testing.T) {
	t.Parallel()
	for _, nodes := range []int{0, 1} {
		for n := range 400 {
			r := seeded(n)
			p := draw(r, shape{density: .3, freight: 2, price: 2, base: 1}, 1+r.IntN(12), 1+r.IntN(40))
			s, err := basket.Solve(p, basket.Budget{Nodes: nodes})
			if err != nil {
				t.Fatal(err)
			}
			for _, choice := range s.Assignment {
				if first := firstOfCheapest(p, s, choice.Part); choice.Seller != first {
					t.Fatalf("case %d: %s comes from %s, not from %s: %+v", n, choice.Part, choice.Seller, first, p)
				}
			}
		}
	}
}

// firstOfCheapest is the first seller, of those that are bought from, that asks least
// for a part.
func firstOfCheapest(p basket.Problem, s basket.Solution, part string) string {
	first, least := "", int64(-1)
	for _, seller := range p.Sellers {
		if !slices.ContainsFunc(s.Assignment, func(c basket.Choice) bool { return c.Seller == seller.ID }) {
			continue
		}
		for _, offer := range seller.Offers {
			if offer.Part == part && (least < 0 || offer.Price < least) {
				first, least = seller.ID, offer.Price
			}
		}
	}
	return first
}

func TestWhatHolds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		r := seeded(rapid.IntRange(0, 1<<30).Draw(rt, "seed"))
		p := draw(r, rapid.SampledFrom(shapes).Draw(rt, "shape"), rapid.IntRange(1, 12).Draw(rt, "parts"), rapid.IntRange(1, 30).Draw(rt, "sellers"))
		s := solve(t, p)
		if again := solve(t, p); !cmp.Equal(s, again) {
			rt.Fatalf("two answers: %+v, %+v", s, again)
		}
		shuffled := basket.Problem{Currency: p.Currency, Parts: slices.Clone(p.Parts), Sellers: slices.Clone(p.Sellers)}
		r.Shuffle(len(p.Parts), func(a, b int) { shuffled.Parts[a], shuffled.Parts[b] = shuffled.Parts[b], shuffled.Parts[a] })
		r.Shuffle(len(p.Sellers), func(a, b int) {
			shuffled.Sellers[a], shuffled.Sellers[b] = shuffled.Sellers[b], shuffled.Sellers[a]
		})
		if other := solve(t, shuffled); other.Total != s.Total {
			rt.Fatalf("in another order %d, not %d", other.Total, s.Total)
		}
		more := p
		more.Sellers = append(slices.Clone(p.Sellers), draw(r, shapes[0], len(p.Parts), 1).Sellers[0])
		more.Sellers[len(p.Sellers)].ID = "another"
		if better := solve(t, more); better.Total > s.Total {
			rt.Fatalf("with one seller more %d, without %d", better.Total, s.Total)
		}
		by := rapid.Int64Range(1, 1000).Draw(rt, "dearer")
		for i := range p.Sellers {
			p.Sellers[i].Offers = slices.Clone(p.Sellers[i].Offers)
			for n := range p.Sellers[i].Offers {
				p.Sellers[i].Offers[n].Price += by
			}
		}
		if dearer := solve(t, p); dearer.Total != s.Total+by*int64(len(p.Parts)) {
			rt.Fatalf("each price %d more makes %d of %d", by, dearer.Total, s.Total)
		}
	})
}

// hard takes tens of thousands of nodes: forty parts from 500 sellers, of whom each has
// eight, and hardly anything but freight counts.
func hard() basket.Problem {
	return freighted(seeded(0), shape{density: .2, freight: 100000, price: 100}, 40, 500)
}

// freighted is draw with freight that is nearly the same everywhere.
func freighted(r *rand.Rand, s shape, parts, sellers int) basket.Problem {
	p := draw(r, s, parts, sellers)
	for i := range p.Sellers {
		p.Sellers[i].Freight = s.freight + r.Int64N(s.freight/10)
	}
	return p
}

func TestEndedBudgetIsHonest(t *testing.T) {
	t.Parallel()
	best, bound := int64(1<<62), int64(0)
	for _, nodes := range []int{1, 10, 100} {
		p := hard()
		s, err := basket.Solve(p, basket.Budget{Nodes: nodes})
		if err != nil {
			t.Fatal(err)
		}
		total, err := priced(p, s)
		if err != nil || total != s.Total || s.Proven || s.Bound >= s.Total || s.Nodes != int64(nodes) || s.Method != basket.BranchAndBound {
			t.Errorf("%d nodes: %+v; it costs %d, %v", nodes, s, total, err)
		}
		if s.Total > best || s.Bound < bound {
			t.Errorf("%d nodes: %d to %d, fewer nodes gave %d to %d", nodes, s.Bound, s.Total, bound, best)
		}
		best, bound = s.Total, s.Bound
	}
}

// Bounds of searches that end early are held against the least cost.
func TestBoundIsOne(t *testing.T) {
	t.Parallel()
	unproven := 0
	for n := range 30 {
		p := draw(seeded(n), shape{density: .2, freight: 5000, price: 30, even: n%2 == 0, base: 20000}, 24, 60)
		least := solve(t, p).Total
		for _, nodes := range []int{1, 2, 3, 5, 20} {
			s, err := basket.Solve(p, basket.Budget{Nodes: nodes})
			if err != nil {
				t.Fatal(err)
			}
			if total, err := priced(p, s); err != nil || total != s.Total || s.Bound > least || s.Total < least || s.Proven != (s.Bound == s.Total) {
				t.Fatalf("case %d, %d nodes: %+v, priced %d, %v, yet %d is least", n, nodes, s, total, err, least)
			}
			if !s.Proven {
				unproven++
			}
		}
	}
	if unproven < 50 {
		t.Errorf("only %d searches ended early", unproven)
	}
}

func TestStopEndsTheSearch(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		problem basket.Problem
		nodes   int
		asks    int
		method  basket.Method
	}{
		"at once":              {hard(), 0, 0, basket.BranchAndBound},
		"branching":            {hard(), 0, 3, basket.BranchAndBound},
		"at once, bundles":     {covering(), 1, 0, basket.SubsetProgramming},
		"in the bundles":       {covering(), 1, 100, basket.SubsetProgramming},
		"in the sets":          {covering(), 1, 210, basket.SubsetProgramming},
		"later among the sets": {covering(), 1, 400, basket.SubsetProgramming},
	} {
		asked := 0
		s, err := basket.Solve(c.problem, basket.Budget{Nodes: c.nodes, Stop: func() bool {
			asked++
			return asked > c.asks
		}})
		if err != nil {
			t.Fatal(err)
		}
		if total, err := priced(c.problem, s); err != nil || total != s.Total || s.Proven || s.Bound >= s.Total || s.Method != c.method || asked != c.asks+1 {
			t.Errorf("%s: %+v; it costs %d, %v; asked %d times", name, s, total, err, asked)
		}
	}
}

// covering is the largest that the subsets can do: twenty parts, each of 200 sellers
// offers about four of them, at nothing but freight.
func covering() basket.Problem {
	return draw(seeded(1), shape{density: .2, freight: 5000, even: true}, 20, 200)
}

// unsettled are shapes that the first bound seldom settles: what is offered matters
// more than for how much.
var unsettled = []shape{
	{density: .3, freight: 5000, price: 1000, even: true},
	{density: .3, freight: 3, price: 2, base: 2},
	{density: .25, freight: 5, price: 300, base: 500},
	{density: .4, freight: 5000, price: 50, base: 1000},
}

// Branch and bound is cut off after its first node, so that the subsets must find
// what it misses.
func TestBothMethodsAgree(t *testing.T) {
	t.Parallel()
	methods := make(map[basket.Method]int)
	for n := range 1000 {
		r := seeded(n)
		p := draw(r, unsettled[n%len(unsettled)], 5+r.IntN(8), 15+r.IntN(25))
		bySubsets, err := basket.Solve(p, basket.Budget{Nodes: 1})
		if err != nil {
			t.Fatal(err)
		}
		methods[bySubsets.Method]++
		total, err := priced(p, bySubsets)
		if want := solve(t, p).Total; err != nil || total != bySubsets.Total || !bySubsets.Proven || total != want {
			t.Fatalf("case %d: %+v, priced %d, %v; branch and bound finds %d: %+v", n, bySubsets, total, err, want, p)
		}
	}
	if methods[basket.SubsetProgramming] < 250 {
		t.Errorf("hardly anything was left to the subsets: %v", methods)
	}
}

func TestNonsenseIsRefusedByField(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", problem.MaxID+1)
	_, err := basket.Solve(basket.Problem{Currency: "usd", Parts: []string{"a", "a", "", long}, Sellers: []basket.Seller{
		{ID: "s", Freight: -1, Offers: []basket.Offer{{Part: "a", Price: -1}, {Part: "b"}, {Part: "a", Price: basket.MaxAmount + 1}}},
		{ID: "s", Freight: basket.MaxAmount + 1},
		{ID: ""},
	}}, basket.Budget{})
	invalid := refused(t, err)
	want := []string{
		"currency_code is no currency in use", "parts[1] is the same as parts[0]", "parts[2] is empty or too long", "parts[3] is empty or too long",
		"sellers[0].freight is out of range", "sellers[0].offers[0].price is out of range", "sellers[0].offers[1].part is none of parts",
		"sellers[0].offers[2].part is the same as that of offers[0]", "sellers[0].offers[2].price is out of range",
		"sellers[1].id is the same as that of sellers[0]", "sellers[1].freight is out of range", "sellers[2].id is empty or too long",
	}
	for n, v := range invalid.Violations {
		// a problem may begin with the value
		if n >= len(want) || !strings.HasPrefix(want[n], v.Field+" ") || !strings.HasSuffix(v.Problem, want[n][len(v.Field)+1:]) || v.Expected == "" {
			t.Errorf("violation %d: %+v", n, v)
		}
	}
	if len(invalid.Violations) != len(want) {
		t.Errorf("%d violations, want %d", len(invalid.Violations), len(want))
	}
}

func refused(t *testing.T, err error) *problem.InvalidError {
	t.Helper()
	var invalid *problem.InvalidError
	if !errors.As(err, &invalid) {
		t.Fatalf("got %v", err)
	}
	return invalid
}

func TestLimits(t *testing.T) {
	t.Parallel()
	parts := func(n int) []string {
		all := make([]string, n)
		for i := range all {
			all[i] = fmt.Sprint(i)
		}
		return all
	}
	sellers := func(n int, offers ...basket.Offer) []basket.Seller {
		all := make([]basket.Seller, n)
		for i := range all {
			all[i] = basket.Seller{ID: fmt.Sprint(i), Offers: offers}
		}
		return all
	}
	thirty := make([]basket.Offer, 0, 30)
	for _, part := range parts(30) {
		thirty = append(thirty, basket.Offer{Part: part})
	}
	for field, p := range map[string]basket.Problem{
		"parts is empty":                   {},
		"parts has 41 items":               {Parts: parts(41), Sellers: sellers(1)},
		"sellers has 1001 items":           {Parts: parts(1), Sellers: sellers(1001)},
		"sellers have 20010 offers in all": {Parts: parts(30), Sellers: sellers(667, thirty...)},
	} {
		p.Currency = "USD"
		_, err := basket.Solve(p, basket.Budget{})
		if got := refused(t, err).Violations[0]; got.Field+" "+got.Problem != field {
			t.Errorf("%s: %+v", field, got)
		}
	}
	// At the limits, with the largest amounts, nothing overflows.
	p := basket.Problem{Currency: "USD", Parts: parts(40), Sellers: sellers(1000)}
	for i := range p.Sellers {
		p.Sellers[i].Freight = basket.MaxAmount
		for n := range 20 {
			p.Sellers[i].Offers = append(p.Sellers[i].Offers, basket.Offer{Part: p.Parts[(i+n)%40], Price: basket.MaxAmount})
		}
	}
	if got := solve(t, p); got.Total != 42*basket.MaxAmount {
		t.Errorf("forty parts from two sellers cost %d", got.Total)
	}
}

func TestPartsThatNobodyOffersAreNamed(t *testing.T) {
	t.Parallel()
	_, err := basket.Solve(basket.Problem{Currency: "USD", Parts: []string{"a", "b", "c"}, Sellers: []basket.Seller{
		{ID: "s", Offers: []basket.Offer{{Part: "b", Price: 1}}},
	}}, basket.Budget{})
	var missing *basket.UnofferedError
	if !errors.As(err, &missing) {
		t.Fatalf("got %v", err)
	}
	if diff := cmp.Diff(&basket.UnofferedError{Parts: []string{"a", "c"}, Fields: []string{"parts[0]", "parts[2]"}}, missing); diff != "" {
		t.Error(diff)
	}
	if got := err.Error(); got != "no seller offers a, c" {
		t.Errorf("it says %q", got)
	}
}

// FuzzSolve reads a problem off bytes and holds the answer against brute force.
func FuzzSolve(f *testing.F) {
	f.Add([]byte{3, 2, 10, 1, 5, 2, 7, 3, 9, 20, 1, 4, 2, 4, 3, 4})
	f.Add([]byte{0})
	f.Add([]byte{6, 6, 255, 1, 255, 2, 255, 3, 255, 4, 255, 5, 255})
	f.Fuzz(func(t *testing.T, raw []byte) {
		next := func() int {
			if len(raw) == 0 {
				return 0
			}
			b := raw[0]
			raw = raw[1:]
			return int(b)
		}
		p := basket.Problem{Currency: "USD"}
		for j := range next() % 8 {
			p.Parts = append(p.Parts, fmt.Sprint(j))
		}
		for i := range next() % 8 {
			seller := basket.Seller{ID: fmt.Sprint(i), Freight: int64(next()) - 2}
			for range next() % 8 {
				seller.Offers = append(seller.Offers, basket.Offer{Part: fmt.Sprint(next() % 9), Price: int64(next()) - 2})
			}
			p.Sellers = append(p.Sellers, seller)
		}
		s, err := basket.Solve(p, basket.Budget{Nodes: next()})
		var invalid *problem.InvalidError
		var missing *basket.UnofferedError
		switch {
		case errors.As(err, &invalid):
			if len(invalid.Violations) == 0 {
				t.Fatal("refused without a reason")
			}
		case errors.As(err, &missing):
			if bruteForce(p) >= 0 {
				t.Fatalf("%v, yet it can be bought", err)
			}
		case err != nil:
			t.Fatal(err)
		default:
			if total, err := priced(p, s); err != nil || total != s.Total || !s.Proven || total != bruteForce(p) {
				t.Fatalf("%+v; it costs %d, %v, and %d is least", s, total, err, bruteForce(p))
			}
		}
	})
}

// hardest are problems of as many parts as the subsets can do, from 200 sellers, that
// take the longest of thousands of random ones of many shapes: freight is nearly all
// that counts, and nearly the same everywhere.
func hardest(parts int) map[string]basket.Problem {
	problems := make(map[string]basket.Problem)
	for name, s := range map[string]shape{
		"alike":        {density: .2, freight: 5000, price: 10000, even: true},
		"alike, more":  {density: .3, freight: 5000, price: 10000, even: true},
		"alike, fewer": {density: .15, freight: 5000, price: 10000, even: true},
		"everything":   {density: 1, freight: 40000, price: 20000},
	} {
		problems[name] = draw(seeded(2), s, parts, 200)
	}
	problems["freight alone"] = freighted(seeded(2), shape{density: .2, freight: 100000}, parts, 200)
	problems["freight, mostly"] = freighted(seeded(2), shape{density: .2, freight: 100000, price: 10}, parts, 200)
	return problems
}

// Twenty parts from 200 sellers must be done within four seconds of computing whatever
// the prices are, by either method.
func TestHardestInTime(t *testing.T) {
	t.Parallel()
	slowest := make(map[int]time.Duration)
	for name, p := range hardest(hardestParts) {
		for _, nodes := range []int{0, 1} {
			took := worked(t)
			s, err := basket.Solve(p, basket.Budget{Nodes: nodes, Stop: func() bool { return took() > 4*time.Second }})
			slowest[nodes] = max(slowest[nodes], took())
			if total, wrong := priced(p, s); err != nil || wrong != nil || total != s.Total || !s.Proven {
				t.Errorf("%s: %+v, priced %d, %v, %v", name, s, total, wrong, err)
			}
		}
	}
	t.Logf("%d parts from 200 sellers: the slowest took %v, left to the subsets %v", hardestParts, slowest[0], slowest[1])
}

func BenchmarkSolve(b *testing.B) {
	for _, name := range []string{"small-6x8", "medium-12x60", "large-20x200"} {
		p := read(b, name)
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				solve(b, p)
			}
		})
	}
	for name, p := range hardest(20) {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				solve(b, p)
			}
		})
	}
}
