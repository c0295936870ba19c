package quote_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/quote"
)

const (
	yes     = fitmentv1.Finding_YES
	no      = fitmentv1.Finding_NO
	unknown = fitmentv1.Finding_UNKNOWN
)

func weigh(t *testing.T, in quote.Input) quote.Result {
	t.Helper()
	result, err := quote.Weigh(in)
	if err != nil {
		t.Fatal(err)
	}
	return result
}

// A quote of the usual shape (common practice, no source), computed by hand:
// 185.00 + 50.00 deposit, 7.25 % on 235.00 = 17.0375 → 17.04, freight 38.50,
// handling 35.00, labour 1.4 h × 128.00 = 179.20: 504.74. Restocking 20 % of
// 185.00 = 37.00, and 12.00 return freight: 49.00 lost where it fails.
func TestLandedCostOfAnOption(t *testing.T) {
	t.Parallel()
	used := fitting("yard-a", "1", 185_00)
	used.Listing.Terms = &fitmentv1.Terms{
		CoreDeposit: 50_00, Freight: 38_50, Handling: 35_00, ReturnFreight: 12_00, RestockingBasisPoints: 20_00, Days: 5,
	}
	in := input([]*fitmentv1.Donor{used}, nil)
	tax, err := money.ParsePercent("7.25")
	if err != nil {
		t.Fatal(err)
	}
	in.Tax = tax
	in.Labour = &quotev1.Labour{FitMinutes: 60, CheckMinutes: 24, HourlyRate: 128_00}
	in.DayCost = 10_00
	result := weigh(t, in)
	o := result.Options[0]
	got := []int64{o.GetTax(), o.GetCheckLabour(), o.GetFitLabour(), o.GetLandedCost(), o.GetReturnLoss()}
	want := []int64{17_04, 51_20, 128_00, 504_74, 49_00}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("tax, check, fit, landed, lost (-want +got):\n%s", diff)
	}
	if o.GetPassProbability() != 0.8 || o.GetPlanPlace() != 1 || o.GetFallback() {
		t.Errorf("chance %g, place %d, fallback %t", o.GetPassProbability(), o.GetPlanPlace(), o.GetFallback())
	}
	// Passes (0.8): 504.74 − 128.00 fitting + 5 days × 10.00 = 426.74.
	// Fails (0.2): 38.50 + 35.00 + 51.20 + 50.00 + 49.00 = 223.70, and nothing
	// else to be had. Mean 341.392 + 44.74 = 386.132.
	if got := result.Plan.GetExpectedCost(); got != 386_13 {
		t.Errorf("expected cost %d, want 38613", got)
	}
	if got := result.Plan.GetUnrepairedProbability(); math.Abs(got-0.2) > 1e-12 {
		t.Errorf("unrepaired %g, want 0.2", got)
	}
}

func TestOutcomesMoveTheChance(t *testing.T) {
	t.Parallel()
	in := input([]*fitmentv1.Donor{fitting("yard-a", "1", 100_00), fitting("yard-b", "1", 100_00)}, nil)
	in.Tallies = map[quotev1.Offer_Condition]map[string]quote.Tally{quotev1.Offer_USED: {"yard-a": {Passed: 3, Failed: 5}}}
	in.Donors[0].Listing.Terms.Freight, in.Donors[1].Listing.Terms.Freight = 10_00, 10_00
	result := weigh(t, in)
	// Beta(4, 1) and 3 of 8: (4+3)/(4+1+8) = 7/13; the other stays at 4/5 and
	// comes first.
	if diff := cmp.Diff([]string{"listings/yard-b.1", "listings/yard-a.1"}, sources(result.Options)); diff != "" {
		t.Fatal(diff)
	}
	second := result.Options[1]
	if math.Abs(second.GetPassProbability()-7.0/13) > 1e-15 || second.GetPassed() != 3 || second.GetOutcomes() != 8 {
		t.Errorf("got %g from %d of %d", second.GetPassProbability(), second.GetPassed(), second.GetOutcomes())
	}
}

