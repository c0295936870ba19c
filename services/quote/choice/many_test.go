package choice_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/choice"
	"beltwright.example/services/quote/plan"
)

// nine offers, more than are compared in every order.
func nine() plan.Problem {
	p := plan.Problem{Currency: "USD", DayCost: 1500, Fallback: &plan.Fallback{Price: 80000, Days: 3}}
	for n := range 9 {
		p.Offers = append(p.Offers, plan.Offer{
			ID: strconv.Itoa(n), Price: int64(9000 + 1300*n), Sunk: 2500, ReturnLoss: int64(400 * n), Pass: .3 + float64(n)/16, Days: int32(9 - n),
		})
	}
	return p
}

// The first point costs what the plan expects, however many offers there are, and
// the plan's own order is among what is compared.
func TestFirstPointCostsWhatThePlanExpects(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := problems(4).Draw(t, "problem")
		for n := range rapid.IntRange(0, 4).Draw(t, "more") {
			p.Offers = append(p.Offers, plan.Offer{
				ID: fmt.Sprint("more ", n), Price: rapid.Int64Range(0, 40000).Draw(t, "price"), Sunk: 2000, ReturnLoss: 1000,
				Pass: rapid.SampledFrom([]float64{.3, .7, .95, 1}).Draw(t, "pass"), Days: rapid.Int32Range(0, 5).Draw(t, "days"),
			})
		}
		p.Parallel = p.Parallel && len(p.Offers) < 5
		want, err := plan.Purchase(p)
		if err != nil {
			t.Fatal(err)
		}
		got, err := choice.Front(p, choice.Limits{})
		if err != nil {
			t.Fatal(err)
		}
		if first := got.Points[0]; first.ExpectedCost != want.ExpectedCost || first.CVaR95 > want.CVaR95 {
			t.Fatalf("first point %d, %d; the plan %d, %d", first.ExpectedCost, first.CVaR95, want.ExpectedCost, want.CVaR95)
		}
		if (got.Limited != "") != (len(p.Offers) > choice.Most) {
			t.Fatalf("%d offers: limited %q", len(p.Offers), got.Limited)
		}
	})
}

// The points of many offers are judged by package plan, and none beats another.
func TestPointsOfManyOffers(t *testing.T) {
	t.Parallel()
	without, shared := nine(), nine()
	without.Fallback = nil
	shared.Fallback, shared.Parallel = nil, true
	shared.Deadline, shared.LateCost = 8, 30000
	shared.Sellers = map[string]plan.Belief{"s": {Alpha: 4, Beta: 2}}
	for n := range shared.Offers[:4] {
		shared.Offers[n].Seller, shared.Offers[n].Pass = "s", 0
	}
	for name, p := range map[string]plan.Problem{"a new one": nine(), "nothing new": without, "shared chances": shared} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := front(t, p, choice.Limits{})
			m, err := plan.Compile(p)
			if err != nil {
				t.Fatal(err)
			}
			for n, point := range got.Points {
				cost, cvar, days := m.Estimate(point.Policy)
				if math.Abs(cost-float64(point.ExpectedCost)) > .51 || math.Abs(cvar-float64(point.CVaR95)) > .51 || math.Abs(days-point.ExpectedDays) > 1e-9 {
					t.Errorf("%v: %d, %d, %g; package plan says %g, %g, %g", point.Batches, point.ExpectedCost, point.CVaR95, point.ExpectedDays, cost, cvar, days)
				}
				law, err := m.Evaluate(point.Policy)
				if err != nil {
					t.Fatal(err)
				}
				if unrepaired, _ := law.Unrepaired().Float64(); unrepaired != point.Unrepaired {
					t.Errorf("unrepaired %g, package plan says %g", point.Unrepaired, unrepaired)
				}
				for k, other := range got.Points {
					if k != n && other.ExpectedCost < point.ExpectedCost && other.CVaR95 < point.CVaR95 && other.ExpectedDays < point.ExpectedDays {
						t.Errorf("%v is beaten by %v", point.Batches, other.Batches)
					}
				}
			}
		})
	}
}

