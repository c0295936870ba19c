package quote_test

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/trust"
	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

// steps are workings as package working has them.
func steps(protos []*quotev1.Working) []working.Step {
	all := make([]working.Step, len(protos))
	for i, p := range protos {
		all[i] = working.Step{Number: p.GetNumber(), Formula: p.GetFormula(), Value: p.GetValue(), Source: p.GetSource()}
	}
	return all
}

// priced is a listing that fits, with freight; handling and losses where stated.
func priced(yard, stock string, price, freight int64) *fitmentv1.Donor {
	d := fitting(yard, stock, price)
	d.Listing.Terms.Freight = freight
	return d
}

func weighAll(t *testing.T, lines ...quote.Input) quote.Whole {
	t.Helper()
	whole, err := quote.WeighAll(lines, nil)
	if err != nil {
		t.Fatal(err)
	}
	return whole
}

// worth is the index of an offer by hand: price + (freight + days·cost + (1 − p)·loss) / p
// (Weitzman 1979, seen from the cost side), freight left out, rounded.
func worth(d *fitmentv1.Donor, dayCost int64, p *big.Rat) int64 {
	terms := d.GetListing().GetTerms()
	cost := big.NewRat(dayCost*int64(terms.GetDays()), 1)
	loss := new(big.Rat).Mul(new(big.Rat).Sub(big.NewRat(1, 1), p), big.NewRat(terms.GetReturnFreight(), 1))
	z := new(big.Rat).Quo(cost.Add(cost, loss), p)
	z.Add(z, big.NewRat(d.GetListing().GetPrice(), 1))
	half := new(big.Rat).Add(z, big.NewRat(1, 2))
	return new(big.Int).Div(half.Num(), half.Denom()).Int64()
}

// A basket agrees with trying every assignment, where a seller's freight is one
// amount; where it is not, its bound and total hold the best one between them.
// Bought together nothing costs more than apart, and no listing serves two lines.
func TestBasketOfAQuoteIsTheCheapest(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		equal := rapid.Bool().Draw(t, "one freight a seller")
		freight := rapid.SliceOfN(rapid.Int64Range(0, 60_00), 4, 4).Draw(t, "freight")
		lines := make([]quote.Input, rapid.IntRange(2, 4).Draw(t, "lines"))
		dayCost := rapid.Int64Range(0, 20_00).Draw(t, "day cost")
		for i := range lines {
			var donors []*fitmentv1.Donor
			for seller := range 4 {
				if seller > 0 && rapid.Bool().Draw(t, "does not offer it") {
					continue
				}
				f := freight[seller]
				if !equal {
					f += rapid.Int64Range(0, 20_00).Draw(t, "more")
				}
				d := priced(fmt.Sprint("yard-", seller), fmt.Sprint("l", i), rapid.Int64Range(10_00, 200_00).Draw(t, "price"), f)
				d.Listing.Terms.Days = rapid.Int32Range(0, 9).Draw(t, "days")
				d.Listing.Terms.ReturnFreight = rapid.Int64Range(0, 20_00).Draw(t, "loss")
				donors = append(donors, d)
			}
			lines[i] = input(donors, nil)
			lines[i].DayCost = dayCost
		}
		whole, err := quote.WeighAll(lines, nil)
		if err != nil {
			t.Fatal(err)
		}
		best, apart := cheapest(lines, dayCost)
		b := whole.Basket
		if b.GetBound() > best || b.GetTotal() < best || (equal && (b.GetTotal() != best || !b.GetProven())) || (b.GetProven() && b.GetTotal() != best) {
			t.Fatalf("total %d, bound %d, proven %t; the best is %d", b.GetTotal(), b.GetBound(), b.GetProven(), best)
		}
		if b.GetSeparateTotal() != apart || b.GetTotal() > apart {
			t.Fatalf("together %d, apart %d; apart by hand %d", b.GetTotal(), b.GetSeparateTotal(), apart)
		}
		if diff := cmp.Diff(b.GetSources(), whole.Firsts()); diff != "" {
			t.Fatalf("the plans open otherwise (-basket +plans):\n%s", diff)
		}
		verify(t, whole.Workings)
	})
}

