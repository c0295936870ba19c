package document_test

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/document"
)

var (
	prepared = time.Date(2026, time.March, 10, 9, 30, 0, 0, time.UTC)
	garage   = document.Letterhead{
		Name: "Alder Road Garage", Address: []string{"12 Alder Road", "Brindle Falls"}, Phone: "555 0100", Registration: "R-0042",
	}
)

// single is a quote for one need: two listings and a new part. Its first purchase
// is the whole quote of common practice whose sums a test checks.
func single() *quotev1.Quote {
	return &quotev1.Quote{
		Name: "quotes/Q-2026-000001", Number: "Q-2026-000001", State: quotev1.Quote_OPEN, CurrencyCode: "USD", DayCost: 30_00, TaxPercent: "7.25",
		Customer: "Fleet 7", Reference: "job 88", Version: 1, CreateTime: timestamppb.New(prepared), ValidUntil: timestamppb.New(prepared.Add(72 * time.Hour)),
		Need:   need(1, fitmentv1.Position_RIGHT),
		Labour: &quotev1.Labour{FitMinutes: 70, CheckMinutes: 14, HourlyRate: 128_00},
		Options: []*quotev1.Option{
			{
				Source: "listings/kettlewick.SOLANE-1", Condition: quotev1.Offer_USED, Seller: "kettlewick", PartMaker: "Korrin", PartNumber: "KB-40118",
				Price: 185_00, CoreDeposit: 50_00, Tax: 17_04, Freight: 38_50, Handling: 35_00, CheckLabour: 29_87, FitLabour: 149_33, Supplies: 10_75,
				LandedCost: 515_49, CoreRefund: 50_00, CoreDays: 30, Days: 4, PassProbability: 0.875, Passed: 7, Outcomes: 8, Unreported: 1, LowerBound: 0.51,
				PlanPlace: 1, ConditionWords: "used", OneUse: []string{"2 anchor bolts"}, ReplaceWith: []string{"seat belt webbing"},
				Transport:     []string{"Returning the old part takes a trained shipper."},
				ArrivalChecks: []*fitmentv1.ArrivalCheck{{Check: "Read the label.", Pass: "it says KB-40118."}},
			},
			{
				Source: "listings/saltmarrow.S-22", Condition: quotev1.Offer_USED, Seller: "saltmarrow", PartMaker: "Korrin", PartNumber: "KB-40118",
				Price: 150_00, LandedCost: 430_00, Days: 6, PassProbability: 0.8, PlanPlace: 2, WarrantyDays: 30,
			},
			{
				Source: "offers/farrowtull-works.F-9", Condition: quotev1.Offer_NEW, Seller: "farrowtull-works", PartMaker: "Velmark", PartNumber: "VB 7",
				Price: 610_00, LandedCost: 840_00, Days: 9, PassProbability: 1, Fallback: true,
			},
		},
		Excluded: []*quotev1.ExcludedOption{{Source: "listings/brindlefen.B-3", Reason: "secret reason"}, {Source: "listings/brindlefen.B-4"}},
		Plan: &quotev1.PlanPurchaseResponse{
			Order: []string{"listings/kettlewick.SOLANE-1", "listings/saltmarrow.S-22"}, ExpectedCost: 560_12, ExpectedDays: 4.9, Quantile95: 801_50, Cvar95: 1102_44,
			Words: "Buy kettlewick's; if it fails its check, return it and buy saltmarrow's; otherwise buy the new part.",
			Distribution: []*quotev1.PlanOutcome{
				{Cost: 486_00, Days: 4, Probability: 0.875}, {Cost: 801_50, Days: 10, Probability: 0.1}, {Cost: 1402_10, Days: 19, Probability: 0.025},
			},
			ReadyBy: []*quotev1.ReadyBy{{Days: 4, Probability: 0.875}, {Days: 10, Probability: 0.975}, {Days: 19, Probability: 1}},
		},
		Supplies: []*quotev1.SupplyLine{{Label: "thread locker", Amount: 10_75}},
		Notices:  []string{"Used parts: say so in the offer.", "A part that has not fired is live."},
	}
}

func need(row int32, side fitmentv1.Position_Side) *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Vin: "1J9RP1A36A1644345", Make: "Tarvena", Model: "Solane", ModelYear: 2006, Body: "saloon"},
		Kind:    fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: row, Side: side},
	}
}

