package quote_test

import (
	"fmt"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/working/workingtest"
)

// aside is a line with one used part, which passes with 4 in 5, and a new part behind
// it.
func aside(used *fitmentv1.Donor, supplier string, price int64, days int32) quote.Input {
	fresh := offer("n", quotev1.Offer_NEW, "NB40118", price, days)
	fresh.Name, fresh.Supplier = "offers/"+supplier+".n", supplier
	return input([]*fitmentv1.Donor{used}, []*fitmentv1.PartMatch{proven("NB40118")}, fresh)
}

// lastNote is what the basket says of all lines together.
func lastNote(t *testing.T, whole quote.Whole) string {
	t.Helper()
	notes := whole.Basket.GetNotes()
	if len(notes) == 0 {
		t.Fatal("no notes")
	}
	return notes[len(notes)-1]
}

// By hand: the one line ends with 100.00 after 2 days (0.8) or, 10.00 lost, with
// 310.00 after 5 (0.2), the other one with 200.00 after 4 (0.8) or 400.00 after 5
// (0.2). Both are ready by day 4 with 0.64. In the mean they cost 142.00 + 240.00;
// together 300.00 (0.64), 500.00 (0.16), 510.00 (0.16) or 710.00 (0.04), so at most
// 510.00 with 0.96. A day costs money once for all lines and is left out.
func TestAllLinesTogether(t *testing.T) {
	t.Parallel()
	one, two := priced("yard-a", "1", 100_00, 0), priced("yard-b", "1", 200_00, 0)
	one.Listing.Terms.Days, one.Listing.Terms.ReturnFreight, two.Listing.Terms.Days = 2, 10_00, 4
	lines := []quote.Input{aside(one, "northline", 300_00, 3), aside(two, "eastline", 400_00, 1)}
	for i := range lines {
		lines[i].DayCost, lines[i].Deadline, lines[i].LateCost = 7_00, 3, 5_00
	}
	whole := weighAll(t, lines...)
	want := "All lines ready: 64 % by day 4 and 100 % by day 5. What all plans buy costs 382.00 USD in the mean and at most 510.00 USD in 95 of 100 cases; " +
		"days, fitting and supplies are not in it. The lines' plans share no seller, so they are taken to be independent of each other."
	if got := lastNote(t, whole); got != want {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	workingtest.Check(t, whole.Workings)
	traced := make(map[string]string)
	for _, step := range whole.Workings {
		traced[step.Number] = step.Value
	}
	for number, value := range map[string]string{
		"chance that all lines are ready by day 4": "0.640000", "chance that all lines are ready by day 5": "1.000000", "mean cost of what all lines buy": "382.00",
		"chance that what all lines buy costs at most 510.00, the least with 0.95 or more": "0.960000",
	} {
		if traced[number] != value {
			t.Errorf("%s: traced as %q, want %q", number, traced[number], value)
		}
	}
}

// Where two lines may buy of one seller, the note names it; where nothing new is to
// be had, a line can stay without a part.
func TestLinesThatShareASellerAreNotIndependent(t *testing.T) {
	t.Parallel()
	one, two := priced("yard-a", "1", 100_00, 0), priced("yard-b", "1", 200_00, 0)
	whole := weighAll(t, aside(one, "northline", 300_00, 3), aside(two, "northline", 400_00, 1))
	if got := lastNote(t, whole); !strings.Contains(got, "only where no seller is shared: more than one line may buy of northline, whose parts") {
		t.Errorf("%q", got)
	}
	whole = weighAll(t, input([]*fitmentv1.Donor{one}, nil), input([]*fitmentv1.Donor{two}, nil))
	if got := lastNote(t, whole); !strings.HasPrefix(got, "All lines ready: 64 % by day 0; else a line stays without a part. ") {
		t.Errorf("%q", got)
	}
	workingtest.Check(t, whole.Workings)
}

// A chance that is near 1 is not told as certain, and of many shared sellers three are
// named.
func TestNearlyCertainIsNotCertain(t *testing.T) {
	t.Parallel()
	lines := make([]quote.Input, 2)
	for i := range lines {
		var donors []*fitmentv1.Donor
		for n := range 40 {
			d := priced(fmt.Sprintf("yard-%02d", n), fmt.Sprint(i), int64(50_00+n), 0)
			d.Listing.Terms.Days = 1
			donors = append(donors, d)
		}
		lines[i] = input(donors, nil)
	}
	whole := weighAll(t, lines...)
	got := lastNote(t, whole)
	if !strings.Contains(got, "above 99.99 % by day 40; else a line stays without a part.") || !strings.Contains(got, "buy of yard-00, yard-01, yard-02 and 37 more, whose parts") {
		t.Errorf("%q", got)
	}
	workingtest.Check(t, whole.Workings)
}

// Of twenty lines the ways to end are too many to be put together; the chances of
// being ready and the mean are told all the same, the former of the days that matter.
func TestManyLinesTogether(t *testing.T) {
	t.Parallel()
	lines := make([]quote.Input, quote.MaxLines)
	for i := range lines {
		var donors []*fitmentv1.Donor
		for n := range 6 {
			d := priced(fmt.Sprintf("yard-%d-%d", i, n), "1", int64(50_00+n*n*313+i), 0)
			d.Listing.Terms.Days = int32(1 + n%3)
			donors = append(donors, d)
		}
		lines[i] = input(donors, nil)
	}
	whole := weighAll(t, lines...)
	got := lastNote(t, whole)
	if strings.Contains(got, "95 of 100") || !strings.Contains(got, " in the mean; days") || strings.Count(got, " by day ") > 5 {
		t.Errorf("%q", got)
	}
	// 1 − 0.2^6 each: 0.99872 in all.
	if !strings.Contains(got, "99.87 % by day 12; else") {
		t.Errorf("%q", got)
	}
	workingtest.Check(t, whole.Workings)
}