func TestWhatWasLeftOutIsSaid(t *testing.T) {
	t.Parallel()
	got := front(t, nine(), choice.Limits{})
	want := "Of 9 offers only the 7 with the least index (8, 7, 6, 5, 4, 3, 2) are compared in every order, besides the plan's own order of all."
	if got.Limited != want || got.Policies != 13701 {
		t.Errorf("%d policies: %s", got.Policies, got.Limited)
	}
	p := nine()
	p.Fallback = nil
	got = front(t, p, choice.Limits{})
	if !strings.HasSuffix(got.Limited, "own order of all; the others follow in the plan's order.") || got.Policies != 5041 {
		t.Errorf("%d policies: %s", got.Policies, got.Limited)
	}
	for _, point := range got.Points {
		if len(point.Batches) != 9 {
			t.Errorf("%v leaves an offer untried", point.Batches)
		}
	}
	p.Parallel = true
	for n := range 6 {
		more := p.Offers[n]
		more.ID = fmt.Sprint("more ", n)
		p.Offers = append(p.Offers, more)
	}
	got = front(t, p, choice.Limits{})
	if !strings.HasPrefix(got.Limited, "Of 15 offers only the 5 with the least index") || !strings.Contains(got.Limited, "An exact search takes at most 12 offers.") {
		t.Error(got.Limited)
	}
}

// The offers that are not tried in every order count for the regret, too: that of
// every point is what the worst state gives, found by trying all 512 states. In the
// second problem one of those offers cannot fail.
func TestRegretOverAllStatesOfManyOffers(t *testing.T) {
	t.Parallel()
	unlikely, sure := nine(), nine()
	for n := range unlikely.Offers {
		unlikely.Offers[n].Pass /= 2
		sure.Offers[n].Pass /= 2
	}
	unlikely.Fallback.Price, sure.Fallback.Price = 400000, 400000 // so that the plan itself tries all nine
	sure.Offers[0].Pass, sure.Offers[0].Price = 1, 60000
	for name, p := range map[string]plan.Problem{"all can fail": unlikely, "one cannot": sure} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := front(t, p, choice.Limits{})
			if !slices.ContainsFunc(got.Points, func(point choice.Point) bool { return len(point.Batches) > choice.Most }) {
				t.Fatalf("no point tries more than seven offers: %v", show(got.Points))
			}
			rows := make(map[int][]int64)
			for state, regrets := range checkWorst(t, p, got.Points) {
				row := state & 0b1_1111_1100 // the seven offers of least index
				if rows[row] == nil {
					rows[row] = make([]int64, len(regrets))
				}
				raise(rows[row], regrets)
			}
			for _, row := range got.Regrets {
				state := 0
				for _, id := range row.State.Passes {
					n, err := strconv.Atoi(id)
					if err != nil {
						t.Fatal(err)
					}
					state |= 1 << n
				}
				if diff := gocmp.Diff(rows[state], row.Amounts); diff != "" {
					t.Errorf("%v: %s", row.State, diff)
				}
			}
			if len(got.Regrets) != 128 || !got.Points[0].WorstState.OthersFail {
				t.Errorf("%d rows, the first point's worst state %+v", len(got.Regrets), got.Points[0].WorstState)
			}
		})
	}
}

// checkWorst compares the worst regret of every point with that over all states,
// and gives the regrets in each.
func checkWorst(t *testing.T, p plan.Problem, points []choice.Point) map[int][]int64 {
	t.Helper()
	all := newReference(p).regrets(points)
	most := make([]int64, len(points))
	for _, regrets := range all {
		raise(most, regrets)
	}
	for k, point := range points {
		if point.WorstRegret != most[k] {
			t.Errorf("%v: worst regret %d, want %d", point.Batches, point.WorstRegret, most[k])
		}
	}
	return all
}