// verify does sums again in a property.
func verify(t *rapid.T, steps []working.Step) {
	for _, step := range steps {
		if err := workingtest.Verify(step); err != nil {
			t.Fatalf("%s: %v", step.Number, err)
		}
	}
}

// cheapest tries every assignment.
func cheapest(lines []quote.Input, dayCost int64) (together, apart int64) {
	p := big.NewRat(4, 5)
	together = math.MaxInt64
	var walk func(line int, worths int64, freight map[string]int64)
	walk = func(line int, worths int64, freight map[string]int64) {
		if line == len(lines) {
			for _, f := range freight {
				worths += f
			}
			together = min(together, worths)
			return
		}
		for _, d := range lines[line].Donors {
			yard, f := d.GetListing().GetYard(), d.GetListing().GetTerms().GetFreight()
			before, used := freight[yard]
			freight[yard] = max(before, f)
			walk(line+1, worths+worth(d, dayCost, p), freight)
			if freight[yard] = before; !used {
				delete(freight, yard)
			}
		}
	}
	walk(0, 0, map[string]int64{})
	for _, line := range lines {
		least := int64(math.MaxInt64)
		for _, d := range line.Donors {
			least = min(least, worth(d, dayCost, p)+d.GetListing().GetTerms().GetFreight())
		}
		apart += least
	}
	return together, apart
}

// Lines that share nothing are planned as each would be by itself.
func TestLinesThatShareNothingAreIndependent(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		lines := make([]quote.Input, 2)
		for i := range lines {
			var donors []*fitmentv1.Donor
			for seller := range rapid.IntRange(1, 4).Draw(t, "sellers") {
				d := priced(fmt.Sprintf("yard-%d-%d", i, seller), "1", rapid.Int64Range(10_00, 200_00).Draw(t, "price"), 0)
				d.Listing.Terms.Days = rapid.Int32Range(0, 9).Draw(t, "days")
				donors = append(donors, d)
			}
			var fresh []*quotev1.Offer
			if rapid.Bool().Draw(t, "new") {
				fresh = append(fresh, offer(fmt.Sprint("new", i), quotev1.Offer_NEW, "NB40118", rapid.Int64Range(100_00, 300_00).Draw(t, "new price"), 2))
			}
			lines[i] = input(donors, []*fitmentv1.PartMatch{proven("NB40118")}, fresh...)
			lines[i].DayCost = rapid.Int64Range(0, 20_00).Draw(t, "day cost")
		}
		lines[1].DayCost = lines[0].DayCost
		whole, err := quote.WeighAll(lines, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range lines {
			alone, err := quote.Weigh(line)
			if err != nil {
				t.Fatal(err)
			}
			if got, want := whole.Lines[i].Plan, alone.Plan; got.GetExpectedCost() != want.GetExpectedCost() || got.GetUnrepairedProbability() != want.GetUnrepairedProbability() {
				t.Fatalf("line %d: %v; alone %v", i+1, got, want)
			}
		}
	})
}

// The total of a single purchase is its landed cost, whatever the place's rules.
func TestTotalOfOnePurchaseIsItsLandedCost(t *testing.T) {
	t.Parallel()
	packs := append(tax.Builtin().All(), tax.Default(""), tax.Pack{Place: "XX", Name: "X", Rounding: tax.RoundingRule{Boundary: tax.ByLine}})
	rapid.Check(t, func(t *rapid.T) {
		amounts := rapid.Int64Range(0, 500_00)
		d := priced("yard-a", "1", amounts.Draw(t, "price"), amounts.Draw(t, "freight"))
		d.Listing.Terms.CoreDeposit, d.Listing.Terms.Handling = amounts.Draw(t, "core"), amounts.Draw(t, "handling")
		d.Listing.Terms.FreightPerKilogram, d.Listing.Terms.WeightGrams = amounts.Draw(t, "a kilogram"), rapid.Int64Range(1, 9000).Draw(t, "grams")
		in := input([]*fitmentv1.Donor{d}, nil)
		in.Pack = rapid.SampledFrom(packs).Draw(t, "place")
		in.Labour = &quotev1.Labour{FitMinutes: 70, CheckMinutes: 15, HourlyRate: amounts.Draw(t, "rate")}
		in.Supplies = []*quotev1.SupplyLine{{Label: "thread lock", Amount: amounts.Draw(t, "supplies")}}
		rate, err := money.ParsePercent(rapid.SampledFrom([]string{"0", "7.25", "8.875", "10"}).Draw(t, "tax"))
		if err != nil {
			t.Fatal(err)
		}
		in.Tax = rate
		whole, err := quote.WeighAll([]quote.Input{in}, nil)
		if err != nil {
			t.Fatal(err)
		}
		o := whole.Lines[0].Options[0]
		if whole.Total.GetTotal() != o.GetLandedCost() || whole.Total.GetTax() != o.GetTax() || whole.Total.GetFreight() != o.GetFreight() {
			t.Fatalf("total %v; option %v", whole.Total, o)
		}
		verify(t, whole.Workings)
		verify(t, steps(o.GetWorkings()))
	})
}

