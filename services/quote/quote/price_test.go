package quote_test

import (
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

func percent(t *testing.T, text string) money.Percent {
	t.Helper()
	rate, err := money.ParsePercent(text)
	if err != nil {
		t.Fatal(err)
	}
	return rate
}

// checkWorkings does the sums of an option again.
func checkWorkings(t *testing.T, o *quotev1.Option) {
	t.Helper()
	for _, w := range o.GetWorkings() {
		step := working.Step{Number: w.GetNumber(), Formula: w.GetFormula(), Value: w.GetValue(), Source: w.GetSource()}
		if err := workingtest.Verify(step); err != nil {
			t.Errorf("%s: %v", w.GetNumber(), err)
		}
	}
}

// billed is an input of one bought part in the usual shape (common practice, no
// source), computed by hand: 185.00 + 50.00 deposit, tax 7.25 % = 17.04, freight
// 38.50, handling 35.00, 1.4 h at 128.00 = 179.20, supplies 10.75: 515.49.
func billed(t *testing.T, condition quotev1.Offer_Condition, alter func(*quotev1.Offer)) quote.Input {
	t.Helper()
	item := offer("x", condition, "NB40118", 185_00, 5)
	item.CoreDeposit, item.Freight, item.Handling = 50_00, 38_50, 35_00
	item.UnNumber = "UN3268"
	if alter != nil {
		alter(item)
	}
	in := input(nil, []*fitmentv1.PartMatch{proven("NB40118")}, item)
	in.Tax = percent(t, "7.25")
	in.Labour = &quotev1.Labour{FitMinutes: 69, CheckMinutes: 15, HourlyRate: 128_00}
	in.Supplies = []*quotev1.SupplyLine{{Label: "Cable ties", Amount: 10_00}, {Label: "Tape", Amount: 75}}
	return in
}

func TestAWholeQuote(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		place      string
		condition  quotev1.Offer_Condition
		coreReturn int64
		refund     int64
	}{
		"lawful freight not stated": {"US-CA", quotev1.Offer_REMANUFACTURED, 0, 0},
		// California returns the tax on the core of a reconditioned part:
		// 50.00 + 3.63 − 20.00
		"California, reconditioned": {"US-CA", quotev1.Offer_REMANUFACTURED, 20_00, 33_63},
		"California, new":           {"US-CA", quotev1.Offer_NEW, 20_00, 30_00},
		"Ohio":                      {"US-OH", quotev1.Offer_REMANUFACTURED, 20_00, 30_00},
		"not worth sending":         {"US-OH", quotev1.Offer_REMANUFACTURED, 50_01, 0},
		"no place":                  {"", quotev1.Offer_REMANUFACTURED, 20_00, 30_00},
	} {
		in := billed(t, c.condition, func(o *quotev1.Offer) { o.CoreReturnFreight = c.coreReturn })
		in.Pack, _ = tax.Builtin().For(c.place)
		result := weigh(t, in)
		if len(result.Options) != 1 {
			t.Fatalf("%s: %v", name, result.Excluded)
		}
		o := result.Options[0]
		got := []int64{o.GetTax(), o.GetSupplies(), o.GetFitLabour(), o.GetCheckLabour(), o.GetLandedCost(), o.GetCoreRefund()}
		if diff := cmp.Diff([]int64{17_04, 10_75, 147_20, 32_00, 515_49, c.refund}, got); diff != "" {
			t.Errorf("%s: tax, supplies, fitting, check, landed, core refund (-want +got):\n%s", name, diff)
		}
		checkWorkings(t, o)
		if len(o.GetWorkings()) == 0 {
			t.Errorf("%s: no workings", name)
		}
		says := "counts as cost where nothing is expected back"
		if c.refund > 0 {
			says = "lowers the plan's costs"
		}
		if !slices.ContainsFunc(result.Notices, func(n string) bool { return strings.Contains(n, says) }) {
			t.Errorf("%s: no notice says %q", name, says)
		}
		unstated := slices.ContainsFunc(o.GetTransport(), func(n string) bool { return strings.Contains(n, "The deposit is not counted as coming back") })
		if unstated != (c.coreReturn == 0) {
			t.Errorf("%s: transport %q", name, o.GetTransport())
		}
	}
}