func TestNewPartIsTheFallback(t *testing.T) {
	t.Parallel()
	in := input(
		[]*fitmentv1.Donor{fitting("yard-a", "1", 90_00), fitting("yard-b", "2", 900_00)},
		[]*fitmentv1.PartMatch{proven("NB40118"), proven("NB40200")},
		offer("slow", quotev1.Offer_NEW, "NB-40118", 380_00, 9),
		offer("fast", quotev1.Offer_NEW, "nb 40.200", 400_00, 2),
		offer("reman", quotev1.Offer_REMANUFACTURED, "NB40118", 150_00, 3),
	)
	in.DayCost = 5_00
	result := weigh(t, in)
	// 380.00 + 9 × 5.00 = 425.00 against 400.00 + 2 × 5.00 = 410.00.
	var fallback []string
	for _, o := range result.Options {
		if o.GetFallback() {
			fallback = append(fallback, o.GetSource())
		}
	}
	if diff := cmp.Diff([]string{"offers/northline.fast"}, fallback); diff != "" {
		t.Errorf("fallback (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"listings/yard-a.1", "offers/northline.reman"}, result.Plan.GetOrder()); diff != "" {
		t.Errorf("order (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"listings/yard-b.2"}, result.Plan.GetNotTried()); diff != "" {
		t.Errorf("not tried (-want +got):\n%s", diff)
	}
	want := []string{"listings/yard-a.1", "offers/northline.reman", "offers/northline.slow", "offers/northline.fast", "listings/yard-b.2"}
	if diff := cmp.Diff(want, sources(result.Options)); diff != "" {
		t.Errorf("options (-want +got):\n%s", diff)
	}
	if got := result.Plan.GetUnrepairedProbability(); got != 0 {
		t.Errorf("unrepaired %g although a new part is to be had", got)
	}
	if !strings.Contains(result.Plan.GetWords(), "offers/northline.fast") {
		t.Errorf("words do not name the new part: %s", result.Plan.GetWords())
	}
	if first := quote.FirstBuy(result.Options); first.GetSource() != "listings/yard-a.1" {
		t.Errorf("first buy %s", first.GetSource())
	}
}

func TestOnlyNewIsBoughtAtOnce(t *testing.T) {
	t.Parallel()
	result := weigh(t, input(nil, []*fitmentv1.PartMatch{proven("NB40118")}, offer("n", quotev1.Offer_NEW, "NB40118", 300_00, 2)))
	if first := quote.FirstBuy(result.Options); first.GetSource() != "offers/northline.n" {
		t.Errorf("first buy %q", first.GetSource())
	}
	if result.Plan.GetExpectedCost() != 300_00 || len(result.Plan.GetOrder()) != 0 {
		t.Errorf("plan %v", result.Plan)
	}
}

func TestNothingToBuyIsSaid(t *testing.T) {
	t.Parallel()
	result := weigh(t, input([]*fitmentv1.Donor{donor("yard-a", "1", 1, decision(unknown, yes))}, nil))
	if len(result.Options) != 0 || quote.FirstBuy(result.Options) != nil {
		t.Errorf("options %v", result.Options)
	}
	if result.Plan.GetUnrepairedProbability() != 1 || result.Plan.GetWords() == "" {
		t.Errorf("plan %v", result.Plan)
	}
	if len(result.Excluded) != 1 || len(result.Notices) == 0 {
		t.Errorf("excluded %v, notices %v", result.Excluded, result.Notices)
	}
}

func TestWhyListingsAreKeptOut(t *testing.T) {
	t.Parallel()
	missing := decision(yes, unknown)
	missing.MissingEvidence = []*fitmentv1.MissingEvidence{{Ask: "ask for a photo of the label"}, {Ask: "and a reading"}}
	both := decision(no, no)
	change := func(d *fitmentv1.Decision, alter func(*fitmentv1.Listing)) *fitmentv1.Donor {
		made := donor("yard-a", "1", 10_00, d)
		alter(made.GetListing())
		return made
	}
	held := func(holder string, end time.Time) *fitmentv1.Donor {
		return change(decision(yes, yes), func(l *fitmentv1.Listing) {
			l.State, l.Hold = fitmentv1.Listing_HELD, &fitmentv1.Hold{Holder: holder, Fence: 1, ExpireTime: timestamppb.New(end)}
		})
	}
	for name, test := range map[string]struct {
		donor          *fitmentv1.Donor
		reason, remedy string
	}{
		"not proven": {donor("yard-a", "1", 0, missing), "is not proven yet: made, up: the reuse finding's reason", "ask for a photo of the label"},
		"no evidence named": {
			donor("yard-a", "1", 0, decision(unknown, yes)),
			"is not proven yet: made, up: the fit finding's reason", "the fit remedy",
		},
		"does not fit": {donor("yard-a", "1", 0, decision(no, yes)), "does not fit: made, up: the fit finding's reason", "the fit remedy"},
		"barred wins":  {donor("yard-a", "1", 0, both), "may not be used again: made, up: the reuse finding's reason; and does not fit: made, up: the fit finding's reason", ""},
		"currency": {
			change(decision(yes, yes), func(l *fitmentv1.Listing) { l.CurrencyCode = "CAD" }),
			"is priced in CAD, not in USD", "a price in USD",
		},
		"amount beyond all reason": {
			change(decision(yes, yes), func(l *fitmentv1.Listing) { l.Price = math.MaxInt64 }),
			"states an amount that is out of range", "the yard corrects its price and terms",
		},
		"sold": {
			change(decision(yes, yes), func(l *fitmentv1.Listing) { l.State = fitmentv1.Listing_SOLD }), "is sold", "",
		},
		"withdrawn": {
			change(decision(yes, yes), func(l *fitmentv1.Listing) { l.State = fitmentv1.Listing_WITHDRAWN }),
			"is withdrawn by the yard", "the yard lists it again",
		},
		"state not stated": {
			change(decision(yes, yes), func(l *fitmentv1.Listing) { l.State = fitmentv1.Listing_STATE_UNSPECIFIED }),
			"does not say whether it is on sale", "the yard lists it again",
		},
		"held by another": {held("", now.Add(time.Hour)), "is held by another business", "its hold is released or runs out"},
		"held by us": {
			held("shop-a", now.Add(time.Hour)),
			"is already held by your business", "the quote that holds it is declined, or the hold is released",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			result := weigh(t, input([]*fitmentv1.Donor{test.donor}, nil))
			if len(result.Options) != 0 || len(result.Excluded) != 1 {
				t.Fatalf("options %v, excluded %v", result.Options, result.Excluded)
			}
			got := result.Excluded[0]
			if got.GetReason() != test.reason || got.GetRemedy() != test.remedy {
				t.Errorf("reason %q, remedy %q; want %q, %q", got.GetReason(), got.GetRemedy(), test.reason, test.remedy)
			}
		})
	}
	if result := weigh(t, input([]*fitmentv1.Donor{held("shop-b", now)}, nil)); len(result.Options) != 1 {
		t.Errorf("a hold that has run out keeps its listing out: %v", result.Excluded)
	}
}

func TestLostAndHeldListings(t *testing.T) {
	t.Parallel()
	mine := fitting("yard-a", "1", 10_00)
	mine.Listing.State, mine.Listing.Hold = fitmentv1.Listing_HELD, &fitmentv1.Hold{Holder: "shop-a", Fence: 3, ExpireTime: timestamppb.New(now.Add(time.Hour))}
	in := input([]*fitmentv1.Donor{mine, fitting("yard-b", "1", 10_00)}, nil)
	in.Held = map[string]bool{"listings/yard-a.1": true}
	in.Lost = map[string]string{"listings/yard-b.1": "was sold a moment ago"}
	result := weigh(t, in)
	if diff := cmp.Diff([]string{"listings/yard-a.1"}, sources(result.Options)); diff != "" {
		t.Error(diff)
	}
	if got := excludedBy(result.Excluded)["listings/yard-b.1"].GetReason(); got != "was sold a moment ago" {
		t.Errorf("reason %q", got)
	}
}

func TestWhyOffersAreKeptOut(t *testing.T) {
	t.Parallel()
	parts := []*fitmentv1.PartMatch{
		proven("OK1"), match("APPNO", no, yes), match("APPUNKNOWN", unknown, yes),
		match("RECNO", yes, no), match("RECUNKNOWN", yes, unknown), match("NONE", fitmentv1.Finding_ANSWER_UNSPECIFIED, yes),
		match("TWICE", yes, yes), match("TWICE", yes, unknown),
	}
	otherKind := proven("BAG1")
	otherKind.Part.Kind = fitmentv1.Part_DRIVER_AIR_BAG
	parts = append(parts, otherKind)
	change := func(alter func(*quotev1.Offer)) *quotev1.Offer {
		made := offer("1", quotev1.Offer_REMANUFACTURED, "OK1", 10_00, 1)
		alter(made)
		return made
	}
	of := func(number string) *quotev1.Offer { return offer("1", quotev1.Offer_NEW, number, 1, 1) }
	for name, test := range map[string]struct {
		offer          *quotev1.Offer
		reason, remedy string
	}{
		"application disproven":  {of("APPNO"), "does not fit: made, up: the application's reason", "the application's remedy"},
		"application unknown":    {of("APPUNKNOWN"), "is not proven to fit: made, up: the application's reason", "the application's remedy"},
		"application unanswered": {of("NONE"), "is not proven to fit: made, up: the application's reason", "the application's remedy"},
		"under recall":           {of("RECNO"), "is under recall: made, up: the recall's reason", "the recall's remedy"},
		"recall unknown":         {of("RECUNKNOWN"), "is not proven to be free of recalls: made, up: the recall's reason", "the recall's remedy"},
		"two answers, the more cautious counts": {
			of("TWICE"), "is not proven to be free of recalls: made, up: the recall's reason", "the recall's remedy",
		},
		"not in the catalogue": {
			of("OTHER"), "the catalogue does not show that part OTHER is right for this vehicle and position",
			"the part's application is in the catalogue",
		},
		"catalogue says another kind": {
			of("BAG1"), "the catalogue lists part BAG1 under the kind driver air bag; needed is buckle pretensioner", "",
		},
		"wrong kind": {
			change(func(o *quotev1.Offer) { o.Kind = fitmentv1.Part_CLOCK_SPRING }),
			"is of the kind clock spring; needed is buckle pretensioner", "",
		},
		"no condition": {
			change(func(o *quotev1.Offer) { o.Condition = quotev1.Offer_USED }),
			"is stated neither as new nor as remanufactured", "the supplier's price list says which",
		},
		"unavailable": {
			change(func(o *quotev1.Offer) { o.Available = false }),
			"the supplier cannot deliver it", "the supplier's price list says that it is available again",
		},
		"expired": {
			change(func(o *quotev1.Offer) { o.ValidUntil = "2026-03-09" }),
			"its price held until 2026-03-09", "a price list that is still valid is imported",
		},
		"currency": {change(func(o *quotev1.Offer) { o.CurrencyCode = "EUR" }), "is priced in EUR, not in USD", "a price in USD"},
		"negative": {
			change(func(o *quotev1.Offer) { o.Freight = -1 }),
			"states an amount that is out of range", "the supplier's price list is corrected",
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			result := weigh(t, input(nil, parts, test.offer))
			if len(result.Options) != 0 || len(result.Excluded) != 1 {
				t.Fatalf("options %v, excluded %v", result.Options, result.Excluded)
			}
			got := result.Excluded[0]
			if got.GetReason() != test.reason || got.GetRemedy() != test.remedy {
				t.Errorf("reason %q, remedy %q; want %q, %q", got.GetReason(), got.GetRemedy(), test.reason, test.remedy)
			}
		})
	}
	last := change(func(o *quotev1.Offer) { o.ValidUntil = "2026-03-10" })
	result := weigh(t, input(nil, parts, last))
	if len(result.Options) != 1 {
		t.Fatalf("an offer is kept out on its last day: %v", result.Excluded)
	}
	if want := time.Date(2026, 3, 11, 0, 0, 0, 0, time.UTC); !result.GoodUntil.Equal(want) {
		t.Errorf("good until %s, want %s", result.GoodUntil, want)
	}
}

