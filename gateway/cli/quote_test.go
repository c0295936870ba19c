package cli_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// linedQuote is a quote of two lines.
func linedQuote() *quotev1.Quote {
	return &quotev1.Quote{
		Name: "quotes/Q-2026-000002", Number: "Q-2026-000002", State: quotev1.Quote_OPEN, CurrencyCode: "USD", Version: 2,
		Supersedes: "quotes/Q-2026-000001", Differences: []*quotev1.Difference{{What: "total", Before: "120.00 USD", After: "110.00 USD"}},
		Lines: []*quotev1.QuoteLine{
			{
				Need: theNeed(), HeldListing: "listings/k.1", Hold: &fitmentv1.Hold{Fence: 7},
				Plan: &quotev1.PlanPurchaseResponse{
					Words: "Buy used part listings/k.1.", Distribution: []*quotev1.PlanOutcome{{Cost: 9000, Days: 3, Probability: 1}},
					ReadyBy: []*quotev1.ReadyBy{{Days: 3, Probability: .8}, {Days: 6, Probability: .96}, {Days: 31, Probability: 1 - 1e-6}}, UnrepairedProbability: 1e-6,
					Workings: []*quotev1.Working{{Number: "expected cost", Formula: "80.00 + 10.00", Value: "90.00", Source: "Weitzman 1979"}},
				},
				Options: []*quotev1.Option{{
					Source: "listings/k.1", ConditionWords: "salvaged inflatable restraint system", PlanPlace: 1,
					Workings: []*quotev1.Working{{Number: "tax", Formula: "7 % × 100.00", Value: "7.00"}},
				}},
				Excluded: []*quotev1.ExcludedOption{
					{Source: "offers/n.1", Reason: "is of the kind clock spring; needed is buckle pretensioner"},
					{Source: "offers/n.2", Reason: "the catalogue does not show that part Z is right for this vehicle and position"},
					{Source: "listings/k.9", Reason: "is not proven yet: identity, kind: only claimed (wanted: BUCKLE_PRETENSIONER; found: PIGTAIL)", Remedy: "label photo"},
				},
				TradeOff: &quotev1.TradeOff{
					Policies: 4, LeastWorstRegret: 2,
					Points: []*quotev1.TradePoint{
						{ExpectedCost: 9000, Cvar95: 12000, BreakEvenDayCost: "4500", Batches: []*quotev1.PlanBatch{{Ids: []string{"listings/k.1"}}}},
						{ExpectedCost: 9500, Cvar95: 9500, Fallback: true},
					},
				},
			},
			{
				Need: &fitmentv1.Need{Kind: fitmentv1.Part_CLOCK_SPRING}, Plan: &quotev1.PlanPurchaseResponse{Words: "Buy new part offers/n.3 at once."},
				Options: []*quotev1.Option{{Source: "offers/n.3", Fallback: true}}, State: quotev1.QuoteLine_ACCEPTED,
			},
		},
		Basket:        &quotev1.Basket{Total: 16700, SeparateTotal: 17400, Bound: 16000, Notes: []string{"Freight is shared."}},
		Total:         &quotev1.QuoteTotal{Parts: 15500, Freight: 1200, Total: 16700, CoreRefunds: 5000},
		Workings:      []*quotev1.Working{{Number: "total", Formula: "155.00 + 12.00", Value: "167.00"}},
		Authorization: &quotev1.Authorization{By: "R. Ash", Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(time.Unix(1_773_135_000, 0))},
	}
}

