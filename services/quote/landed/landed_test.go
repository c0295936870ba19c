package landed_test

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/platform/amount"
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
// charged as 17.04; in all 504.74, and 515.49 with 10.75 for supplies (6 % of the
// labour), which are the shop's own and no part of the offer. Restocking 20 % of
// 185.00 = 37.00.
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

// Tax is charged on price and core deposit together and rounded once.
func TestTaxOnPriceAndCore(t *testing.T) {
	t.Parallel()
	cases := []struct {
		price, core, tax, refundable int64
		percent, source              string
	}{
		{4700, 700, 378, 5778, "7", "California sales tax annotations 315.0370 and .0400: 7 % of 54.00, core included, is 3.78"},
		{13000, 5000, 1080, 19080, "6", "trade question and answer: 6 % of 130 + 50 is 10.80, total 190.80"},
		{2995, 1000, 0, 3995, "0", "Ohio release of 22 March 1982: the base is 39.95, core included"},
		{14000, 500, 363, 14863, "2.5", "3.625 → 3.63 (SSUTA section 324, from memory)"},
		// rounded apart, 0.5 and 0.5 would make 2
		{10, 10, 1, 21, "5", "rounded once; computed"},
	}
	for _, c := range cases {
		got, err := landed.Compute(landed.Input{Price: c.price, CoreDeposit: c.core, Tax: rate(t, c.percent)})
		if err != nil || got.Tax != c.tax || got.Refundable != c.refundable {
			t.Errorf("%d + %d at %s %%: %+v, %v; want tax %d, refundable %d (%s)", c.price, c.core, c.percent, got, err, c.tax, c.refundable, c.source)
		}
	}
}

func TestTheLargestInputFits(t *testing.T) {
	t.Parallel()
	const most = amount.Max
	got, err := landed.Compute(landed.Input{
		Price: most, CoreDeposit: most, Freight: most, Handling: most, ReturnFreight: most, HourlyRate: most,
		RestockingBasisPoints: landed.MaxBasisPoints, Tax: rate(t, "100"), CheckMinutes: landed.MaxMinutes, FitMinutes: landed.MaxMinutes,
	})
	if err != nil || got.Refundable != 4*most || got.ReturnLoss != 2*most || got.Total <= 0 {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestOutOfRangeIsRefusedByName(t *testing.T) {
	t.Parallel()
	cases := map[string]landed.Input{
		"price":                   {Price: -1},
		"core deposit":            {CoreDeposit: amount.Max + 1},
		"restocking basis points": {RestockingBasisPoints: 10001},
		"check minutes":           {CheckMinutes: -5},
		"hourly rate":             {HourlyRate: math.MaxInt64},
		"freight":                 {Freight: math.MinInt64},
		"handling":                {Handling: -1},
		"return freight":          {ReturnFreight: amount.Max + 1},
		"fit minutes":             {FitMinutes: landed.MaxMinutes + 1},
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
		value := rapid.Int64Range(0, amount.Max)
		in := landed.Input{
			Price: value.Draw(t, "price"), CoreDeposit: value.Draw(t, "core"), Freight: value.Draw(t, "freight"),
			Handling: value.Draw(t, "handling"), ReturnFreight: value.Draw(t, "return"), HourlyRate: value.Draw(t, "rate"),
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