func TestBarredNamesItsOwnReason(t *testing.T) {
	t.Parallel()
	result := weigh(t, input([]*fitmentv1.Donor{donor("yard-a", "1", 1, decision(yes, no))}, nil))
	if got := result.Excluded[0]; got.GetReason() != "may not be used again: made, up: the reuse finding's reason" || got.GetRemedy() != "the reuse remedy" {
		t.Errorf("reason %q, remedy %q", got.GetReason(), got.GetRemedy())
	}
}

func TestRepeatedSellersAreWarnedOf(t *testing.T) {
	t.Parallel()
	warned := func(yards ...string) bool {
		var donors []*fitmentv1.Donor
		for i, yard := range yards {
			donors = append(donors, fitting(yard, fmt.Sprint(i), 10_00))
		}
		return strings.Contains(strings.Join(weigh(t, input(donors, nil)).Notices, "\n"), "from one seller")
	}
	if !warned("yard-a", "yard-b", "yard-a") || warned("yard-a", "yard-b") {
		t.Error("the notice does not follow the sellers")
	}
}

func TestLongReasonsAreCutWithASign(t *testing.T) {
	t.Parallel()
	long := donor("yard-a", "1", 1, decision(no, yes))
	long.Decision.Findings[0].Reason, long.Decision.Findings[0].Remedy = strings.Repeat("ö", 999), strings.Repeat("ü", 999)
	got := weigh(t, input([]*fitmentv1.Donor{long}, nil)).Excluded[0]
	for _, text := range []string{got.GetReason(), got.GetRemedy()} {
		if n := len([]rune(text)); n > 300 || !strings.HasSuffix(text, "…") {
			t.Errorf("%d characters, ends with %q", n, text[len(text)-3:])
		}
	}
}