// quoteCases are the client commands about quotes of several lines and their life.
func quoteCases() map[string]clientCase {
	lined := linedQuote()
	return map[string]clientCase{
		"quote of lines": {
			args: append([]string{
				"quote", "--currency", "USD", "--hourly-rate", "100", "--tax-place", "US-WA", "--customer", "R. Ash", "--draft",
				"--also", "kind=clock-spring,fit-minutes=30,check-minutes=5,part-number=CS-1", "--also", "kind=crash-sensor,row=1,side=left",
				"--supply", "thread lock=3.00", "--supply", "a=b=1.50", "--parallel", "--deadline", "7", "--late-cost", "60.00",
				"--max-cost", "300.00", "--max-days", "9.5", "--min-lower-bound", "0.9", "--request-id", id,
			}, need...),
			asks: &quotev1.PrepareQuoteRequest{
				Need: theNeed(), CurrencyCode: "USD", RequestId: id, TaxPlace: "US-WA", Customer: "R. Ash", Draft: true,
				Labour: &quotev1.Labour{HourlyRate: 10000}, Parallel: true, DeadlineDays: 7, LateCost: 6000,
				Supplies: []*quotev1.SupplyLine{{Label: "thread lock", Amount: 300}, {Label: "a=b", Amount: 150}},
				Limits:   &quotev1.Limits{MaxCost: 30000, MaxDays: 9.5, MinLowerBound: .9},
				FurtherNeeds: []*quotev1.FurtherNeed{
					{
						Need: &fitmentv1.Need{
							Vehicle: theNeed().GetVehicle(), Kind: fitmentv1.Part_CLOCK_SPRING, Position: &fitmentv1.Position{}, PartNumber: "CS-1",
						},
						Labour: &quotev1.Labour{FitMinutes: 30, CheckMinutes: 5, HourlyRate: 10000},
					},
					{
						Need: &fitmentv1.Need{
							Vehicle: theNeed().GetVehicle(), Kind: fitmentv1.Part_CRASH_SENSOR, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_LEFT},
						},
						Labour: &quotev1.Labour{HourlyRate: 10000},
					},
				},
			},
			answer: &quotev1.PrepareQuoteResponse{Quote: lined},
			shows: []string{
				"version 2, in the place of quotes/Q-2026-000001", "total: 120.00 USD → 110.00 USD", "line 1: buckle pretensioner, row 1 right",
				"ready: 80 % by day 3, 96 % by day 6, above 99.99 % by day 31", "ending unrepaired: below 0.01 %", "held: listings/k.1", "salvaged inflatable restraint system",
				"listings/k.9: is not proven yet: identity, kind: only claimed (wanted: buckle pretensioner; found: pigtail) → label photo", "2 more do not fit, or are other parts", "0.00 USD, the least", "45.0000 USD",
				"line 2: clock spring, accepted", "to order now: offers/n.3", "bought together: 167.00 USD; each line by itself: 174.00 USD; and no choice costs less than 160.00 USD",
				"total 167.00 USD: parts 155.00 USD, freight 12.00 USD", "expected back with the old parts: 50.00 USD", "allowed by R. Ash, signed",
			},
		},
		"quote show with why and all": {
			args: []string{"quote", "show", lined.GetName(), "--why", "--all"}, asks: &quotev1.GetQuoteRequest{Name: lined.GetName()},
			answer: &quotev1.GetQuoteResponse{Quote: lined},
			shows: []string{
				"offers/n.1: is of the kind clock spring", "total = 155.00 + 12.00 = 167.00", "expected cost = 80.00 + 10.00 = 90.00 (Weitzman 1979)",
				"tax = 7 % × 100.00 = 7.00",
			},
		},
		"quote issue": {
			args:   []string{"quote", "issue", "quotes/D-1", "--request-id", id},
			asks:   &quotev1.IssueQuoteRequest{Name: "quotes/D-1", RequestId: id},
			answer: &quotev1.IssueQuoteResponse{Quote: &quotev1.Quote{Name: "quotes/D-1", State: quotev1.Quote_DRAFT}},
			shows:  []string{"quotes/D-1: a draft, which holds nothing"},
		},
		"quote accept in part": {
			args: []string{
				"quote", "accept", lined.GetName(), "--line", "1,2", "--line", "4", "--by", "R. Ash", "--method", "signed", "--at", "2026-03-10T09:30:00Z",
				"--note", "at the desk", "--used-part", "--request-id", id,
			},
			asks: &quotev1.AcceptQuoteRequest{
				Name: lined.GetName(), RequestId: id, Lines: []int32{1, 2, 4}, Authorization: &quotev1.Authorization{
					By: "R. Ash", Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(time.Date(2026, 3, 10, 9, 30, 0, 0, time.UTC)),
					Note: "at the desk", UsedPart: true,
				},
			},
			answer: &quotev1.AcceptQuoteResponse{Quote: lined}, shows: []string{
				"Q-2026-000002", "line 1: buckle pretensioner, held: listings/k.1", "line 2: clock spring, accepted, to order now: offers/n.3", "total 167.00 USD\n",
				"the customer's authorisation: R. Ash, signed", "next: beltwright quote accept quotes/Q-2026-000002", "the rest: beltwright quote show quotes/Q-2026-000002",
			},
		},
		"quote decline with a reason": {
			args:   []string{"quote", "decline", lined.GetName(), "--reason", "too dear", "--request-id", id},
			asks:   &quotev1.DeclineQuoteRequest{Name: lined.GetName(), Reason: "too dear", RequestId: id},
			answer: &quotev1.DeclineQuoteResponse{Quote: &quotev1.Quote{Number: "Q-1", DeclineReason: "too dear"}}, shows: []string{"declined because: too dear"},
		},
		"quote list filtered": {
			args:   []string{"quote", "list", "--state", "partly-accepted", "--customer", "R. Ash", "--from", "2026-01-01", "--to", "2026-03-31"},
			asks:   &quotev1.ListQuotesRequest{State: quotev1.Quote_PARTLY_ACCEPTED, Customer: "R. Ash", FromDay: "2026-01-01", ToDay: "2026-03-31"},
			answer: &quotev1.ListQuotesResponse{Quotes: []*quotev1.Quote{lined}}, shows: []string{"quotes/Q-2026-000002", "167.00 USD"},
		},
	}
}