// Two parts of one yard in Ohio, where the tax falls on part and deposit (Ohio
// Department of Taxation, information release of 22 March 1982): 7 % of 130.00 +
// 50.00 + 54.00 = 16.38. Freight is 20.00 once, with 3 kg at 2.00 for the first and
// 1 kg for the second; handling once, the higher. Labour 60/60 and 30/60 × 100.00.
func TestTotalOfTwoParts(t *testing.T) {
	t.Parallel()
	first, second := priced("yard-a", "1", 130_00, 20_00), priced("yard-a", "2", 54_00, 15_00)
	first.Listing.Terms.CoreDeposit, first.Listing.Terms.Handling = 50_00, 35_00
	first.Listing.Terms.FreightPerKilogram, first.Listing.Terms.WeightGrams = 2_00, 2_100
	second.Listing.Terms.FreightPerKilogram, second.Listing.Terms.WeightGrams = 2_00, 800
	second.Listing.Terms.Handling = 10_00
	lines := []quote.Input{input([]*fitmentv1.Donor{first}, nil), input([]*fitmentv1.Donor{second}, nil)}
	rate, err := money.ParsePercent("7")
	if err != nil {
		t.Fatal(err)
	}
	ohio, known := tax.Builtin().For("US-OH")
	if !known {
		t.Fatal("the rules of Ohio are not there")
	}
	for i := range lines {
		lines[i].Tax, lines[i].Pack = rate, ohio
	}
	lines[0].Labour = &quotev1.Labour{FitMinutes: 60, HourlyRate: 100_00}
	lines[1].Labour = &quotev1.Labour{FitMinutes: 30, HourlyRate: 100_00}
	lines[0].Supplies = []*quotev1.SupplyLine{{Label: "thread lock", Amount: 3_00}}
	whole := weighAll(t, lines...)
	want := &quotev1.QuoteTotal{
		Parts: 184_00, CoreDeposits: 50_00, Tax: 16_38, Freight: 28_00, Handling: 35_00, FitLabour: 150_00, Supplies: 3_00, Total: 466_38,
	}
	if diff := cmp.Diff(want, whole.Total, protocmp.Transform()); diff != "" {
		t.Errorf("total (-want +got):\n%s", diff)
	}
	workingtest.Check(t, whole.Workings)
	stored := &quotev1.Quote{CurrencyCode: "USD", TaxPercent: "7", Supplies: lines[0].Supplies, Total: whole.Total, Lines: []*quotev1.QuoteLine{
		{Options: whole.Lines[0].Options}, {Options: whole.Lines[1].Options},
	}}
	// The second alone: 54.00 + 7 % 3.78 + 15.00 + 2.00 + 10.00 + 50.00 + 3.00.
	alone, err := quote.TotalOf(stored, []int{1}, ohio)
	if err != nil || alone.GetTotal() != 137_78 || alone.GetFreight() != 17_00 {
		t.Errorf("the second line alone: %v, %v", alone, err)
	}
	if all, err := quote.TotalOf(stored, []int{0, 1}, ohio); err != nil || all != whole.Total {
		t.Errorf("all lines: %v, %v", all, err)
	}
}