func TestExcludedWithRemedyComeFirst(t *testing.T) {
	t.Parallel()
	sold := fitting("yard-a", "1", 1)
	sold.Listing.State = fitmentv1.Listing_SOLD
	result := weigh(t, input([]*fitmentv1.Donor{sold, donor("yard-b", "1", 1, decision(unknown, yes))}, nil))
	if got := result.Excluded[0].GetSource(); got != "listings/yard-b.1" {
		t.Errorf("first excluded is %s", got)
	}
}

// The law of the installer's place counts for a new or remanufactured part, too: by
// 16 CCR 3353 the customer authorizes the estimate, and by 16 CCR 3356 the invoice
// says what each part is, in California whatever its condition.
func TestOffersCarryWhatTheLawAsks(t *testing.T) {
	t.Parallel()
	part := proven("NB40118")
	part.Obligations = []*fitmentv1.Obligation{
		{Jurisdiction: "US-CA", Type: fitmentv1.Obligation_CONSENT, Party: fitmentv1.Obligation_INSTALLER, Text: "The customer authorizes the work.", Source: "16 CCR 3353"},
		{Jurisdiction: "US-CA", Type: fitmentv1.Obligation_INVOICE, Party: fitmentv1.Obligation_INSTALLER, Text: "Each part by itself.", Source: "16 CCR 3356(c)"},
	}
	result := weigh(t, input(nil, []*fitmentv1.PartMatch{part},
		offer("n", quotev1.Offer_NEW, "NB40118", 900_00, 2), offer("r", quotev1.Offer_REMANUFACTURED, "NB40118", 100_00, 2)))
	want := map[quotev1.Offer_Condition]string{quotev1.Offer_NEW: "new", quotev1.Offer_REMANUFACTURED: "remanufactured"}
	if len(result.Options) != len(want) {
		t.Fatalf("%d options", len(result.Options))
	}
	for _, o := range result.Options {
		if len(o.GetObligations()) != 2 || o.GetConditionWords() != want[o.GetCondition()] {
			t.Errorf("%s is called %q and asks %v", o.GetSource(), o.GetConditionWords(), o.GetObligations())
		}
		var fields check.Fields
		quote.CheckAuthorization([]*quotev1.Option{o}, nil, 1, "USD", now, &fields)
		if fields.OK() {
			t.Errorf("%s may be bought without the customer's word", o.GetSource())
		}
	}
}

