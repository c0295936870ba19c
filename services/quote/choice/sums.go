package choice

import (
	"math/big"
	"slices"
	"sort"
)

// twentieth is the share of the worst that CVaR at 0.95 is the mean of.
const twentieth = 20

// sums are the expected cost, the mean cost of the worst 1 in share and the
// expected days of a policy, each times the whole.
func sums(ends []end, after *tail, whole *big.Int, share int64) *[criteria]*big.Int {
	all := [criteria]*big.Int{new(big.Int), nil, new(big.Int)}
	var term, factor big.Int
	for _, e := range ends {
		all[0].Add(all[0], term.Mul(e.parts, factor.SetInt64(e.cost)))
		all[2].Add(all[2], term.Mul(e.parts, factor.SetInt64(e.days)))
	}
	if after != nil {
		all[0].Add(all[0], after.costs[len(after.ends)])
		all[2].Add(all[2], after.days)
	}
	all[1] = worstMean(ends, after, whole, share)
	return &all
}

// worstMean takes the dearest ends until they make up 1 in share, the last of them
// in part (Rockafellar and Uryasev, Journal of Risk 2(3), 2000). It sorts the ends.
func worstMean(ends []end, after *tail, whole *big.Int, share int64) *big.Int {
	slices.SortFunc(ends, dearest)
	w := worstSum{left: new(big.Int).Set(whole), sum: new(big.Int), share: big.NewInt(share)}
	from := 0
	for _, e := range ends {
		if after != nil {
			to := sort.Search(len(after.ends), func(n int) bool { return after.ends[n].cost <= e.cost })
			w.takeAll(after, from, to)
			from = to
		}
		w.take(e)
	}
	if after != nil {
		w.takeAll(after, from, len(after.ends))
	}
	return w.sum
}

// worstSum adds up costs until nothing is left to take.
type worstSum struct{ left, sum, share *big.Int }

// take takes an end, or as much of it as is left.
func (w *worstSum) take(e end) {
	if w.left.Sign() == 0 {
		return
	}
	part := new(big.Int).Mul(e.parts, w.share)
	if part.Cmp(w.left) > 0 {
		part.Set(w.left)
	}
	w.left.Sub(w.left, part)
	w.sum.Add(w.sum, part.Mul(part, big.NewInt(e.cost)))
}

// takeAll takes the ends of a tail from one place to another.
func (w *worstSum) takeAll(t *tail, from, to int) {
	between := func(sums []*big.Int, to int) *big.Int {
		part := new(big.Int).Sub(sums[to], sums[from])
		return part.Mul(part, w.share)
	}
	// The first end that does not go in whole.
	n := from + sort.Search(to-from, func(n int) bool { return between(t.parts, from+n+1).Cmp(w.left) > 0 })
	w.left.Sub(w.left, between(t.parts, n))
	w.sum.Add(w.sum, between(t.costs, n))
	if n < to {
		w.take(t.ends[n])
	}
}
