package choice

import (
	"strconv"
	"testing"

	"beltwright.example/services/quote/plan"
)

// The number of ways to order a part of n things is Σ n!/(n−k)!: 13,700 for seven
// (OEIS A000522); with several at once it is twice the ordered Bell number: 94,586
// (OEIS A000629). In all of them: 5,040, and 47,293 (OEIS A000670). From memory.
func TestEveryPolicyIsCompared(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		offers             int
		parallel, fallback bool
		policies           int
	}{
		{0, true, true, 1},
		{1, true, true, 2},
		{1, true, false, 1},
		{4, true, true, 150},
		{4, true, false, 75},
		{4, false, false, 24},
		{7, false, true, 13700},
		{7, true, true, 94586},
		{7, false, false, 5040},
		{7, true, false, 47293},
	} {
		p := plan.Problem{Currency: "USD", Parallel: c.parallel}
		if c.fallback {
			p.Fallback = &plan.Fallback{Price: 70000, Days: 6}
		}
		for n := range c.offers {
			p.Offers = append(p.Offers, plan.Offer{
				ID: strconv.Itoa(n), Price: int64(9000 + 1111*n), Sunk: int64(3000 - 300*n), ReturnLoss: 2000, Pass: .5 + float64(n)/17, Days: int32(7 - n),
			})
		}
		f, err := newField(p)
		if err != nil {
			t.Fatal(err)
		}
		all := f.candidates()
		different := make(map[[Most]set]bool)
		for _, one := range all {
			different[one.batches] = true
		}
		if len(all) != c.policies || len(different) != c.policies {
			t.Errorf("%+v: %d policies, %d different ones", c, len(all), len(different))
		}
	}
}