// Every number of an option and a plan can be done again.
func TestWorkingsOfAQuoteGiveItsNumbers(t *testing.T) {
	t.Parallel()
	a, b := priced("yard-a", "1", 100_00, 12_00), priced("yard-a", "2", 120_00, 12_00)
	in := input([]*fitmentv1.Donor{a, b}, []*fitmentv1.PartMatch{proven("NB40118")}, offer("n", quotev1.Offer_NEW, "NB40118", 400_00, 3))
	in.DayCost, in.Choices = 5_00, true
	in.Tallies = map[quotev1.Offer_Condition]map[string]quote.Tally{quotev1.Offer_USED: {
		"yard-a": {Passed: 7, Failed: 2, Bought: 12, Answered: 9}, "yard-b": {Passed: 20, Failed: 1}, "yard-c": {Passed: 3, Failed: 3}, "yard-d": {Passed: 9},
		"yard-e": {Failed: 2},
	}}
	result := weigh(t, in)
	numbers := make(map[string]bool)
	for _, o := range result.Options {
		workingtest.Check(t, steps(o.GetWorkings()))
		own := make(map[string]bool)
		for _, step := range o.GetWorkings() {
			if own[step.GetNumber()] {
				t.Errorf("%s of %s is worked out twice", step.GetNumber(), o.GetSource())
			}
			own[step.GetNumber()], numbers[step.GetNumber()] = true, true
		}
	}
	workingtest.Check(t, steps(result.Plan.GetWorkings()))
	for _, want := range []string{"total", "chance of passing", "lower bound of the chance"} {
		if !numbers[want] {
			t.Errorf("nothing says how %q came about", want)
		}
	}
	o := result.Options[0]
	if o.GetUnreported() != 3 || o.GetPassed() != 7 || o.GetOutcomes() != 9 {
		t.Errorf("%d passed, %d outcomes, %d unreported", o.GetPassed(), o.GetOutcomes(), o.GetUnreported())
	}
	if want := trust.LowerBound(7, 12, 0.95); o.GetLowerBound() != want {
		t.Errorf("lower bound %g, want %g", o.GetLowerBound(), want)
	}
	if len(result.TradeOff.GetPoints()) == 0 || result.TradeOff.GetPoints()[0].GetExpectedCost() != result.Plan.GetExpectedCost() {
		t.Errorf("trade-off %v, plan %d", result.TradeOff, result.Plan.GetExpectedCost())
	}
}

// The limit on the lower bound shuts out used parts only: 59 clean outcomes are
// what 0.95 takes (success run, n = ln 0.05 / ln 0.95 rounded up).
func TestLowerBoundLimit(t *testing.T) {
	t.Parallel()
	in := input([]*fitmentv1.Donor{fitting("yard-a", "1", 50_00), fitting("yard-b", "1", 60_00)},
		[]*fitmentv1.PartMatch{proven("NB40118")}, offer("r", quotev1.Offer_REMANUFACTURED, "NB40118", 100_00, 2))
	in.Tallies = map[quotev1.Offer_Condition]map[string]quote.Tally{quotev1.Offer_USED: {"yard-a": {Passed: 58}, "yard-b": {Passed: 59}}}
	in.Limits = &quotev1.Limits{MinLowerBound: 0.95}
	result := weigh(t, in)
	got := sources(result.Options)
	slices.Sort(got)
	if diff := cmp.Diff([]string{"listings/yard-b.1", "offers/northline.r"}, got); diff != "" {
		t.Errorf("options (-want +got):\n%s", diff)
	}
	shut := excludedBy(result.Excluded)["listings/yard-a.1"]
	if !strings.Contains(shut.GetReason(), "limit of 0.95 that was set, which at 95 % takes 59 outcomes if all pass;") || !strings.Contains(shut.GetReason(), "nothing about whether it fits") || shut.GetRemedy() == "" {
		t.Errorf("shut out: %v", shut)
	}
}