// A part that passes costs its price less what the old part brings; one that
// fails costs none of both. By hand, of a reman part at 4/5 and nothing new:
// sunk 38.50 + 35.00 + 32.00 = 105.50; passes: + 252.04 − 30.00 = 327.54; fails:
// 105.50; mean 262.032 + 21.10 = 283.132.
func TestThePlanCountsTheCoreRefund(t *testing.T) {
	t.Parallel()
	in := billed(t, quotev1.Offer_REMANUFACTURED, func(o *quotev1.Offer) { o.CoreReturnFreight = 20_00 })
	if got := weigh(t, in).Plan.GetExpectedCost(); got != 283_13 {
		t.Errorf("expected cost %d, want 28313", got)
	}
	in = billed(t, quotev1.Offer_NEW, func(o *quotev1.Offer) { o.CoreReturnFreight = 20_00 })
	if got := weigh(t, in).Plan.GetExpectedCost(); got != 327_54 {
		t.Errorf("expected cost of the new part %d, want 32754", got)
	}
}

// A percentage is charged only where the place allows it, as an invented one does.
func TestSuppliesThatAPlaceForbids(t *testing.T) {
	t.Parallel()
	in := billed(t, quotev1.Offer_NEW, nil)
	in.Supplies, in.SuppliesPercent = nil, percent(t, "6")
	in.Pack = tax.Pack{
		Place: "AQ", Name: "Ice", Version: "2026-11-25",
		PercentageSupplies: tax.Rule{Answer: tax.Yes, Text: "A percentage is allowed.", Source: "invented"},
	}
	if got := weigh(t, in).Options[0]; got.GetSupplies() != 10_75 || got.GetLandedCost() != 515_49 {
		t.Errorf("supplies %d, landed %d", got.GetSupplies(), got.GetLandedCost())
	}
	for place, says := range map[string]string{
		"US-CA": "California does not allow a percentage", "US-OH": "the sources kept here for Ohio do not settle it", "": "no place is stated",
	} {
		in.Pack, _ = tax.Builtin().For(place)
		result, err := quote.Weigh(in)
		if err != nil || len(result.Options) != 0 || !strings.Contains(result.Excluded[0].GetReason(), says) {
			t.Errorf("%q: %+v, %v; want %q", place, result, err, says)
		}
	}
}

func TestFreightByWeight(t *testing.T) {
	t.Parallel()
	in := billed(t, quotev1.Offer_NEW, func(o *quotev1.Offer) { o.FreightPerKilogram, o.WeightGrams = 2_00, 2_001 })
	o := weigh(t, in).Options[0]
	if o.GetFreight() != 44_50 || o.GetLandedCost() != 521_49 {
		t.Errorf("freight %d, landed %d", o.GetFreight(), o.GetLandedCost())
	}
	if changed := quote.Changed(o, "USD", in.Offers[0]); changed != "" {
		t.Errorf("unchanged terms count as changed: %s", changed)
	}
	in.Offers[0].WeightGrams = 3_001
	if changed := quote.Changed(o, "USD", in.Offers[0]); changed != "freight 46.50 instead of 44.50 USD" {
		t.Errorf("changed: %q", changed)
	}
	in.Offers[0].WeightGrams = 0
	if changed := quote.Changed(o, "USD", in.Offers[0]); !strings.Contains(changed, "weight in grams: not stated") {
		t.Errorf("changed: %q", changed)
	}
	result := weigh(t, in)
	if len(result.Options) != 0 || result.Excluded[0].GetRemedy() != "the seller states the weight of the part as packed" {
		t.Errorf("%v, %v", result.Options, result.Excluded)
	}
}

func TestTermsOfReturnAndWarrantyMayNotChange(t *testing.T) {
	t.Parallel()
	in := billed(t, quotev1.Offer_NEW, func(o *quotev1.Offer) { o.CoreDays, o.WarrantyDays = 30, 365 })
	o := weigh(t, in).Options[0]
	if o.GetCoreDays() != 30 || o.GetWarrantyDays() != 365 {
		t.Errorf("core days %d, warranty %d", o.GetCoreDays(), o.GetWarrantyDays())
	}
	in.Offers[0].CoreDays, in.Offers[0].WarrantyDays = 14, 90
	want := "14 days for returning the old part instead of 30, 90 days of warranty instead of 365"
	if changed := quote.Changed(o, "USD", in.Offers[0]); changed != want {
		t.Errorf("changed: %q, want %q", changed, want)
	}
}

