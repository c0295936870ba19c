package choice

import (
	"cmp"
	"math/big"
	"slices"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

type triple [criteria]int

func byNumber(a, b triple, number int) int { return cmp.Compare(a[number], b[number]) }

func noTie(triple, triple) int { return 0 }

// (6, 6) is beaten by neither (1, 10) nor (10, 1), though no weight ever selects
// it: w·1 + (1−w)·10 and w·10 + (1−w)·1 are on average 5.5. That weighted sums miss
// such points is shown by Das and Dennis (Structural Optimization 14, 1997).
func TestPointsThatNoWeightSelects(t *testing.T) {
	t.Parallel()
	points := []triple{{10, 1}, {6, 6}, {1, 10}, {6, 7}}
	front, _ := undominated(points, byNumber, noTie)
	if diff := gocmp.Diff([]triple{{1, 10}, {6, 6}, {10, 1}}, front); diff != "" {
		t.Error(diff)
	}
	for w := range 1001 {
		weighed := func(p triple) int { return w*p[0] + (1000-w)*p[1] }
		if best := slices.MinFunc(front, func(a, b triple) int { return cmp.Compare(weighed(a), weighed(b)) }); best == (triple{6, 6}) {
			t.Errorf("weight %d/1000 selects (6, 6)", w)
		}
	}
}

func TestFilterAgreesWithPairwiseComparison(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.IntRange(0, rapid.IntRange(1, 12).Draw(t, "most"))
		all := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) triple {
			return triple{number.Draw(t, "cost"), number.Draw(t, "risk"), number.Draw(t, "days")}
		}), 0, 60).Draw(t, "all")
		want := make(map[triple]int)
		for _, a := range all {
			if !slices.ContainsFunc(all, func(b triple) bool { return b != a && b[0] <= a[0] && b[1] <= a[1] && b[2] <= a[2] }) {
				want[a]++
			}
		}
		front, alike := undominated(all, byNumber, noTie)
		got := make(map[triple]int)
		for n, a := range front {
			got[a] += alike[n]
		}
		if diff := gocmp.Diff(want, got); diff != "" || len(front) != len(got) {
			t.Fatal(diff)
		}
		if !slices.IsSortedFunc(front, func(a, b triple) int { return slices.Compare(a[:], b[:]) }) {
			t.Fatalf("not in order: %v", front)
		}
	})
}

// Costs in three states of a used, a remanufactured and a new part: 180, 420 or
// 785, always 300, and 420, 400 or 400. Computed by hand: the worst regrets are 785
// − 300, 300 − 180 and 420 − 180, of which 120 is the least (Savage's rule of 1951).
func TestLeastWorstRegret(t *testing.T) {
	t.Parallel()
	table := regrets([][]int64{{180, 300, 420}, {420, 300, 400}, {785, 300, 400}})
	if diff := gocmp.Diff([][]int64{{0, 120, 240}, {120, 0, 100}, {485, 0, 100}}, table); diff != "" {
		t.Error(diff)
	}
	regret, state := worst(table)
	if !slices.Equal(regret, []int64{485, 120, 240}) || !slices.Equal(state, []int{2, 0, 0}) || !slices.Equal(leastWorst(regret), []int{1}) {
		t.Errorf("worst regrets %v in %v, least %v", regret, state, leastWorst(regret))
	}
	if got := leastWorst([]int64{3, 2, 5, 2}); !slices.Equal(got, []int{1, 3}) {
		t.Errorf("equal ones: %v", got)
	}
	if regret, state := worst(nil); regret != nil || state != nil {
		t.Errorf("no states: %v %v", regret, state)
	}
}

// law lists costs with their chances in 240ths.
type law map[int64]int64

const parts = 240

func (l law) and(other law) law {
	both := make(law)
	for a, p := range l {
		for b, q := range other {
			both[a+b] += p * q
		}
	}
	return both
}

// worstTenth is the mean of the dearest tenth.
func (l law) worstTenth(whole int64) *big.Rat {
	var ends []end
	for cost, p := range l {
		ends = append(ends, end{cost: cost, parts: big.NewInt(p)})
	}
	return new(big.Rat).SetFrac(sums(ends, nil, big.NewInt(whole), 10)[1], big.NewInt(whole))
}

// Why whole policies are compared and never beginnings of them: X has the lower
// mean and the lower CVaR at 0.9 than Y, 90 against 100, yet with the independent Z
// added to both it has the higher one, 187.5 against 186.667. Computed as exact
// fractions by Rockafellar and Uryasev's definition (Journal of Risk 2(3), 2000).
func TestCVaRDoesNotAddUp(t *testing.T) {
	t.Parallel()
	x := law{20: parts / 4, 40: parts * 5 / 16, 90: parts * 7 / 16}
	y := law{0: parts / 4, 80: parts * 7 / 12, 100: parts / 6}
	z := law{40: parts * 2 / 5, 80: parts * 2 / 5, 100: parts / 5}
	for name, c := range map[string]struct {
		got  *big.Rat
		want *big.Rat
	}{
		"X":     {x.worstTenth(parts), big.NewRat(90, 1)},
		"Y":     {y.worstTenth(parts), big.NewRat(100, 1)},
		"X + Z": {x.and(z).worstTenth(parts * parts), big.NewRat(375, 2)},
		"Y + Z": {y.and(z).worstTenth(parts * parts), big.NewRat(560, 3)},
	} {
		if c.got.Cmp(c.want) != 0 {
			t.Errorf("%s: %s, want %s", name, c.got, c.want)
		}
	}
}

// What follows all free offers is summed once for many policies; taking it apart
// gives the same.
func TestTailsAreSummedAsTheirParts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		ends := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) end {
			return end{rapid.Int64Range(0, 9).Draw(t, "cost"), rapid.Int64Range(0, 9).Draw(t, "days"), big.NewInt(rapid.Int64Range(0, 50).Draw(t, "parts"))}
		}), 1, 20).Draw(t, "ends")
		whole := new(big.Int)
		for _, e := range ends {
			whole.Add(whole, e.parts)
		}
		cut := rapid.IntRange(0, len(ends)-1).Draw(t, "cut")
		after := newTail(slices.Clone(ends[cut:]))
		want := sums(slices.Clone(ends), nil, whole, twentieth)
		got := sums(slices.Clone(ends[:cut]), after, whole, twentieth)
		for n := range want {
			if got[n].Cmp(want[n]) != 0 {
				t.Fatalf("number %d: %s, want %s", n, got[n], want[n])
			}
		}
	})
}