// A limit makes the plan the cheapest that keeps it; one that nothing keeps is
// said, with how near one comes, and the plan is the cheapest of all.
func TestLimitsOnThePlan(t *testing.T) {
	t.Parallel()
	slow, fast := priced("yard-a", "1", 50_00, 0), priced("yard-b", "1", 80_00, 0)
	slow.Listing.Terms.Days, fast.Listing.Terms.Days = 20, 1
	in := input([]*fitmentv1.Donor{slow, fast}, []*fitmentv1.PartMatch{proven("NB40118")}, offer("n", quotev1.Offer_NEW, "NB40118", 400_00, 2))
	if got := weigh(t, in).Plan; got.GetOrder()[0] != "listings/yard-a.1" || got.GetExpectedDays() < 20 {
		t.Fatalf("without a limit: %v", got)
	}
	in.Limits = &quotev1.Limits{MaxDays: 5}
	if got := weigh(t, in); got.Plan.GetOrder()[0] != "listings/yard-b.1" || got.Plan.GetExpectedDays() > 5 || len(got.TradeOff.GetPoints()) == 0 {
		t.Errorf("within 5 days: %v", got.Plan)
	}
	in.Limits = &quotev1.Limits{MaxCost: 10_00}
	got := weigh(t, in)
	if len(got.TradeOff.GetPoints()) != 0 || len(got.TradeOff.GetNearestMisses()) == 0 || !strings.Contains(strings.Join(got.Notices, " "), "No way to buy keeps all the limits") {
		t.Errorf("a limit that nothing keeps: %v, %q", got.TradeOff, got.Notices)
	}
}

func TestConditionWords(t *testing.T) {
	t.Parallel()
	colorado := []*fitmentv1.Obligation{
		{Type: fitmentv1.Obligation_INVOICE, Words: []string{"salvaged inflatable restraint system"}},
		{Type: fitmentv1.Obligation_FORBIDDEN_WORDS, Words: []string{"used", "as is"}},
		{Type: fitmentv1.Obligation_INVOICE},
	}
	for _, test := range []struct {
		condition   quotev1.Offer_Condition
		obligations []*fitmentv1.Obligation
		want        string
	}{
		{quotev1.Offer_USED, nil, "used"},
		{quotev1.Offer_REMANUFACTURED, nil, "remanufactured"},
		{quotev1.Offer_NEW, nil, "new"},
		{quotev1.Offer_USED, colorado, "salvaged inflatable restraint system"},
		{quotev1.Offer_NEW, colorado, "new"},
		{quotev1.Offer_USED, colorado[1:2], "previously installed"},
	} {
		if got := quote.ConditionWords(test.condition, test.obligations); got != test.want {
			t.Errorf("%s: %q, want %q", test.condition, got, test.want)
		}
	}
	for text, says := range map[string]bool{
		"A Used part": true, "used": true, "because": false, "unused": false, "sold AS IS.": true, "as  is": true, "is as it is": false,
	} {
		if got := quote.Says(text, []string{"used", "as is"}); got != says {
			t.Errorf("%q says it: %t", text, got)
		}
	}
}