func TestNotices(t *testing.T) {
	t.Parallel()
	used := fitting("yard-a", "1", 10_00)
	used.Listing.Terms.CoreDeposit = 5_00
	used.Decision.Cautions = []string{"Disconnect the battery and wait.", "Disconnect the battery and wait."}
	used.Decision.ArrivalChecks = []*fitmentv1.ArrivalCheck{{Check: "Read the label.", Pass: "number NB40118."}}
	old := proven("NB40118")
	old.Part.Discontinued, old.Part.ServiceLifeYears = true, 15
	in := input([]*fitmentv1.Donor{used}, []*fitmentv1.PartMatch{old},
		offer("n", quotev1.Offer_NEW, "NB40118", 900_00, 2), offer("r", quotev1.Offer_REMANUFACTURED, "NB40118", 100_00, 2))
	text := strings.Join(weigh(t, in).Notices, "\n")
	for _, want := range []string{
		"marked USED", "marked REMANUFACTURED", "16 CFR 20.1", "maker's own procedure", "live", "dispose", "labour of fitting",
		"deposit", "Disconnect the battery", "On arrival: Read the label. It passes if: number NB40118.",
		"discontinued", "service life of 15 years",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no notice says %q:\n%s", want, text)
		}
	}
	if strings.Count(text, "Disconnect the battery") != 1 {
		t.Error("a caution is said twice")
	}
	customer := strings.Join(quote.ForCustomer(strings.Split(text, "\n")), "\n")
	for _, want := range []string{
		"removed from another vehicle are named as such", "rebuilt, by their supplier's account", "16 CFR 20.1", "maker's own procedure",
		"Never throw it away", "no evidence of fit", "Disconnect the battery", "discontinued this part, so a new one is old stock.", "service life of 15 years",
	} {
		if !strings.Contains(customer, want) {
			t.Errorf("the customer is not told %q:\n%s", want, customer)
		}
	}
	for _, own := range []string{"Say so", "your business", "prior", "marked", "On arrival", "price list", "Ask for", "Check it"} {
		if strings.Contains(customer, own) {
			t.Errorf("the customer is told %q, which is the shop's own:\n%s", own, customer)
		}
	}
}

