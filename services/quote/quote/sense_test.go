package quote_test

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/quote/quote"
)

func TestDonorsThatMakeSense(t *testing.T) {
	t.Parallel()
	for _, fit := range []fitmentv1.Finding_Answer{yes, no, unknown} {
		for _, reuse := range []fitmentv1.Finding_Answer{yes, no, unknown} {
			if err := quote.SenseDonor(need(), donor("yard-a", "1", 1, decision(fit, reuse))); err != nil {
				t.Errorf("fit %s, reuse %s: %v", fit, reuse, err)
			}
		}
	}
}

func TestDonorsThatMakeNoSense(t *testing.T) {
	t.Parallel()
	listing := func(alter func(*fitmentv1.Listing)) *fitmentv1.Donor {
		d := fitting("yard-a", "1", 1)
		alter(d.GetListing())
		return d
	}
	decided := func(alter func(*fitmentv1.Decision)) *fitmentv1.Donor {
		d := fitting("yard-a", "1", 1)
		alter(d.GetDecision())
		return d
	}
	for name, donor := range map[string]*fitmentv1.Donor{
		"nothing":               nil,
		"no listing":            {Decision: decision(yes, yes)},
		"no decision":           {Listing: fitting("yard-a", "1", 1).GetListing()},
		"no name":               listing(func(l *fitmentv1.Listing) { l.Name = "" }),
		"a name of another":     listing(func(l *fitmentv1.Listing) { l.Name = "listings/yard-b.1" }),
		"negative price":        listing(func(l *fitmentv1.Listing) { l.Price = -1 }),
		"negative freight":      listing(func(l *fitmentv1.Listing) { l.Terms.Freight = -1 }),
		"negative handling":     listing(func(l *fitmentv1.Listing) { l.Terms.Handling = -1 }),
		"negative return":       listing(func(l *fitmentv1.Listing) { l.Terms.ReturnFreight = -1 }),
		"negative deposit":      listing(func(l *fitmentv1.Listing) { l.Terms.CoreDeposit = -1 }),
		"restocking over price": listing(func(l *fitmentv1.Listing) { l.Terms.RestockingBasisPoints = 100_01 }),
		"negative days":         listing(func(l *fitmentv1.Listing) { l.Terms.Days = -1 }),
		"fits, other kind":      listing(func(l *fitmentv1.Listing) { l.Kind = fitmentv1.Part_CLOCK_SPRING }),
		"verdict not stated":    decided(func(d *fitmentv1.Decision) { d.Verdict = 0 }),
		"fit not stated":        decided(func(d *fitmentv1.Decision) { d.Fit = 0 }),
		"an unknown answer":     decided(func(d *fitmentv1.Decision) { d.Reuse = 17 }),
		"fits without proof":    decided(func(d *fitmentv1.Decision) { d.Findings = nil }),
		"fits without a word on reuse": decided(func(d *fitmentv1.Decision) {
			d.Findings = d.GetFindings()[:1]
		}),
		"fits against a finding":      decided(func(d *fitmentv1.Decision) { d.Findings[0].Answer = no }),
		"fits with an open finding":   decided(func(d *fitmentv1.Decision) { d.Findings[1].Answer = unknown }),
		"verdict better than answers": decided(func(d *fitmentv1.Decision) { d.Reuse = unknown }),
		"verdict worse than answers":  decided(func(d *fitmentv1.Decision) { d.Verdict = fitmentv1.Decision_BARRED }),
	} {
		if quote.SenseDonor(need(), donor) == nil {
			t.Errorf("%s: is believed", name)
		}
	}
}

func TestParts(t *testing.T) {
	t.Parallel()
	for _, application := range []fitmentv1.Finding_Answer{yes, no, unknown} {
		if err := quote.SensePart(need(), match("NB1", application, unknown)); err != nil {
			t.Errorf("%s: %v", application, err)
		}
	}
	otherKind := proven("NB1")
	otherKind.Part.Kind = fitmentv1.Part_CLOCK_SPRING
	for name, match := range map[string]*fitmentv1.PartMatch{
		"nothing":                 nil,
		"no part":                 {Application: proven("NB1").GetApplication(), Recall: proven("NB1").GetRecall()},
		"no number":               match("--", yes, yes),
		"application not stated":  match("NB1", 0, yes),
		"recall not stated":       match("NB1", yes, 0),
		"no findings":             {Part: proven("NB1").GetPart()},
		"right part, other kind":  otherKind,
		"an answer out of bounds": match("NB1", yes, 9),
	} {
		if quote.SensePart(need(), match) == nil {
			t.Errorf("%s: is believed", name)
		}
	}
}