func TestDifferences(t *testing.T) {
	t.Parallel()
	base := func() *quotev1.Quote {
		whole := weighAll(t, input([]*fitmentv1.Donor{fitting("yard-a", "1", 100_00), fitting("yard-b", "1", 120_00)}, nil))
		line := whole.Lines[0]
		return &quotev1.Quote{
			Name: "quotes/a", Need: need(), CurrencyCode: "USD", Options: line.Options, Plan: line.Plan, Total: whole.Total, Notices: line.Notices,
		}
	}
	again := base()
	again.Name, again.Number, again.Version, again.HeldListing = "quotes/b", "Q-2", 2, "listings/yard-a.1"
	if got := quote.Differences(base(), again); len(got) != 0 {
		t.Errorf("differences of what a customer sees alike: %v", got)
	}
	for want, alter := range map[string]func(*quotev1.Quote){
		"customer: none → R. Ash":                                                 func(q *quotev1.Quote) { q.Customer = "R. Ash" },
		"tax rate: none → 7.25 %":                                                 func(q *quotev1.Quote) { q.TaxPercent = "7.25" },
		"cost of a day: 0.00 USD → 5.00 USD":                                      func(q *quotev1.Quote) { q.DayCost = 5_00 },
		"supplies: none → thread lock 3.00 USD":                                   func(q *quotev1.Quote) { q.Supplies = []*quotev1.SupplyLine{{Label: "thread lock", Amount: 3_00}} },
		"supplies: none → 5 % of labour":                                          func(q *quotev1.Quote) { q.SuppliesPercent = "5" },
		"limits: none → expected days 5":                                          func(q *quotev1.Quote) { q.Limits = &quotev1.Limits{MaxDays: 5} },
		"several parts bought at once: false → true":                              func(q *quotev1.Quote) { q.Parallel = true },
		"day to be ready by: none → 7":                                            func(q *quotev1.Quote) { q.DeadlineDays = 7 },
		"hours it is asked to be good for: none → 24":                             func(q *quotev1.Quote) { q.ValidHours = 24 },
		"total: 100.00 USD → 101.00 USD":                                          func(q *quotev1.Quote) { q.Total.Total = 101_00 },
		"line 1, listings/yard-a.1, price: 100.00 USD → 99.00 USD":                func(q *quotev1.Quote) { q.Options[0].Price = 99_00 },
		"line 1, listings/yard-a.1, freight: 0.00 USD → 9.00 USD":                 func(q *quotev1.Quote) { q.Options[0].Freight = 9_00 },
		"line 1, listings/yard-a.1, kept where it goes back: 0.00 USD → 8.00 USD": func(q *quotev1.Quote) { q.Options[0].ReturnLoss = 8_00 },
		"line 1, listings/yard-a.1, part: Norrland NB 40-118 → Norrland NB 40-119": func(q *quotev1.Quote) {
			q.Options[0].PartNumber = "NB 40-119"
		},
		"line 1, plan from place 2 on: listings/yard-b.1 → none":                 func(q *quotev1.Quote) { q.Plan.Order = q.GetPlan().GetOrder()[:1] },
		"line 1, listings/yard-b.1: 120.00 USD → none":                           func(q *quotev1.Quote) { q.Options = q.GetOptions()[:1] },
		"line 1, plan: listings/yard-a.1, listings/yard-b.1 → listings/yard-b.1": func(q *quotev1.Quote) { q.Plan.Order = q.GetPlan().GetOrder()[1:] },
		"line 1, bought first: used part listings/yard-a.1 → used part listings/yard-b.1": func(q *quotev1.Quote) {
			q.Options[0].PlanPlace, q.Options[1].PlanPlace = 2, 1
		},
		"line 2: none → clock spring": func(q *quotev1.Quote) {
			other := need()
			other.Kind, other.Position = fitmentv1.Part_CLOCK_SPRING, nil
			q.Lines = []*quotev1.QuoteLine{{Need: q.GetNeed(), Options: q.GetOptions(), Plan: q.GetPlan()}, {Need: other}}
		},
	} {
		after := base()
		alter(after)
		var said []string
		for _, d := range quote.Differences(base(), after) {
			said = append(said, d.GetWhat()+": "+orNone(d.GetBefore())+" → "+orNone(d.GetAfter()))
		}
		if !slices.Contains(said, want) {
			t.Errorf("no %q among %q", want, said)
		}
	}
}

// However much is different, a new total is told; and long plans are told from where
// they part.
func TestManyDifferences(t *testing.T) {
	t.Parallel()
	many := func(price, total int64, from int) *quotev1.Quote {
		q := &quotev1.Quote{Need: need(), CurrencyCode: "USD", Total: &quotev1.QuoteTotal{Total: total}, Plan: &quotev1.PlanPurchaseResponse{}}
		for i := range 200 {
			q.Options = append(q.Options, &quotev1.Option{Source: fmt.Sprintf("listings/yard-a.%d", i), Price: price})
			q.Plan.Order = append(q.Plan.Order, fmt.Sprintf("listings/yard-a.%d", (i+from)%200))
		}
		return q
	}
	got := quote.Differences(many(100_00, 1, 0), many(99_00, 2, 1))
	told := func(what, before string) bool {
		return slices.ContainsFunc(got, func(d *quotev1.Difference) bool { return d.GetWhat() == what && d.GetBefore() == before })
	}
	if !told("total", "0.01 USD") || !told("line 1, plan", "listings/yard-a.0, listings/yard-a.1, listings/yard-a.2, listings/yard-a.3 and 196 more") {
		t.Errorf("neither total nor plan is told of in %v", got[:3])
	}
	if last := got[len(got)-1].GetWhat(); len(got) != 101 || last != "and 102 more" {
		t.Errorf("%d differences, at last %q", len(got), last)
	}
}

