package quote_test

import (
	"slices"
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

func label(level fitmentv1.Evidence_Level) []*fitmentv1.Evidence {
	return []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "NB 40-118", Level: level}}
}

// The label's number stands for what a listing leaves out; so does evidence on
// the kind.
func TestEvidenceStandsForWhatIsNotStated(t *testing.T) {
	t.Parallel()
	for name, alter := range map[string]func(*fitmentv1.Listing){
		"label": func(l *fitmentv1.Listing) { l.Kind, l.PartNumber, l.Evidence = 0, "", label(fitmentv1.Evidence_SHOWN) },
		"kind": func(l *fitmentv1.Listing) {
			l.Kind, l.Evidence = 0, []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_PART_KIND, Value: "buckle_pretensioner", Level: fitmentv1.Evidence_CONFIRMED}}
		},
	} {
		d := fitting("yard-a", "1", 1)
		alter(d.GetListing())
		if err := quote.SenseDonor(need(), d); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	nothing := need()
	nothing.Kind = 0
	if quote.SenseDonor(nothing, fitting("yard-a", "1", 1)) == nil || quote.SenseDecided(need(), nil, decision(yes, yes)) == nil {
		t.Error("nothing is believed to fit")
	}
}

// A yes of every family but one is no yes.
func TestNoGatingFamilyMayBeMissing(t *testing.T) {
	t.Parallel()
	for _, severity := range []fitmentv1.Finding_Severity{fitmentv1.Finding_FIT, fitmentv1.Finding_REUSE} {
		for _, family := range quote.GatingFamilies(severity) {
			d := fitting("yard-a", "1", 1)
			d.Decision.Findings = slices.DeleteFunc(d.GetDecision().GetFindings(), func(f *fitmentv1.Finding) bool {
				return f.GetSeverity() == severity && f.GetFamily() == family
			})
			if quote.SenseDonor(need(), d) == nil {
				t.Errorf("%s without a word on %s is believed", severity, family)
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
		"fits, no kind":         listing(func(l *fitmentv1.Listing) { l.Kind = 0 }),
		"fits, no number":       listing(func(l *fitmentv1.Listing) { l.PartNumber = " " }),
		"fits, number claimed":  listing(func(l *fitmentv1.Listing) { l.PartNumber, l.Evidence = "", label(fitmentv1.Evidence_CLAIMED) }),
		"fits, kind of another": listing(func(l *fitmentv1.Listing) {
			l.Kind, l.Evidence = 0, []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_PART_KIND, Value: "CLOCK_SPRING", Level: fitmentv1.Evidence_SHOWN}}
		}),
		"fits, other kind":   listing(func(l *fitmentv1.Listing) { l.Kind = fitmentv1.Part_CLOCK_SPRING }),
		"verdict not stated": decided(func(d *fitmentv1.Decision) { d.Verdict = 0 }),
		"fit not stated":     decided(func(d *fitmentv1.Decision) { d.Fit = 0 }),
		"an unknown answer":  decided(func(d *fitmentv1.Decision) { d.Reuse = 17 }),
		"fits without proof": decided(func(d *fitmentv1.Decision) { d.Findings = nil }),
		"fits without a word on reuse": decided(func(d *fitmentv1.Decision) {
			d.Findings = slices.DeleteFunc(d.GetFindings(), func(f *fitmentv1.Finding) bool { return f.GetSeverity() == fitmentv1.Finding_REUSE })
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
