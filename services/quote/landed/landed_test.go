package landed_test

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/money"
)

func rate(t *testing.T, text string) money.Percent {
	t.Helper()
	p, err := money.ParsePercent(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// The usual shape of a repair invoice, worked by hand (common practice, no
// source; amounts in cents): 1.4 h at 128.00 = 179.20; used part 185.00; core
// 50.00; freight 38.50; hazardous goods 35.00; tax 7.25 % on 235.00 = 17.0375,
// charged as 17.04; in all 504.74. Restocking 20 % of 185.00 = 37.00.
func TestWorkedQuote(t *testing.T) {
	t.Parallel()
	got, err := landed.Compute(landed.Input{
		Price: 18500, CoreDeposit: 5000, Freight: 3850, Handling: 3500, ReturnFreight: 4900,
		RestockingBasisPoints: 2000, Tax: rate(t, "7.25"), CheckMinutes: 15, FitMinutes: 69, HourlyRate: 12800,
	})
	if err != nil {
		t.Fatal(err)
	}
	want := landed.Breakdown{
		Tax: 1704, CheckLabour: 3200, FitLabour: 14720, Total: 50474,
		Refundable: 25204, Sunk: 10550, ReturnLoss: 8600,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

func TestOutOfRangeIsRefusedByName(t *testing.T) {
	t.Parallel()
	cases := map[string]landed.Input{
		"price":                   {Price: -1},
		"core deposit":            {CoreDeposit: landed.MaxAmount + 1},
		"restocking basis points": {RestockingBasisPoints: 10001},
		"check minutes":           {CheckMinutes: -5},
		"hourly rate":             {HourlyRate: math.MaxInt64},
	}
	for what, in := range cases {
		if _, err := landed.Compute(in); err == nil || !strings.HasPrefix(err.Error(), what+":") {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func TestPartsAddUpToTheTotal(t *testing.T) {
	t.Parallel()
	tax := rate(t, "8.875")
	rapid.Check(t, func(t *rapid.T) {
		amount := rapid.Int64Range(0, landed.MaxAmount)
		in := landed.Input{
			Price: amount.Draw(t, "price"), CoreDeposit: amount.Draw(t, "core"), Freight: amount.Draw(t, "freight"),
			Handling: amount.Draw(t, "handling"), ReturnFreight: amount.Draw(t, "return"), HourlyRate: amount.Draw(t, "rate"),
			CheckMinutes: rapid.Int32Range(0, landed.MaxMinutes).Draw(t, "check"),
			FitMinutes:   rapid.Int32Range(0, landed.MaxMinutes).Draw(t, "fit"),
			Tax:          tax,
		}
		got, err := landed.Compute(in)
		if err != nil {
			t.Fatal(err)
		}
		sum := in.Price + in.CoreDeposit + got.Tax + in.Freight + in.Handling + got.CheckLabour + got.FitLabour
		if got.Total != sum || got.Refundable+got.Sunk+got.FitLabour != sum {
			t.Fatalf("parts make %d, total is %d", sum, got.Total)
		}
	})
}