// Needs that are alike want the same listings: each line gets one of its own, and
// the cheapest ones serve.
func TestNeedsThatAreAlikeShareTheListingsOut(t *testing.T) {
	t.Parallel()
	var donors []*fitmentv1.Donor
	for i := range quote.MaxLines + 5 {
		donors = append(donors, priced(fmt.Sprint("yard-", i%4), fmt.Sprint(i), int64(100_00+100*i), 10_00))
	}
	lines := make([]quote.Input, quote.MaxLines)
	for i := range lines {
		lines[i] = input(donors, nil)
	}
	whole := weighAll(t, lines...)
	bought := whole.Firsts()
	slices.Sort(bought)
	if n := len(slices.Compact(bought)); n != quote.MaxLines {
		t.Errorf("%d lines buy %d listings", quote.MaxLines, n)
	}
	if most := int64(quote.MaxLines*100_00 + 100*190); whole.Total.GetParts() != most || whole.Basket.GetProven() {
		t.Errorf("parts cost %d instead of %d, proven: %t", whole.Total.GetParts(), most, whole.Basket.GetProven())
	}
	for i := range lines {
		lines[i].Donors = donors[:quote.MaxLines-1]
	}
	if _, err := quote.WeighAll(lines, nil); !errors.Is(err, quote.ErrTaken) {
		t.Errorf("one listing too few: %v", err)
	}
}

// What takes part in a plan or not is all that may be tried, also where the basket
// buys something first that the line by itself would not try any more.
func TestNothingTriedIsForgotten(t *testing.T) {
	t.Parallel()
	var donors []*fitmentv1.Donor
	for i := range 210 {
		donors = append(donors, priced(fmt.Sprint("yard-", i%3), fmt.Sprint(i), int64(100_00+i), 0))
	}
	dear := priced("yard-z", "1", 99_00, 50_00) // its index is far above the others', but its freight is paid anyway
	whole := weighAll(t, input(append(donors, dear), nil), input([]*fitmentv1.Donor{priced("yard-z", "2", 50_00, 50_00)}, nil))
	if whole.Firsts()[0] != "listings/yard-z.1" {
		t.Fatalf("the basket buys %q", whole.Firsts())
	}
	plan := whole.Lines[0].Plan
	if got := len(plan.GetOrder()) + len(plan.GetNotTried()); got != len(donors)+1 {
		t.Errorf("%d of %d are tried or not", got, len(donors)+1)
	}
}

func orNone(text string) string {
	if text == "" {
		return "none"
	}
	return text
}

// A quote that is too large loses details, from the end of the plan on, and
// neither prices nor places.
func TestSlim(t *testing.T) {
	t.Parallel()
	var donors []*fitmentv1.Donor
	for i := range 90 {
		d := fitting(fmt.Sprint("yard-", i), "1", int64(100_00+i))
		d.Decision.Obligations = []*fitmentv1.Obligation{{Text: strings.Repeat("x", 500)}}
		donors = append(donors, d)
	}
	result := weigh(t, input(donors, nil))
	q := &quotev1.Quote{Options: result.Options, Plan: result.Plan}
	full := proto.Size(q)
	quote.Slim(q, full)
	if proto.Size(q) != full {
		t.Error("a quote that is not too large is slimmed")
	}
	quote.Slim(q, full/2)
	if got := proto.Size(q); got > full/2 {
		t.Errorf("%d bytes of %d are left", got, full)
	}
	for i, o := range q.GetOptions() {
		if o.GetPrice() == 0 || o.GetPlanPlace() == 0 || (i < 3 && len(o.GetWorkings()) == 0) {
			t.Errorf("option %d: %v", i, o)
		}
	}
	if len(q.GetNotices()) != 1 {
		t.Errorf("notices %q", q.GetNotices())
	}
}

// Many lines with parallel purchases do without the trade-off, and say so.
func TestChoicesOfManyParallelLinesAreLeftOut(t *testing.T) {
	t.Parallel()
	lines := make([]quote.Input, 5)
	for i := range lines {
		lines[i] = input([]*fitmentv1.Donor{priced("yard-a", fmt.Sprint(i), 100_00, 10_00), priced("yard-b", fmt.Sprint(i), 90_00, 10_00)}, nil)
		lines[i].Choices, lines[i].Parallel = true, true
	}
	for n, listed := range map[int]bool{4: true, 5: false} {
		whole := weighAll(t, lines[:n]...)
		if got := len(whole.Lines[0].TradeOff.GetPoints()) > 0; got != listed {
			t.Errorf("%d lines list choices: %t", n, got)
		}
		if got := strings.Contains(strings.Join(whole.Notices, "\n"), "more than four lines"); got == listed {
			t.Errorf("%d lines: notices %q", n, whole.Notices)
		}
	}
}

