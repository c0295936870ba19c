package quote_test

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/trust"
)

var now = time.Date(2026, 3, 10, 9, 30, 0, 0, time.UTC)

const buckle = fitmentv1.Part_BUCKLE_PRETENSIONER

func need() *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle:  &fitmentv1.Vehicle{Make: "Alder", Model: "Kestrel", ModelYear: 2006},
		Kind:     buckle,
		Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
	}
}

func finding(severity fitmentv1.Finding_Severity, answer fitmentv1.Finding_Answer, reason, remedy string) *fitmentv1.Finding {
	return &fitmentv1.Finding{Rule: "made.up", Family: "made", Severity: severity, Answer: answer, Reason: reason, Remedy: remedy}
}

// decision is one that agrees with itself.
func decision(fit, reuse fitmentv1.Finding_Answer) *fitmentv1.Decision {
	verdict := fitmentv1.Decision_PROVE_FIRST
	switch {
	case reuse == fitmentv1.Finding_NO:
		verdict = fitmentv1.Decision_BARRED
	case fit == fitmentv1.Finding_NO:
		verdict = fitmentv1.Decision_DOES_NOT_FIT
	case fit == fitmentv1.Finding_YES && reuse == fitmentv1.Finding_YES:
		verdict = fitmentv1.Decision_FITS
	}
	made := &fitmentv1.Decision{Fit: fit, Reuse: reuse, Verdict: verdict, Findings: []*fitmentv1.Finding{
		finding(fitmentv1.Finding_FIT, fit, "the fit finding's reason.", "the fit remedy"),
		finding(fitmentv1.Finding_REUSE, reuse, "the reuse finding's reason", "the reuse remedy"),
	}}
	for _, severity := range []fitmentv1.Finding_Severity{fitmentv1.Finding_FIT, fitmentv1.Finding_REUSE} {
		for _, family := range quote.GatingFamilies(severity) {
			made.Findings = append(made.Findings, &fitmentv1.Finding{
				Rule: family + ".made_up", Family: family, Severity: severity, Answer: fitmentv1.Finding_YES, Reason: "it is",
			})
		}
	}
	return made
}

func donor(yard, stock string, price int64, d *fitmentv1.Decision) *fitmentv1.Donor {
	return &fitmentv1.Donor{
		Listing: &fitmentv1.Listing{
			Name: "listings/" + yard + "." + stock, Yard: yard, StockNumber: stock, Kind: buckle,
			PartMaker: "Norrland", PartNumber: "NB 40-118", CurrencyCode: "USD", Price: price,
			Terms: &fitmentv1.Terms{}, State: fitmentv1.Listing_AVAILABLE,
		},
		Decision: d,
	}
}

func fitting(yard, stock string, price int64) *fitmentv1.Donor {
	return donor(yard, stock, price, decision(fitmentv1.Finding_YES, fitmentv1.Finding_YES))
}

func match(number string, application, recall fitmentv1.Finding_Answer) *fitmentv1.PartMatch {
	return &fitmentv1.PartMatch{
		Part:        &fitmentv1.Part{Maker: "Norrland", Number: number, Kind: buckle},
		Via:         fitmentv1.PartMatch_APPLICATION,
		Application: finding(fitmentv1.Finding_FIT, application, "the application's reason", "the application's remedy"),
		Recall:      finding(fitmentv1.Finding_REUSE, recall, "the recall's reason", "the recall's remedy"),
	}
}

func proven(number string) *fitmentv1.PartMatch {
	return match(number, fitmentv1.Finding_YES, fitmentv1.Finding_YES)
}

func offer(item string, condition quotev1.Offer_Condition, number string, price int64, days int32) *quotev1.Offer {
	return &quotev1.Offer{
		Name: "offers/northline." + item, Supplier: "Northline", ItemNumber: item, Condition: condition,
		PartMaker: "NORRLAND", PartNumber: number, Kind: buckle, CurrencyCode: "USD", Price: price, Days: days, Available: true,
	}
}

// fourToOne is a prior with mean 0.8 for every condition.
func fourToOne() trust.Priors {
	prior := trust.Prior{Pass: 4, Fail: 1}
	return trust.Priors{Used: prior, Remanufactured: prior, New: prior}
}

func input(donors []*fitmentv1.Donor, parts []*fitmentv1.PartMatch, offers ...*quotev1.Offer) quote.Input {
	return quote.Input{
		Need: need(), Donors: donors, Parts: parts, Offers: offers, Priors: fourToOne(),
		Currency: "USD", Now: now, Tenant: "shop-a",
	}
}

func sources(options []*quotev1.Option) []string {
	var names []string
	for _, o := range options {
		names = append(names, o.GetSource())
	}
	return names
}

func excludedBy(excluded []*quotev1.ExcludedOption) map[string]*quotev1.ExcludedOption {
	all := make(map[string]*quotev1.ExcludedOption, len(excluded))
	for _, e := range excluded {
		all[e.GetSource()] = e
	}
	return all
}
