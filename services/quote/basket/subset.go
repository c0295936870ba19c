package basket

import (
	"math/bits"
	"slices"
)

// MaxSubsetParts bounds the parts of a problem that the dynamic program over the
// subsets of the parts can solve.
const MaxSubsetParts = 20

// subsets is the dynamic program. least[S] is what the set of parts S costs at
// least. A set is either bought from one seller, as a bundle, or split into the
// bundle that its lowest part is in and the rest; so
//
//	least[S] = min over T ⊂ S with the lowest part of S: bundle[T] + least[S∖T]
//
// where S runs over sets without the parts below it: 3ⁿ⁻¹/2 additions for n parts,
// however many sellers there are.
type subsets struct {
	m     *market
	least []int64
	// split tells that a set costs no more in two parts than as a bundle, so it is
	// needed as no bundle.
	split []bool
	stop  func() bool
	ended bool
}

// bundles fills least with the cheapest bundles of the sellers.
func (t *subsets) bundles(sellers []int) {
	t.least = slices.Repeat([]int64{none}, 1<<t.m.parts)
	t.split = make([]bool, 1<<t.m.parts)
	for _, i := range sellers {
		if t.over() {
			return
		}
		t.bundlesOf(i)
	}
}

// bundlesOf lists what every subset of a seller's offers costs: the sums of the
// lower half of the parts are added to those of the upper half.
func (t *subsets) bundlesOf(i int) {
	half := t.m.parts / 2
	low, lowSets := t.sums(i, 0, half)
	high, highSets := t.sums(i, half, t.m.parts)
	for h, sum := range high {
		sum += t.m.freight[i]
		row := t.least[highSets[h]:]
		for l, set := range lowSets {
			if all := sum + low[l]; all < row[set] {
				row[set] = all
			}
		}
	}
}

// sums lists the subsets of a seller's offers among the parts from first up to
// limit, and what each costs without freight.
func (t *subsets) sums(i, first, limit int) (sums []int64, sets []int) {
	sums, sets = []int64{0}, []int{0}
	for j := first; j < limit; j++ {
		price := t.m.price(i, j)
		if price == none {
			continue
		}
		for n := range sums { // as it was before this part
			sums = append(sums, sums[n]+price)
			sets = append(sets, sets[n]|1<<j)
		}
	}
	return sums, sets
}

func (t *subsets) over() bool {
	t.ended = t.ended || t.stop != nil && t.stop()
	return t.ended
}

// solve fills least in, for the sets that matter: those of parts above the lowest,
// and all parts. Bundles that cost limit or more above what their parts bid are of
// no use, since any way to buy the other parts costs at least their bids.
func (t *subsets) solve(bids []int64, gap int64) {
	t.least[0] = 0
	const often = 128 // bundles between questions
	for b := t.m.parts - 1; b >= 0 && !t.ended; b-- {
		above := (1<<t.m.parts - 1) &^ (1<<(b+1) - 1)
		step := 1 << (b + 1)
		for y := 0; y <= above; y += step {
			if y/step%often == 0 && t.over() {
				return
			}
			set := y | 1<<b
			bundle := t.least[set]
			if t.split[set] || bundle >= none || bundle-bid(bids, set) >= gap {
				continue
			}
			rest := above &^ y
			if b == 0 { // only the set of all parts is asked for
				t.relax(set, rest, bundle)
				continue
			}
			for r := rest; r > 0; r = (r - 1) & rest {
				t.relax(set, r, bundle)
			}
		}
	}
}

// relax notes what a bundle and the rest cost together.
func (t *subsets) relax(set, rest int, bundle int64) {
	if rest == 0 {
		return // the bundle alone
	}
	if all := bundle + t.least[rest]; all <= t.least[set|rest] {
		t.least[set|rest], t.split[set|rest] = all, true
	}
}

func bid(bids []int64, set int) int64 {
	var sum int64
	for ; set > 0; set &= set - 1 {
		sum += bids[bits.TrailingZeros(uint(set))]
	}
	return sum
}

// assignment follows the splits back to the sellers.
func (t *subsets) assignment(sellers []int) []int {
	to := make([]int, t.m.parts)
	for left := len(t.least) - 1; left > 0; {
		bundle := t.bundleIn(left)
		seller := sellers[slices.IndexFunc(sellers, func(i int) bool { return t.cost(i, bundle) == t.least[bundle] })]
		for j := range t.m.parts {
			if bundle>>j&1 == 1 {
				to[j] = seller
			}
		}
		left &^= bundle
	}
	return to
}

// bundleIn is the bundle with the lowest part of a set that the set is best split
// into.
func (t *subsets) bundleIn(set int) int {
	lowest := set & -set
	rest := set &^ lowest
	for r := rest; r > 0; r = (r - 1) & rest {
		bundle := set &^ r
		if !t.split[bundle] && t.least[bundle]+t.least[r] == t.least[set] {
			return bundle
		}
	}
	return set
}

// cost is what a seller charges for a bundle.
func (t *subsets) cost(i, bundle int) int64 {
	total := t.m.freight[i]
	for j := range t.m.parts {
		if bundle>>j&1 == 1 {
			total = min(none, total+t.m.price(i, j))
		}
	}
	return total
}