// Nothing is said to be allowed that is not known; a part without a charge is no
// dangerous good.
func TestWhatIsSaidOfTransport(t *testing.T) {
	t.Parallel()
	said := func(in quote.Input) string {
		t.Helper()
		return strings.Join(weigh(t, in).Options[0].GetTransport(), "\n")
	}
	terms := func(alter func(*quotev1.Offer)) quote.Input { return billed(t, quotev1.Offer_NEW, alter) }
	loose := said(terms(nil))
	for _, part := range []string{"class 9", "training of a hazmat employee is not known", "test 6(c) is not known"} {
		if !strings.Contains(loose, part) {
			t.Errorf("a loose part: %q is not in %q", part, loose)
		}
	}
	if got := said(terms(func(o *quotev1.Offer) { o.Handling = 0 })); !strings.Contains(got, "No charge for handling") {
		t.Errorf("no handling stated: %q", got)
	}
	if got := said(terms(func(o *quotev1.Offer) { o.InComponent = true })); !strings.Contains(got, "inside a completed component") || strings.Contains(got, "hazmat employee") {
		t.Errorf("in a seat: %q", got)
	}
	if got := said(terms(func(o *quotev1.Offer) { o.UnNumber = "" })); !strings.Contains(got, "classified as is not known") {
		t.Errorf("not classified: %q", got)
	}
	if got := said(terms(func(o *quotev1.Offer) { o.UnNumber = "UN1" })); !strings.Contains(got, "cannot be told") {
		t.Errorf("another number: %q", got)
	}
}

// A part without a charge brings its deposit back although no freight is stated.
func TestPartsWithoutACharge(t *testing.T) {
	t.Parallel()
	in := billed(t, quotev1.Offer_NEW, func(o *quotev1.Offer) { o.Kind, o.Handling, o.UnNumber = fitmentv1.Part_CLOCK_SPRING, 0, "" })
	in.Need.Kind = fitmentv1.Part_CLOCK_SPRING
	in.Parts[0].Part.Kind = fitmentv1.Part_CLOCK_SPRING
	o := weigh(t, in).Options[0]
	if len(o.GetTransport()) != 0 || o.GetCoreRefund() != 50_00 {
		t.Errorf("transport %q, core refund %d", o.GetTransport(), o.GetCoreRefund())
	}
	for kind, name := range fitmentv1.Part_Kind_name {
		charge := strings.Contains(name, "PRETENSIONER") || strings.Contains(name, "AIR_BAG") || kind == 0
		if quote.Pyrotechnic(fitmentv1.Part_Kind(kind)) != charge {
			t.Errorf("%s: pyrotechnic %t", name, !charge)
		}
	}
}

// A quote must fit into one record (1 MiB) however many listings fit: of 1000
// only the first ones are explained, and the new part.
func TestManyOptionsAreKeptShort(t *testing.T) {
	t.Parallel()
	var donors []*fitmentv1.Donor
	for i := range 1000 {
		one := fitting("yard-a", strconv.Itoa(i), int64(10_00+i))
		one.Listing.Terms = &fitmentv1.Terms{CoreDeposit: 50_00, Freight: 38_50, CoreReturnFreight: 20_00, UnNumber: "UN3268"}
		donors = append(donors, one)
	}
	result := weigh(t, input(donors, []*fitmentv1.PartMatch{proven("NB40118")}, offer("n", quotev1.Offer_NEW, "NB40118", 9_000_00, 2)))
	explained := 0
	for i, o := range result.Options {
		if (i < quote.MaxDetailed || o.GetFallback()) != (len(o.GetWorkings()) > 0) {
			t.Fatalf("option %d, place %d: %d workings", i, o.GetPlanPlace(), len(o.GetWorkings()))
		}
		if len(o.GetWorkings()) > 0 {
			explained++
		}
	}
	size := proto.Size(&quotev1.Quote{Options: result.Options, Excluded: result.Excluded, Plan: result.Plan, TradeOff: result.TradeOff, Notices: result.Notices})
	if len(result.Options) != 1001 || size > 900<<10 {
		t.Errorf("%d options, %d explained, %d bytes", len(result.Options), explained, size)
	}
	if !slices.ContainsFunc(result.Notices, func(n string) bool { return strings.Contains(n, "of the first options only") }) {
		t.Error("no notice says so")
	}
}
