package rules_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/rules"
)

func TestADecisionSaysOnWhatItStands(t *testing.T) {
	t.Parallel()
	basis := decide(t, kestrel(), documented()).GetBasis()
	packs := strings.Join(basis.GetPacks(), ", ")
	if basis.GetRules() != rules.Version || basis.GetDay() != "2026-06-30" || basis.GetVinData() == "" || basis.GetCodes() == "" || basis.GetFacts() != "" {
		t.Errorf("%v", basis)
	}
	if len(basis.GetPacks()) != 2 || !strings.HasPrefix(packs, "US 20") || !strings.Contains(packs, "US-WA 20") {
		t.Errorf("packs %q; want those of the United States and Washington", packs)
	}
	unknown := decide(t, kestrel(func(n *fitmentv1.Need) { n.Jurisdiction = "" }), documented())
	if got := len(unknown.GetBasis().GetPacks()); got != len(jurisdiction.Builtin().All()) {
		t.Errorf("%d packs where a place is not stated; want all", got)
	}
	if text := strings.Join(unknown.GetCautions(), " "); !strings.Contains(text, "not stated where the installer stands") || !strings.Contains(text, jurisdiction.CheckLocalLaw) {
		t.Errorf("the cautions do not say that the place is not known: %q", text)
	}
}

// RCW and C.R.S. as the packs cite them.
func TestADecisionListsWhatTheLawAsksBesideTheGate(t *testing.T) {
	t.Parallel()
	places := func(d *fitmentv1.Decision) []string {
		var list []string
		for _, o := range d.GetObligations() {
			if o.GetText() == "" || o.GetSource() == "" {
				t.Errorf("%v says not what or where", o)
			}
			list = append(list, o.GetJurisdiction())
		}
		slices.Sort(list)
		return slices.Compact(list)
	}
	bag := func(place string) func(*fitmentv1.Need) {
		return func(n *fitmentv1.Need) { n.Kind, n.Jurisdiction = fitmentv1.Part_DRIVER_AIR_BAG, place }
	}
	if got := places(decide(t, kestrel(bag("US-WA")), documented())); !slices.Equal(got, []string{"US", "US-WA"}) {
		t.Errorf("obligations of %v", got)
	}
	// What Washington asks of whoever fits an air bag is nothing to its sellers.
	if got := places(decide(t, kestrel(bag("US-CO")), documented())); !slices.Equal(got, []string{"US", "US-CO"}) {
		t.Errorf("obligations of %v where the seller stands in Washington and the installer in Colorado", got)
	}
	// The laws of both states are about air bags, which a pretensioner is not.
	if got := places(decide(t, kestrel(func(n *fitmentv1.Need) { n.Jurisdiction = "US-CO" }), documented())); !slices.Equal(got, []string{"US"}) {
		t.Errorf("obligations of %v for a pretensioner", got)
	}
}

func TestADecisionListsWhatFittingTakes(t *testing.T) {
	t.Parallel()
	cat := worldOf(t)
	bolt := &fitmentv1.Part_OneUse{Text: "anchor bolt", Quantity: 1}
	clip := &fitmentv1.Part_OneUse{Text: "clip", Quantity: 2}
	retractor := &fitmentv1.Part_Related{Kind: fitmentv1.Part_RETRACTOR_PRETENSIONER, AfterDeployment: true}
	with("K1", func(p *fitmentv1.Part) {
		p.OneUse, p.ReplaceWith = []*fitmentv1.Part_OneUse{bolt}, []*fitmentv1.Part_Related{retractor}
	})(t, cat)
	with("K2", func(p *fitmentv1.Part) { p.OneUse = []*fitmentv1.Part_OneUse{bolt, clip} })(t, cat)
	for name, c := range map[string]struct {
		list   *fitmentv1.Listing
		once   []*fitmentv1.Part_OneUse
		others []*fitmentv1.Part_Related
	}{
		"the proven part's":   {numbered("K2", shown), []*fitmentv1.Part_OneUse{bolt, clip}, nil},
		"of every right part": {unlabelled(), []*fitmentv1.Part_OneUse{bolt, clip}, []*fitmentv1.Part_Related{retractor}},
		"of another part":     {numbered("X1", shown), nil, nil},
	} {
		d := rules.Decide(kestrel(), c.list, cat, rules.DefaultPolicy(), today)
		if diff := cmp.Diff(c.once, d.GetOneUse(), protocmp.Transform()); diff != "" {
			t.Errorf("%s: used once: %s", name, diff)
		}
		if diff := cmp.Diff(c.others, d.GetReplaceWith(), protocmp.Transform()); diff != "" {
			t.Errorf("%s: replaced together: %s", name, diff)
		}
	}
}

// New York asks for two things: each is asked for, and neither alone settles it.
func TestEverythingThatALawDemandsIsAskedFor(t *testing.T) {
	t.Parallel()
	d := decide(t, driverBag(), numbered("D1", shown, forget(aKind, aPosition, aLoop), func(l *fitmentv1.Listing) { l.Jurisdiction = "US-NY" },
		staged(1, 2.0), staged(2, 2.0)))
	var asked []rules.Attribute
	for _, m := range d.GetMissingEvidence() {
		asked = append(asked, m.GetAttribute())
		if !slices.Equal(m.GetRules(), []string{"jurisdiction.sale"}) || !m.GetDecidesAlone() {
			t.Errorf("%v", m)
		}
	}
	slices.Sort(asked)
	if d.GetVerdict() != fitmentv1.Decision_PROVE_FIRST || !slices.Equal(asked, []rules.Attribute{aTheft, aStatement}) {
		t.Errorf("%v, asking for %v", d.GetVerdict(), asked)
	}
	f := finding(t, d, "jurisdiction.sale")
	if !strings.Contains(f.GetReason(), "US-NY") || !strings.Contains(f.GetSource(), "415-c") {
		t.Errorf("the finding does not name the provision: %v", f)
	}
}

func TestTheMakerIsAskedForWhereSeveralUseTheNumber(t *testing.T) {
	t.Parallel()
	for name, list := range map[string]*fitmentv1.Listing{"claimed": listing(), "not stated": listing(makerless)} {
		cat := worldOf(t)
		rival(t, cat)
		d := rules.Decide(kestrel(), list, cat, rules.DefaultPolicy(), today)
		if m := d.GetMissingEvidence(); len(m) != 1 || m[0].GetAttribute() != aMaker || !m[0].GetDecidesAlone() || !slices.Contains(m[0].GetRules(), "number.matches") {
			t.Errorf("%s: %v", name, m)
		}
	}
}

// What is hoped for is a part that may be used again, where there is one.
func TestNoNumberIsHopedForThatMayNotBeUsedAgain(t *testing.T) {
	t.Parallel()
	cat := worldOf(t)
	with("K1", func(p *fitmentv1.Part) { p.DonorPolicy = fitmentv1.Part_FORBIDDEN })(t, cat)
	d := rules.Decide(kestrel(), unlabelled(), cat, rules.DefaultPolicy(), today)
	if m := d.GetMissingEvidence(); len(m) != 1 || m[0].GetAttribute() != aNumber {
		t.Errorf("%v", m)
	}
}
