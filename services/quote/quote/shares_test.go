package quote_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/tax"
)

// stored is a quote of lines that were weighed together.
func stored(whole quote.Whole) *quotev1.Quote {
	q := &quotev1.Quote{Name: "quotes/1", CurrencyCode: "USD", Total: whole.Total}
	for _, line := range whole.Lines {
		q.Lines = append(q.Lines, &quotev1.QuoteLine{Options: line.Options})
	}
	return q
}

// By hand: one yard sends three parts for 19.99, the highest of its charges, which by
// the largest remainder splits 10.00 : 19.99 : 5.01 into 5.71, 11.42 and 2.86 (of
// 571.14…, 1141.71… and 286.14… the one unit left goes to the largest fraction);
// handling of 35.00 by 35.00 : 0 : 35.00 into 17.50 each. Tax is 10 % of 60.21 =
// 6.02, while each by itself is 1.00, 2.00 and 3.02.
func TestShares(t *testing.T) {
	t.Parallel()
	rate, err := money.ParsePercent("10")
	if err != nil {
		t.Fatal(err)
	}
	lines := make([]quote.Input, 3)
	for i, c := range []struct{ price, freight, handling int64 }{{10_04, 10_00, 35_00}, {20_02, 19_99, 0}, {30_15, 5_01, 35_00}} {
		d := priced("yard-a", fmt.Sprint(i), c.price, c.freight)
		d.Listing.Terms.Handling = c.handling
		lines[i] = input([]*fitmentv1.Donor{d}, nil)
		lines[i].Tax = rate
	}
	whole := weighAll(t, lines...)
	got, err := quote.Shares(stored(whole))
	if err != nil {
		t.Fatal(err)
	}
	want := []quote.Share{
		{Freight: 5_71, Handling: 17_50, Tax: 1_00, Total: 34_25},
		{Freight: 11_42, Tax: 2_00, Total: 33_44},
		{Freight: 2_86, Handling: 17_50, Tax: 3_02, Total: 53_53},
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("shares (-want +got):\n%s", diff)
	}
	if whole.Total.GetTotal() != 34_25+33_44+53_53 {
		t.Errorf("total %v", whole.Total)
	}
}

// Whatever the lines, their shares make the total to the last unit, and nobody's share
// is negative.
func TestSharesMakeTheTotal(t *testing.T) {
	t.Parallel()
	packs := append(tax.Builtin().All(), tax.Default(""), tax.Pack{
		Place: "XX", Name: "X", Rounding: tax.RoundingRule{Boundary: tax.ByLine},
		Taxed: map[tax.Line]tax.Rule{tax.Freight: {Answer: tax.Yes}, tax.FitLabour: {Answer: tax.Yes}, tax.Part: {Answer: tax.No}},
	})
	rapid.Check(t, func(t *rapid.T) {
		lines := make([]quote.Input, rapid.IntRange(1, 5).Draw(t, "lines"))
		rate, err := money.ParsePercent(rapid.SampledFrom([]string{"0", "0.01", "7.25", "8.875"}).Draw(t, "tax"))
		if err != nil {
			t.Fatal(err)
		}
		pack := rapid.SampledFrom(packs).Draw(t, "place")
		amounts := rapid.Int64Range(0, 90_00)
		for i := range lines {
			d := priced(rapid.SampledFrom([]string{"yard-a", "yard-b"}).Draw(t, "yard"), fmt.Sprint(i), amounts.Draw(t, "price"), amounts.Draw(t, "freight"))
			d.Listing.Terms.Handling, d.Listing.Terms.CoreDeposit = amounts.Draw(t, "handling"), amounts.Draw(t, "core")
			d.Listing.Terms.FreightPerKilogram, d.Listing.Terms.WeightGrams = amounts.Draw(t, "a kilogram"), rapid.Int64Range(1, 9000).Draw(t, "grams")
			lines[i] = input([]*fitmentv1.Donor{d}, nil)
			lines[i].Tax, lines[i].Pack = rate, pack
			lines[i].Labour = &quotev1.Labour{FitMinutes: 70, CheckMinutes: 15, HourlyRate: amounts.Draw(t, "rate")}
		}
		lines[0].Supplies = []*quotev1.SupplyLine{{Label: "thread lock", Amount: amounts.Draw(t, "supplies")}}
		whole, err := quote.WeighAll(lines, nil)
		if err != nil {
			t.Fatal(err)
		}
		shares, err := quote.Shares(stored(whole))
		if err != nil {
			t.Fatal(err)
		}
		var sum quote.Share
		for i, s := range shares {
			if min(s.Freight, s.Handling, s.Tax, s.Total) < 0 {
				t.Fatalf("line %d: %+v", i+1, s)
			}
			sum.Freight, sum.Handling, sum.Tax, sum.Total = sum.Freight+s.Freight, sum.Handling+s.Handling, sum.Tax+s.Tax, sum.Total+s.Total
		}
		total := whole.Total
		if want := (quote.Share{Freight: total.GetFreight(), Handling: total.GetHandling(), Tax: total.GetTax(), Total: total.GetTotal()}); sum != want {
			t.Fatalf("the shares make %+v, the quote says %+v", sum, want)
		}
	})
}

// A quote without a total has nothing to split: each line is what it costs by itself.
func TestSharesWithoutATotal(t *testing.T) {
	t.Parallel()
	whole := weighAll(t, input([]*fitmentv1.Donor{priced("yard-a", "1", 50_00, 12_00)}, nil), input(nil, nil))
	got, err := quote.Shares(stored(whole))
	if err != nil || whole.Total != nil {
		t.Fatal(err, whole.Total)
	}
	if diff := cmp.Diff([]quote.Share{{Freight: 12_00, Total: 62_00}, {}}, got); diff != "" {
		t.Errorf("shares (-want +got):\n%s", diff)
	}
}
