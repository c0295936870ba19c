package landed_test

import (
	"testing"

	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/tax"
)

// BenchmarkCompute is one option of a quote with its workings.
func BenchmarkCompute(b *testing.B) {
	rate, err := money.ParsePercent("7.25")
	if err != nil {
		b.Fatal(err)
	}
	pack, _ := tax.Builtin().For("US-CA")
	in := landed.Input{
		Currency: "USD", Price: 18500, CoreDeposit: 5000, Freight: landed.Freight{Base: 3850, PerKilogram: 200}, WeightGrams: 900,
		Handling: 3500, ReturnFreight: 4900, RestockingBasisPoints: 2000, Tax: rate, Pack: pack, Condition: tax.Reconditioned,
		CheckMinutes: 15, FitMinutes: 69, HourlyRate: 12800, Core: landed.CoreReturn{Expected: true, Freight: 2000},
	}
	for b.Loop() {
		if _, err := landed.Compute(in); err != nil {
			b.Fatal(err)
		}
	}
}