// With sellers that repeat and a deadline, a line's plan after its settled first
// purchase is the best one: where the line by itself buys the same first, it costs
// the same, else no less.
func TestThePlanAfterASettledPurchaseIsTheBest(t *testing.T) {
	t.Parallel()
	same := 0
	rapid.Check(t, func(t *rapid.T) {
		lines := make([]quote.Input, 2)
		for i := range lines {
			var donors []*fitmentv1.Donor
			for n := range rapid.IntRange(1, 5).Draw(t, "listings") {
				yard := fmt.Sprintf("yard-%d-%d", i, rapid.IntRange(0, 2).Draw(t, "yard"))
				d := priced(yard, fmt.Sprint(n), rapid.Int64Range(10_00, 200_00).Draw(t, "price"), 0)
				d.Listing.Terms.Days = rapid.Int32Range(1, 9).Draw(t, "days")
				d.Listing.Terms.ReturnFreight = rapid.Int64Range(0, 20_00).Draw(t, "loss")
				donors = append(donors, d)
			}
			lines[i] = input(donors, []*fitmentv1.PartMatch{proven("NB40118")},
				offer(fmt.Sprint("new", i), quotev1.Offer_NEW, "NB40118", rapid.Int64Range(100_00, 300_00).Draw(t, "new price"), 2))
			lines[i].Deadline, lines[i].LateCost = rapid.Int32Range(1, 12).Draw(t, "deadline"), rapid.Int64Range(0, 100_00).Draw(t, "late")
		}
		whole, err := quote.WeighAll(lines, nil)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range lines {
			alone, err := quote.Weigh(line)
			if err != nil {
				t.Fatal(err)
			}
			got, want := whole.Lines[i].Plan, alone.Plan
			first, own := quote.FirstBuy(whole.Lines[i].Options).GetSource(), quote.FirstBuy(alone.Options).GetSource()
			if got.GetExpectedCost() < want.GetExpectedCost() || (first == own && got.GetExpectedCost() != want.GetExpectedCost()) {
				t.Fatalf("line %d begins with %s and costs %d; alone it begins with %s and costs %d", i+1, first, got.GetExpectedCost(), own, want.GetExpectedCost())
			}
			if first == own {
				same++
			}
		}
	})
	if same == 0 {
		t.Error("no line began as it would by itself, so the test shows nothing")
	}
}

// Once time is up the lines that are left get their plan, but nothing to choose
// between, and the quote says so.
func TestChoicesEndWithTheTimeForThem(t *testing.T) {
	t.Parallel()
	lines := make([]quote.Input, 3)
	for i := range lines {
		yard := fmt.Sprint("yard-", i)
		lines[i] = input([]*fitmentv1.Donor{priced(yard, "1", 80_00, 0), priced(yard, "2", 90_00, 0)}, []*fitmentv1.PartMatch{proven("NB40118")})
		lines[i].Choices = true
	}
	asked := 0
	for _, test := range []struct {
		stop func() bool
		with int // lines with a trade-off
	}{
		{nil, len(lines)},
		{func() bool { return false }, len(lines)},
		{func() bool { return true }, 0},
		{func() bool { asked++; return asked > 1 }, -1},
	} {
		whole, err := quote.WeighAll(lines, test.stop)
		if err != nil {
			t.Fatal(err)
		}
		with := 0
		for i, line := range whole.Lines {
			if len(line.Plan.GetOrder()) == 0 {
				t.Errorf("line %d has no plan", i+1)
			}
			if len(line.TradeOff.GetPoints()) > 0 {
				with++
			}
		}
		told := slices.ContainsFunc(whole.Notices, func(n string) bool { return strings.Contains(n, "the time for it was up") })
		switch {
		case test.with >= 0 && with != test.with:
			t.Errorf("%d lines have something to choose between, want %d", with, test.with)
		case test.with < 0 && with == len(lines):
			t.Error("time ran out, and every line has something to choose between all the same")
		case told != (with < len(lines)):
			t.Errorf("%d of %d lines have something to choose between; notices %q", with, len(lines), whole.Notices)
		}
	}
}
