package cli_test

import (
	"strings"
	"testing"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// oneOffer is a problem as the command reads and sends it.
const oneOffer = `{"currencyCode":"USD","offers":[{"id":"A","price":"18000","passProbability":0.85}]}`

// planningCases are the client commands about inline input.
func planningCases() map[string]clientCase {
	problem := &quotev1.PlanPurchaseRequest{CurrencyCode: "USD", Offers: []*quotev1.PlanOffer{{Id: "A", Price: 18000, PassProbability: .85}}}
	batch := func(ids ...string) *quotev1.PlanBatch { return &quotev1.PlanBatch{Ids: ids} }
	return map[string]clientCase{
		"plan, with reasons": {
			args: []string{"plan", "-", "--why"}, stdin: oneOffer, asks: problem,
			answer: &quotev1.PlanPurchaseResponse{
				Order: []string{"B", "C", "A"}, Batches: []*quotev1.PlanBatch{batch("B", "C"), batch("A")}, Limited: "Two of 14 were left out.",
				ReadyBy:  []*quotev1.ReadyBy{{Days: 4, Probability: .84}},
				Workings: []*quotev1.Working{{Number: "expected cost", Formula: "0.6 × 170.00", Value: "102.00", Source: "a source"}},
			},
			shows: []string{"order: B and C, A\n", "ready by day 4: 84 %", "Two of 14 were left out.", "expected cost = 0.6 × 170.00 = 102.00 (a source)"},
		},
		"plan, choices": {
			args: []string{"plan", "-", "--choices", "--max-cost", "300", "--max-cvar", "450.5", "--max-days", "6.5"}, stdin: oneOffer,
			asks: &quotev1.WeighChoicesRequest{Problem: problem, Limits: &quotev1.Limits{MaxCost: 30000, MaxCvar: 45050, MaxDays: 6.5}},
			answer: &quotev1.WeighChoicesResponse{TradeOff: &quotev1.TradeOff{
				Policies: 65, LeastWorstRegret: 2, Limited: "Of 9 only 7 were compared.",
				Points: []*quotev1.TradePoint{
					{
						Batches: []*quotev1.PlanBatch{batch("B", "C"), batch("A")}, Fallback: true, ExpectedCost: 23962, Cvar95: 37240, ExpectedDays: 6.666,
						BreakEvenDayCost: "353.46", WorstRegret: 48500, WorstState: "D passes, B, C and A fail",
					},
					{Batches: []*quotev1.PlanBatch{batch("A")}, ExpectedCost: 25000, Cvar95: 31540, ExpectedDays: 4, UnrepairedProbability: .002},
				},
			}},
			shows: []string{
				"none of 65 policies beats one of these", "239.62 USD", "372.40 USD", "6.67", "3.5346 USD", "485.00 USD if D passes, B, C and A fail",
				"B and C, then A, then a new part\n", "nothing", "A (unrepaired in the end: 0.2 %)", "least worst regret: 2, which is no recommendation", "Of 9 only 7 were compared.",
			},
		},
		"plan, two that tie": {
			args: []string{"plan", "-", "--choices"}, stdin: oneOffer, asks: &quotev1.WeighChoicesRequest{Problem: problem},
			answer: &quotev1.WeighChoicesResponse{TradeOff: &quotev1.TradeOff{
				LeastWorstRegret: 1, Points: []*quotev1.TradePoint{{WorstRegret: 3900}, {WorstRegret: 3900}, {WorstRegret: 4000}},
			}},
			shows: []string{"least worst regret: 1 and 2, which is no recommendation"},
		},
		"plan, no choice": {
			args: []string{"plan", "-", "--choices"}, stdin: oneOffer, asks: &quotev1.WeighChoicesRequest{Problem: problem},
			answer: &quotev1.WeighChoicesResponse{TradeOff: &quotev1.TradeOff{NearestMisses: []string{"The least cost is 239.62 USD."}}},
			shows:  []string{"nothing is within the limits", "  - The least cost is 239.62 USD."},
		},
		"tax": {
			args: []string{"tax"}, asks: &quotev1.ListTaxPacksRequest{},
			answer: &quotev1.ListTaxPacksResponse{Packs: []*quotev1.TaxPack{
				{Place: "US-CA", Version: "2026-11-25", Rules: []*quotev1.SourcedText{{Text: "It is.", Source: "a law"}, {Text: "Nobody knows."}}}, {},
			}},
			shows: []string{"US-CA", "2026-11-25  1\n", "anywhere else", "0\n"},
		},
		"tax of a place": {
			args: []string{"tax", "US-CA"}, asks: &quotev1.ListTaxPacksRequest{Place: "US-CA"},
			answer: &quotev1.ListTaxPacksResponse{Packs: []*quotev1.TaxPack{
				{Place: "US-CA", Version: "2026-11-25", Rules: []*quotev1.SourcedText{{Text: "It is.", Source: "a law"}, {Text: "Nobody knows."}}},
			}},
			shows: []string{"US-CA (version 2026-11-25)\n", "  It is. [a law]\n", "  Nobody knows.\n"},
		},
		"consignment": {
			args: []string{
				"consignment", "--mode", "passenger-aircraft", "--un", "un 3268", "--grams", "26000", "--in-component", "no", "--trained-shipper", "Yes",
				"--tested", "unknown", "--to-recycler", "no", "--never-installed", "yes",
			},
			asks: &quotev1.JudgeConsignmentRequest{
				UnNumber: "UN3268", Mode: quotev1.JudgeConsignmentRequest_PASSENGER_AIRCRAFT, GrossGrams: 26_000, InComponent: fitmentv1.Finding_NO,
				TrainedShipper: fitmentv1.Finding_YES, Tested: fitmentv1.Finding_UNKNOWN, ToRecycler: fitmentv1.Finding_NO, NeverInstalled: fitmentv1.Finding_YES,
			},
			answer: &quotev1.JudgeConsignmentResponse{
				Allowed: fitmentv1.Finding_NO, Handling: true, Reasons: []*quotev1.SourcedText{{Text: "it is too heavy", Source: "49 CFR 172.101"}},
				Papers: []*quotev1.PaperFact{{Name: "UN number", Value: "UN3268", Source: "49 CFR 172.101"}},
			},
			shows: []string{
				"✕ it may not be sent so; it is to be handled as dangerous goods\n", "  it is too heavy [49 CFR 172.101]\n", "papers and package\n",
				"  UN number: UN3268 [49 CFR 172.101]\n", "no legal advice",
			},
		},
		"consignment, settled": {
			args: []string{"consignment", "--mode", "road"}, asks: &quotev1.JudgeConsignmentRequest{Mode: quotev1.JudgeConsignmentRequest_ROAD},
			answer: &quotev1.JudgeConsignmentResponse{Allowed: fitmentv1.Finding_YES}, shows: []string{"● it may be sent so\n"},
		},
		"consignment, not settled": {
			args: []string{"consignment", "--mode", "hand-over"}, asks: &quotev1.JudgeConsignmentRequest{Mode: quotev1.JudgeConsignmentRequest_HAND_OVER},
			answer: &quotev1.JudgeConsignmentResponse{Allowed: fitmentv1.Finding_UNKNOWN}, shows: []string{"◐ whether it may be sent so is not settled\n"},
		},
		"listing with terms": {
			args: []string{"listing", "get", "listings/k.1"}, asks: &fitmentv1.GetListingRequest{Name: "listings/k.1"},
			answer: &fitmentv1.GetListingResponse{Listing: &fitmentv1.Listing{
				Name: "listings/k.1", CurrencyCode: "USD", Terms: &fitmentv1.Terms{
					Freight: 1650, FreightPerKilogram: 200, Handling: 3500, ReturnFreight: 4900, RestockingBasisPoints: 1250, Days: 3, WarrantyDays: 60,
					CoreDeposit: 5000, CoreDays: 30, CoreReturnFreight: 1850, WeightGrams: 700, UnNumber: "UN3268", InComponent: true,
				},
			}},
			shows: []string{
				"freight 16.50 USD and 2.00 USD a kilogram, handling 35.00 USD, 3 days\n", "return freight 49.00 USD, restocking 12.5 %, 60 days of warranty\n",
				"700 g, UN3268, inside a component\n", "deposit on the old part 50.00 USD, back within 30 days; sending it back costs 18.50 USD\n",
			},
		},
	}
}

func TestPlanningFlagsThatMakeNoSense(t *testing.T) {
	t.Parallel()
	for says, args := range map[string][]string{
		"add --choices":          {"plan", "-", "--max-cost", "300"},
		"leave --choices out":    {"plan", "-", "--choices", "--why"},
		"--max-cvar":             {"plan", "-", "--choices", "--max-cvar", "1e3"},
		"--un:":                  {"consignment", "--mode", "road", "--un", "3268"},
		"--mode:":                {"consignment", "--mode", "rail"},
		"--tested:":              {"consignment", "--mode", "road", "--tested", "maybe"},
		"one PLACE at most":      {"tax", "US-CA", "US-OH"},
		"is no field of":         {"plan", "-", "--choices", "--max-days", "1", "--json"},
		"takes no argument":      {"consignment", "listings/k.1"},
		"invalid argument \"x\"": {"plan", "-", "--max-days", "x"},
	} {
		input := oneOffer
		if says == "is no field of" {
			input = `{"currency":"USD"}`
		}
		code, _, errs := run(t, input, append(args, "--server", "127.0.0.1:1", "--key", "k")...)
		if code != cli.ExitUsage || !strings.Contains(errs, says) {
			t.Errorf("%v: exit %d, %q; want %q", args, code, errs, says)
		}
	}
}
