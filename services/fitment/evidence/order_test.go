package evidence_test

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/fitment/evidence"
)

func and(outcomes []evidence.Answer) evidence.Answer { return evidence.And(outcomes...) }

// A∧(B∨C), costs 10, 5, 8, chances .8, .3, .6: starting with C costs 17.2, with B
// 17.8, with A 18.0, although A is the conjunct that must hold. Worked by hand:
// C first: 8 + .6·10 + .4·(5 + .3·10) = 17.2.
func TestTheMandatoryTestNeedNotComeFirst(t *testing.T) {
	t.Parallel()
	tests := []evidence.Test{{Cost: 10, Yes: .8}, {Cost: 5, Yes: .3}, {Cost: 8, Yes: .6}}
	plan, err := evidence.Order(tests, func(o []evidence.Answer) evidence.Answer {
		return evidence.And(o[0], evidence.Or(o[1], o[2]))
	})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(plan.Order[:1], []int{2}) || math.Abs(plan.Expected-17.2) > 1e-12 || !plan.Exact {
		t.Errorf("got %+v, want C (2) first at 17.2", plan)
	}
}

func TestOrderRefusesWhatItCannotWeigh(t *testing.T) {
	t.Parallel()
	for name, tests := range map[string][]evidence.Test{
		"negative cost":    {{Cost: -1, Yes: .5}},
		"NaN cost":         {{Cost: math.NaN(), Yes: .5}},
		"infinite cost":    {{Cost: math.Inf(1), Yes: .5}},
		"chance above 1":   {{Cost: 1, Yes: 1.1}},
		"chance not one":   {{Cost: 1, Yes: math.NaN()}},
		"thirteen of them": make([]evidence.Test, 13),
	} {
		if _, err := evidence.Order(tests, and); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestSettledFromTheStartCostsNothing(t *testing.T) {
	t.Parallel()
	tests := []evidence.Test{{Cost: 3, Yes: .5}, {Cost: 4, Yes: .5}}
	for _, answer := range []evidence.Answer{yes, no, unknown} {
		plan, err := evidence.Order(tests, func([]evidence.Answer) evidence.Answer { return answer })
		if err != nil || plan.Expected != 0 || len(plan.Order) != 0 {
			t.Errorf("always %v: %+v, %v", answer, plan, err)
		}
	}
}

func drawTests(t *rapid.T, most int) []evidence.Test {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) evidence.Test {
		return evidence.Test{
			Cost: float64(rapid.IntRange(0, 40).Draw(t, "cost")),
			Yes:  float64(rapid.IntRange(0, 20).Draw(t, "twentieths")) / 20,
		}
	}), 1, most).Draw(t, "tests")
}

// For a pure conjunction the ratio order is optimal (Mitten 1960, from memory).
func TestRatioIsExactForConjunctions(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tests := drawTests(t, 7)
		exact, err := evidence.Order(tests, and)
		if err != nil {
			t.Fatal(err)
		}
		ratio := evidence.Ratio(tests)
		if math.Abs(exact.Expected-ratio.Expected) > 1e-9*(1+exact.Expected) {
			t.Fatalf("%v: exact %g, ratio %g", tests, exact.Expected, ratio.Expected)
		}
	})
}

// The same expected cost as a plain recursion over every policy.
func TestOrderMatchesEveryPolicyTried(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		tests := drawTests(t, 4)
		table := rapid.SliceOfN(rapid.SampledFrom([]evidence.Answer{yes, no, unknown}), 1<<len(tests), 1<<len(tests)).Draw(t, "table")
		decide := func(o []evidence.Answer) evidence.Answer {
			at := 0
			for i, a := range o {
				if a == yes {
					at |= 1 << i
				}
			}
			return table[at]
		}
		plan, err := evidence.Order(tests, decide)
		if err != nil {
			t.Fatal(err)
		}
		if want := cheapest(tests, decide, make([]evidence.Answer, len(tests))); math.Abs(plan.Expected-want) > 1e-9*(1+want) {
			t.Fatalf("got %g, every policy tried gives %g", plan.Expected, want)
		}
	})
}

// cheapest tries every next test by recursion, with 0 for a test not made.
func cheapest(tests []evidence.Test, decide func([]evidence.Answer) evidence.Answer, state []evidence.Answer) float64 {
	if len(leaves(decide, state)) == 1 {
		return 0
	}
	best := math.Inf(1)
	for i, t := range tests {
		if state[i] != 0 {
			continue
		}
		state[i] = yes
		cost := t.Cost + t.Yes*cheapest(tests, decide, state)
		state[i] = no
		cost += (1 - t.Yes) * cheapest(tests, decide, state)
		state[i] = 0
		best = min(best, cost)
	}
	return best
}

// leaves collects the answers of all completions.
func leaves(decide func([]evidence.Answer) evidence.Answer, state []evidence.Answer) map[evidence.Answer]bool {
	for i, a := range state {
		if a != 0 {
			continue
		}
		all := map[evidence.Answer]bool{}
		for _, v := range []evidence.Answer{yes, no} {
			state[i] = v
			for answer := range leaves(decide, state) {
				all[answer] = true
			}
		}
		state[i] = 0
		return all
	}
	return map[evidence.Answer]bool{decide(state): true}
}

// BenchmarkOrder solves the largest problem that is solved exactly, one that is no
// conjunction.
func BenchmarkOrder(b *testing.B) {
	tests := make([]evidence.Test, evidence.MaxTests)
	for i := range tests {
		tests[i] = evidence.Test{Cost: float64(1 + i%5), Yes: 0.5 + float64(i)/40}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := evidence.Order(tests, func(o []evidence.Answer) evidence.Answer {
			return evidence.And(append(o[2:len(o):len(o)], evidence.Or(o[:2]...))...)
		}); err != nil {
			b.Fatal(err)
		}
	}
}