// What is written wrong about a quote is told before anything is asked.
func TestQuoteFlagsThatAreNotUnderstood(t *testing.T) {
	t.Parallel()
	s := start(t, &quotev1.PrepareQuoteResponse{Quote: &quotev1.Quote{}}, nil)
	for wrong, args := range map[string][]string{
		"expected LABEL=AMOUNT":                   {"quote", "--supply", "=3.00"},
		"--supply":                                {"quote", "--supply", "thread lock=x"},
		"expected NAME=VALUE":                     {"quote", "--also", "clock-spring"},
		"is not known":                            {"quote", "--also", "kind=anvil"},
		"is no whole number":                      {"quote", "--also", "kind=clock-spring,fit-minutes=x"},
		"expected one of signed":                  {"quote", "accept", "quotes/q", "--by", "x", "--method", "thought"},
		"is no time":                              {"quote", "accept", "quotes/q", "--at", "noon"},
		"--at: is missing":                        {"quote", "accept", "quotes/q", "--by", "x", "--request-id", "5b0c7c7e-2f4f-4a7e-9d0e-3f6f1d2a9b10"},
		"is no number of a line":                  {"quote", "accept", "quotes/q", "--line", "0"},
		"expected one of dry-run":                 {"quote", "list", "--state", "lost"},
		"--late-cost":                             {"quote", "--late-cost", "x"},
		"expected it as \"listing get\" shows it": {"listing", "withdraw", "listings/k.1"},
		"as \"listing get\" shows it":             {"listing", "relist", "listings/k.1-R1"},
		"expected an amount such ":                {"quote", "--max-cost", "x"},
	} {
		code, _, errs := run(t, "", s.to(args...)...)
		if code != cli.ExitUsage || !strings.Contains(errs, wrong) {
			t.Errorf("%v: exit %d, %q does not say %q", args, code, errs, wrong)
		}
	}
	if s.asked != nil {
		t.Errorf("asked %v", s.asked)
	}
}

// TestWhatAStepLeavesIsShort: after a step the plan and what may be bought are not
// told again, but with --all.
func TestWhatAStepLeavesIsShort(t *testing.T) {
	t.Parallel()
	for state, next := range map[quotev1.Quote_State]string{
		quotev1.Quote_DRAFT: "quote issue", quotev1.Quote_OPEN: "quote accept", quotev1.Quote_ACCEPTED: "outcome record",
		quotev1.Quote_PARTLY_ACCEPTED: "repair inspect", quotev1.Quote_DECLINED: "quote revise", quotev1.Quote_EXPIRED: "quote revise",
		quotev1.Quote_SUPERSEDED: "quote show quotes/Q-9",
	} {
		q := linedQuote()
		q.State, q.SupersededBy, q.Authorization = state, "quotes/Q-9", nil
		s := start(t, &quotev1.AcceptQuoteResponse{Quote: q}, nil)
		_, short, _ := run(t, "", s.to("quote", "accept", q.GetName())...)
		_, long, _ := run(t, "", s.to("quote", "accept", q.GetName(), "--all")...)
		const most = 10
		if n := strings.Count(short, "\n"); n > most || strings.Contains(short, "plan: ") || strings.Contains(short, "kept out") || !strings.Contains(long, "kept out") {
			t.Errorf("%s: %d lines:\n%s", state, n, short)
		}
		if got := strings.Contains(short, "120.00 USD → 110.00 USD"); got != (state == quotev1.Quote_OPEN) {
			t.Errorf("%s: what is changed is told: %v", state, got)
		}
		if !strings.Contains(short, next) || !strings.Contains(short, "authorisation: none is recorded") {
			t.Errorf("%s: %q is missing in:\n%s", state, next, short)
		}
	}
}