// colorado are obligations as the data for Colorado and for the United States
// state them (C.R.S. 42-9-109.5; 16 CFR 20).
func colorado() []*fitmentv1.Obligation {
	const source = "C.R.S. 42-9-109.5(1)(b)"
	return []*fitmentv1.Obligation{
		{Jurisdiction: "US-CO", Type: fitmentv1.Obligation_CONSENT, Party: fitmentv1.Obligation_INSTALLER, Text: "A salvaged inflatable restraint may be fitted only with the customer's specific written authorization.", Source: source},
		{Jurisdiction: "US-CO", Type: fitmentv1.Obligation_INVOICE, Party: fitmentv1.Obligation_INSTALLER, Text: "An invoice for fitting a salvaged inflatable restraint bears these words prominently on its face.", Words: []string{"salvaged inflatable restraint system"}, Source: source},
		{Jurisdiction: "US-CO", Type: fitmentv1.Obligation_FORBIDDEN_WORDS, Party: fitmentv1.Obligation_INSTALLER, Text: "On an invoice, a salvaged inflatable restraint may not be described in any other words, these included.", Words: []string{"used", "as is"}, Source: source},
		{Jurisdiction: "US-CO", Type: fitmentv1.Obligation_KEEP, Party: fitmentv1.Obligation_SELLER, Text: "Keep the bill of sale of a salvaged inflatable restraint.", Years: 3, Source: "C.R.S. 42-9-109.5(2)(b)"},
		{Jurisdiction: "US", Type: fitmentv1.Obligation_DISCLOSE, Party: fitmentv1.Obligation_SELLER, Text: "Say clearly that the part has been used.", Source: "16 CFR 20.1(b)"},
		{Jurisdiction: "US", Type: fitmentv1.Obligation_FORBIDDEN_WORDS, Party: fitmentv1.Obligation_SELLER, Text: "A part that was only taken out must not be called by these words.", Words: []string{"Rebuilt", "Remanufactured", "Factory rebuilt"}, Source: "16 CFR 20.3(a) and (b)"},
	}
}

// inColorado is a quote for an air bag in Colorado, with the forbidden words
// wherever a text may hold them.
func inColorado() *quotev1.Quote {
	q := single()
	q.Need.Kind, q.Need.Jurisdiction = fitmentv1.Part_DRIVER_AIR_BAG, "US-CO"
	for _, o := range q.GetOptions()[:2] {
		o.Obligations = colorado()
	}
	first := q.GetOptions()[0]
	first.ConditionWords = "salvaged inflatable restraint system"
	first.Transport = []string{"A used bag is sold as is."}
	first.OneUse = []string{"bolts may not be used again", "2 anchor bolts"}
	q.GetOptions()[1].ConditionWords = "USED"
	q.Plan.Words, q.Plan.UnrepairedProbability = "Buy the used one of kettlewick.", 0.004
	q.Notices = append(q.Notices, "Sold  as  is.", "It was misused: asist.")
	q.TradeOff = &quotev1.TradeOff{LeastWorstRegret: 2, Points: []*quotev1.TradePoint{
		{Batches: []*quotev1.PlanBatch{{Ids: []string{"listings/kettlewick.SOLANE-1"}}, {Ids: []string{"listings/saltmarrow.S-22", "offers/farrowtull-works.F-9"}}}, Words: "the used one first", ExpectedCost: 560_12, Cvar95: 1102_44, ExpectedDays: 4.9},
		{Batches: []*quotev1.PlanBatch{{Ids: []string{"offers/farrowtull-works.F-9"}}}, Fallback: true, Words: "the new one", ExpectedCost: 840_00, Cvar95: 840_00, ExpectedDays: 9},
	}}
	q.Differences = []*quotev1.Difference{{What: "price of the used part", Before: "as is", After: "185.00"}, {What: "days", Before: "5", After: "4"}}
	q.DeclineReason = "no used parts, please"
	return q
}

// several is a quote of n lines, as issued, in a quote's own form for several.
func several(n int) *quotev1.Quote {
	q := single()
	first := &quotev1.QuoteLine{Need: q.GetNeed(), Labour: q.GetLabour(), Options: q.GetOptions(), Excluded: q.GetExcluded(), Plan: q.GetPlan()}
	q.Options, q.Excluded, q.Plan, q.Labour = nil, nil, nil, nil
	total := &quotev1.QuoteTotal{Freight: 38_50, Handling: 35_00}
	for i := range n {
		line := proto.CloneOf(first)
		line.Need.Position.Row = int32(i%3 + 1)
		line.Options[0].PartNumber = fmt.Sprintf("KB-%05d", i)
		if i > 0 {
			line.Options[0].Supplies = 0
		}
		total.Parts += 185_00
		total.CoreDeposits += 50_00
		total.Tax += 17_04
		total.FitLabour += 149_33
		total.CheckLabour += 29_87
		total.CoreRefunds += 50_00
		q.Lines = append(q.Lines, line)
	}
	total.Supplies = 10_75
	total.Total = int64(n)*(185_00+50_00+17_04+149_33+29_87) + 38_50 + 35_00 + 10_75
	q.Total = total
	q.Basket = &quotev1.Basket{Total: 3885_50, SeparateTotal: 4470_00, Proven: true, Notes: []string{"Freight of second purchases is not shared."}}
	return q
}