// The plan buys 8 and 1 at once, after seven others, and where both pass keeps 1,
// which costs less; the other point buys 8 first, and keeps it. No state in which
// only one of the two passes shows how much that may be regretted.
func TestRegretWhereThePlanBuysFurtherOffersAtOnce(t *testing.T) {
	t.Parallel()
	p := plan.Problem{Currency: "USD", DayCost: 3000, Parallel: true, Offers: []plan.Offer{
		{ID: "0", Price: 2000, Sunk: 700, ReturnLoss: 800, Pass: .2, Days: 2},
		{ID: "1", Price: 7000, Sunk: 400, ReturnLoss: 700, Pass: .11, Days: 4},
		{ID: "2", Price: 21000, Sunk: 200, ReturnLoss: 400, Pass: .42, Days: 4},
		{ID: "3", Price: 15000, Sunk: 200, ReturnLoss: 700, Pass: .22, Days: 5},
		{ID: "4", Price: 15000, Sunk: 700, ReturnLoss: 600, Pass: .2, Days: 5},
		{ID: "5", Price: 25000, Sunk: 500, Pass: .11, Days: 1},
		{ID: "6", Price: 19000, Sunk: 200, ReturnLoss: 700, Pass: .48, Days: 2},
		{ID: "7", Price: 21000, Sunk: 500, ReturnLoss: 800, Pass: .43, Days: 2},
		{ID: "8", Price: 23000, Sunk: 200, ReturnLoss: 400, Pass: .16, Days: 4},
	}}
	got := front(t, p, choice.Limits{})
	checkWorst(t, p, got.Points)
	if state := got.Points[1].WorstState; !slices.Contains(state.Passes, "1") || !slices.Contains(state.Passes, "8") || state.OthersFail {
		t.Errorf("%+v", state)
	}
}

func TestNothingLeft(t *testing.T) {
	t.Parallel()
	p := four()
	p.Fallback = nil
	bounds := map[string]float64{"A": .5, "B": 0, "C": .61239, "D": .1}
	got := front(t, p, choice.Limits{MinLowerBound: .9, LowerBounds: bounds, MaxCost: 1})
	want := []choice.Miss{{"min_lower_bound", "0.9", "0.6123", false, "Of the 4 offers that the limit on lower bounds shuts out, C comes nearest with 0.6123; the limit is 0.9."}}
	if diff := gocmp.Diff(want, got.Misses); diff != "" || len(got.Points) != 0 || len(got.ShutOut) != 4 {
		t.Error(diff, got.Points)
	}
	got = front(t, plan.Problem{Currency: "USD", Fallback: &plan.Fallback{Price: 500, Days: 2}}, choice.Limits{})
	if len(got.Points) != 1 || got.Points[0].ExpectedCost != 500 || got.Points[0].WorstRegret != 0 || got.Points[0].Words(nil, "a new one") != "Buy a new one at once: nothing else is worth trying." {
		t.Errorf("%+v", got)
	}
}

func TestNonsenseIsRefusedByField(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		problem plan.Problem
		limits  choice.Limits
		fields  []string
	}{
		"problem": {plan.Problem{Currency: "usd", Fallback: &plan.Fallback{Price: -1}}, choice.Limits{}, []string{"currency_code", "fallback.price"}},
		"limits": {
			four(),
			choice.Limits{MaxCost: -1, MaxCVaR: math.MaxInt64, MaxDays: math.NaN(), MinLowerBound: 1},
			[]string{"limits.max_cost", "limits.max_cvar", "limits.max_days", "limits.min_lower_bound"},
		},
		"endless": {four(), choice.Limits{MaxDays: math.Inf(1), MinLowerBound: math.NaN()}, []string{"limits.max_days", "limits.min_lower_bound"}},
	} {
		_, err := choice.Front(c.problem, c.limits)
		var invalid *plan.InvalidError
		if !errors.As(err, &invalid) {
			t.Errorf("%s: %v", name, err)
			continue
		}
		var fields []string
		for _, v := range invalid.Violations {
			fields = append(fields, v.Field)
		}
		if diff := gocmp.Diff(c.fields, fields); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}