// What is not known to be the shop's own stays word by word, also a part's return
// from another buyer, and how often a shop's remark is left out changes nothing.
func TestNoticesForTheCustomer(t *testing.T) {
	t.Parallel()
	for notice, want := range map[string][]string{
		"This part came back from a buyer on 2026-03-01: it failed its arrival check.":                                      {"This part came back from a buyer on 2026-03-01: it failed its arrival check."},
		"Packaging and seals are looked at.":                                                                                {"Packaging and seals are looked at."},
		"US-MT, where the installer stands, has no pack of its own: only the law of the place that it lies in was weighed.": nil,
		"The provisions of all places with a pack were weighed, which is the most cautious answer.":                         nil,
		"On arrival: Read the label.":             nil,
		fmt.Sprintf(quote.NoticeListings, 1000):   nil,
		quote.NoticeOffers:                        nil,
		"Tax: no place is stated, so it is asked": {"Tax: no place is stated, so it is asked"},
	} {
		if got := quote.ForCustomer([]string{notice}); !slices.Equal(got, want) {
			t.Errorf("%q is told as %q, want %q", notice, got, want)
		}
	}
}

func TestMoreThanThePlanCanTake(t *testing.T) {
	t.Parallel()
	var donors []*fitmentv1.Donor
	for i := range plan.MaxOffers + 5 {
		donors = append(donors, fitting("yard-a", fmt.Sprintf("%03d", i), int64(100_00+i)))
	}
	result := weigh(t, input(donors, nil))
	if got := len(result.Plan.GetOrder()) + len(result.Plan.GetNotTried()); got != len(donors) || len(result.Options) != len(donors) {
		t.Errorf("%d listings, %d in the plan or not tried, %d options", len(donors), got, len(result.Options))
	}
	if got := result.Options[0].GetSource(); got != donors[0].GetListing().GetName() {
		t.Errorf("first is %s, want the cheapest", got)
	}
}

