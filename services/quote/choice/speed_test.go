package choice

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"beltwright.example/services/quote/plan"
)

// families are problems of seven offers, some made so that many policies tie in
// one of the three numbers.
func families() map[string]plan.Problem {
	random := rand.New(rand.NewPCG(1, 2))
	problem := func(offer func(n int) plan.Offer) plan.Problem {
		p := plan.Problem{Currency: "USD", DayCost: 2500, Parallel: true, Fallback: &plan.Fallback{Price: 90000, Days: 9}}
		for n := range Most {
			o := offer(n)
			o.ID = fmt.Sprint(n)
			p.Offers = append(p.Offers, o)
		}
		return p
	}
	anything := func(int) plan.Offer {
		return plan.Offer{Price: random.Int64N(40000), Sunk: random.Int64N(9000), ReturnLoss: random.Int64N(9000), Pass: float64(1+random.IntN(99)) / 100, Days: random.Int32N(9)}
	}
	long := problem(func(n int) plan.Offer { o := anything(n); o.Pass = .3 + random.Float64()*.69; return o })
	unlikely := problem(func(n int) plan.Offer { o := anything(n); o.Pass = .05 + random.Float64()*.2; return o })
	timeless := problem(func(n int) plan.Offer { o := anything(n); o.Days = 0; return o })
	timeless.Fallback.Days = 0
	none := problem(anything)
	none.Fallback = nil
	late := problem(anything)
	late.Deadline, late.LateCost = 6, 50000
	seller := problem(func(n int) plan.Offer { o := anything(n); o.Seller = "s"; o.Pass = 0; return o })
	seller.Sellers = map[string]plan.Belief{"s": {Alpha: 8.25, Beta: 2.125}}
	many, unlikelyMany := problem(anything), problem(anything)
	many.Fallback, many.Parallel = nil, false
	unlikelyMany.Fallback, unlikelyMany.Parallel = nil, false
	for n := Most; n < plan.MaxOffers; n++ {
		o := anything(n)
		o.ID, o.Pass = fmt.Sprint(n), .3+random.Float64()*.69
		many.Offers = append(many.Offers, o)
		o.Pass = .01 * random.Float64()
		unlikelyMany.Offers = append(unlikelyMany.Offers, o)
	}
	for n := range unlikelyMany.Offers {
		unlikelyMany.Offers[n].Pass = .01 * random.Float64()
	}
	manyAtOnce := many
	manyAtOnce.Parallel, manyAtOnce.Deadline, manyAtOnce.LateCost = true, 30, 40000
	manyNew := many
	manyNew.Parallel = true
	manyNew.Fallback = &plan.Fallback{Price: 90000, Days: 9}
	return map[string]plan.Problem{
		"two hundred": many, "two hundred at once": manyAtOnce, "two hundred unlikely": unlikelyMany, "two hundred with a new one": manyNew,
		"any": problem(anything), "long chances": long, "unlikely": unlikely, "timeless": timeless, "none new": none, "late": late, "one seller": seller,
		"identical": problem(func(int) plan.Offer {
			return plan.Offer{Price: 20000, Sunk: 3000, ReturnLoss: 2000, Pass: .85, Days: 3}
		}),
		"free":         problem(func(int) plan.Offer { return plan.Offer{Pass: .5} }),
		"same days":    problem(func(n int) plan.Offer { o := anything(n); o.Days = 3; return o }),
		"same chance":  problem(func(n int) plan.Offer { o := anything(n); o.Pass = .5; return o }),
		"nothing sunk": problem(func(n int) plan.Offer { o := anything(n); o.Sunk, o.ReturnLoss, o.Days = 0, 0, 0; return o }),
	}
}

func BenchmarkFront(b *testing.B) {
	for name, p := range families() {
		b.Run(name, func(b *testing.B) {
			exact := 0
			for b.Loop() {
				trade, err := Front(p, Limits{})
				if err != nil {
					b.Fatal(err)
				}
				exact = len(trade.Points)
			}
			b.ReportMetric(float64(exact), "points")
			f, err := newField(p)
			if err != nil {
				b.Fatal(err)
			}
			all := f.candidates()
			if _, err := f.points(all); err != nil {
				b.Fatal(err)
			}
			exact = 0
			for _, c := range all {
				if c.exact != nil {
					exact++
				}
			}
			b.ReportMetric(float64(exact), "exact")
			b.ReportMetric(float64(len(all)), "policies")
		})
	}
}
