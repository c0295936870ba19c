package tax_test

import (
	"errors"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

func rate(t *testing.T, text string) money.Percent {
	t.Helper()
	percent, err := money.ParsePercent(text)
	if err != nil {
		t.Fatal(err)
	}
	return percent
}

func TestTaxOnCharges(t *testing.T) {
	t.Parallel()
	ohio, _ := tax.Builtin().For("US-OH")
	byInvoice := invented("AQ")
	byInvoice.Rounding.Boundary = tax.ByInvoice
	charges := []tax.Charge{{tax.Part, 183}, {tax.Core, 286}, {tax.Freight, 100}, {tax.Handling, 0}}
	for name, c := range map[string]struct {
		pack  tax.Pack
		rate  string
		want  int64
		steps int
	}{
		// Canada's Economic Action Plan 2012: 5 % of 1.83 and 2.86 make 4.92 in all
		"part and deposit":    {ohio, "5", 23, 1},
		"all, by invoice":     {byInvoice, "5", 28, 1},       // 28.45; computed
		"all, by line":        {invented("AQ"), "5", 28, 4},  // 9.15 + 14.3 + 5; computed
		"all, by line, at 10": {invented("AQ"), "10", 57, 4}, // 18.3 + 28.6 + 10
		"no rate":             {ohio, "", 0, 1},
		"no place":            {tax.Default(""), "5", 23, 1},
	} {
		got, steps, err := c.pack.On("tax", rate(t, c.rate), "USD", charges)
		if err != nil || got != c.want || len(steps) != c.steps {
			t.Errorf("%s: %d, %v, %v; want %d", name, got, steps, err, c.want)
		}
		workingtest.Check(t, steps)
	}
	want := []working.Step{{
		Number: "tax", Formula: "5 % × (1.83 + 2.86), rounded half away from zero", Value: "0.23",
		Source: "Ohio Department of Taxation, information release of 22 March 1982",
	}}
	if _, got, err := ohio.On("tax", rate(t, "5"), "USD", charges); err != nil || !cmp.Equal(got, want) {
		t.Error(err, cmp.Diff(want, got))
	}
	if _, steps, err := ohio.On("tax", rate(t, "5"), "USD", nil); err != nil || steps[0].Formula != "5 % × (0.00), rounded half away from zero" {
		t.Errorf("nothing to tax: %v, %v", steps, err)
	}
}

func TestTaxDoesNotOverflowUnnoticed(t *testing.T) {
	t.Parallel()
	charges := []tax.Charge{{tax.Part, math.MaxInt64}, {tax.Core, math.MaxInt64}}
	for _, pack := range []tax.Pack{{}, invented("AQ")} {
		if got, _, err := pack.On("tax", rate(t, "100"), "USD", charges); !errors.Is(err, money.ErrOverflow) {
			t.Errorf("%d, %v", got, err)
		}
	}
}

// By whatever boundary, the tax is within half a unit a charge of the exact one,
// and its workings give it.
func TestTaxIsNearTheExactOne(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		pack := invented("AQ")
		pack.Rounding.Boundary = rapid.SampledFrom([]tax.Boundary{tax.ByLine, tax.ByInvoice}).Draw(t, "boundary")
		percent, err := money.FromBasisPoints(rapid.Int32Range(0, 10_000).Draw(t, "rate"))
		if err != nil {
			t.Fatal(err)
		}
		var charges []tax.Charge
		var sum int64
		for range rapid.IntRange(0, 8).Draw(t, "charges") {
			c := tax.Charge{Line: rapid.SampledFrom(tax.Lines()).Draw(t, "line"), Amount: rapid.Int64Range(0, 1e9).Draw(t, "amount")}
			charges, sum = append(charges, c), sum+c.Amount
		}
		got, steps, err := pack.On("tax", percent, "USD", charges)
		exact, exactErr := percent.Of(sum)
		if err != nil || exactErr != nil {
			t.Fatal(err, exactErr)
		}
		off := 2 * max(got-exact, exact-got)
		if byLine := pack.RoundsByLine(); (byLine && off > int64(len(charges))+1) || (!byLine && off != 0) {
			t.Fatalf("%d on %v; once rounded it is %d", got, charges, exact)
		}
		for _, step := range steps {
			if err := workingtest.Verify(step); err != nil {
				t.Fatal(err)
			}
		}
	})
}