// Whatever things cost, nothing is ever an option that the fitment side has not
// proven, and nothing that is offered disappears.
func TestNothingUnprovenIsEverAnOption(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		answers := rapid.SampledFrom([]fitmentv1.Finding_Answer{yes, no, unknown, fitmentv1.Finding_ANSWER_UNSPECIFIED})
		money := rapid.OneOf(rapid.Int64Range(0, 1000), rapid.Int64(), rapid.Just(int64(math.MaxInt64)))
		good := make(map[string]bool)
		in := input(nil, nil)
		in.DayCost = rapid.Int64Range(0, 1_000_000_000_000).Draw(t, "day cost")
		for i := range rapid.IntRange(0, 6).Draw(t, "donors") {
			d := decision(answers.Draw(t, "fit"), answers.Draw(t, "reuse"))
			d.Verdict = rapid.SampledFrom([]fitmentv1.Decision_Verdict{d.GetVerdict(), fitmentv1.Decision_FITS}).Draw(t, "verdict")
			made := donor("yard-a", string(rune('a'+i)), money.Draw(t, "price"), d)
			made.Listing.Terms.Freight = money.Draw(t, "freight")
			in.Donors = append(in.Donors, made)
			good[made.GetListing().GetName()] = d.GetFit() == yes && d.GetReuse() == yes
		}
		for i := range rapid.IntRange(0, 6).Draw(t, "offers") {
			m := match(string(rune('A'+i)), answers.Draw(t, "application"), answers.Draw(t, "recall"))
			in.Parts = append(in.Parts, m)
			condition := rapid.SampledFrom([]quotev1.Offer_Condition{quotev1.Offer_NEW, quotev1.Offer_REMANUFACTURED, quotev1.Offer_USED, 0}).Draw(t, "condition")
			made := offer(string(rune('a'+i)), condition, m.GetPart().GetNumber(), money.Draw(t, "price"), rapid.Int32Range(0, 3650).Draw(t, "days"))
			in.Offers = append(in.Offers, made)
			good[made.GetName()] = m.GetApplication().GetAnswer() == yes && m.GetRecall().GetAnswer() == yes
		}
		result, err := quote.Weigh(in)
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range result.Options {
			if !good[o.GetSource()] {
				t.Fatalf("%s is an option", o.GetSource())
			}
		}
		for _, id := range append(result.Plan.GetOrder(), result.Plan.GetNotTried()...) {
			if !good[id] {
				t.Fatalf("%s is in the plan", id)
			}
		}
		if got := len(result.Options) + len(result.Excluded); got != len(in.Donors)+len(in.Offers) {
			t.Fatalf("%d things offered, %d answered", len(in.Donors)+len(in.Offers), got)
		}
	})
}
