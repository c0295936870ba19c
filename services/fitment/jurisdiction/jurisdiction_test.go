package jurisdiction_test

import (
	"slices"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/jurisdiction"
)

const (
	belt   = fitmentv1.Part_BUCKLE_PRETENSIONER
	bag    = fitmentv1.Part_DRIVER_AIR_BAG
	module = fitmentv1.Part_CONTROL_MODULE
	sensor = fitmentv1.Part_CRASH_SENSOR
	wiring = fitmentv1.Part_PIGTAIL
)

func pack(t *testing.T, place string) *jurisdiction.Pack {
	t.Helper()
	for _, p := range jurisdiction.Builtin().All() {
		if p.Jurisdiction == place {
			return p
		}
	}
	t.Fatalf("there is no pack about %s", place)
	return nil
}

func provision(t *testing.T, id string) *jurisdiction.Provision {
	t.Helper()
	place, _, _ := strings.Cut(id, ".")
	p := pack(t, place)
	for i := range p.Provisions {
		if p.Provisions[i].ID == id {
			return &p.Provisions[i]
		}
	}
	t.Fatalf("there is no provision %s", id)
	return nil
}

// Each row is what the published law says, and where.
func TestProvisionsSayWhatTheLawSays(t *testing.T) {
	t.Parallel()
	rows := []struct {
		id        string
		sale      bool
		condition jurisdiction.Condition
		attribute fitmentv1.Evidence_Attribute
		value     string
		about     []fitmentv1.Part_Kind
		notAbout  []fitmentv1.Part_Kind
		cites     string
	}{
		// C.R.S. 42-9-109.5(2)(a)(II): the recycler's invoice names the donor's VIN; the
		// part number stands there only "if such number is available", so it is no condition.
		{"US-CO.donor-vin", true, jurisdiction.Evidence, fitmentv1.Evidence_DONOR_VIN, "", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "42-9-109.5"},
		// N.Y. VTL 415-c(1): theft bureau asked by part number and donor VIN before sale.
		{"US-NY.theft-query", true, jurisdiction.Evidence, fitmentv1.Evidence_THEFT_QUERY_CLEAR, "yes", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "415-c(1)"},
		// N.Y. VTL 415-c(2): certified before it is offered.
		{"US-NY.certification", true, jurisdiction.Evidence, fitmentv1.Evidence_SELLER_STATEMENT, "yes", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "415-c(2)"},
		// R.I. Gen. Laws 31-53-5(a)(1): none "which is or has been" recalled.
		{"US-RI.never-recalled", true, jurisdiction.NeverRecalled, 0, "", []fitmentv1.Part_Kind{bag, module, sensor, wiring}, []fitmentv1.Part_Kind{belt}, "31-53-5"},
		// The same: the record holds the bag's identification number and the donor's VIN.
		{"US-RI.part-number", true, jurisdiction.Evidence, fitmentv1.Evidence_PART_NUMBER, "", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "31-53-5"},
		{"US-RI.donor-vin", true, jurisdiction.Evidence, fitmentv1.Evidence_DONOR_VIN, "", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "31-53-5"},
		// R.I. Gen. Laws 31-53-3: a deployed or damaged replacement is nonfunctional.
		{"US-RI.not-deployed", false, jurisdiction.Evidence, fitmentv1.Evidence_DEPLOYMENT_MARKS, "no", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "31-53-3"},
		// RCW 46.37.640(3): a nondeployed salvage air bag.
		{"US-WA.not-deployed", false, jurisdiction.Evidence, fitmentv1.Evidence_DEPLOYMENT_MARKS, "no", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "46.37.640"},
		// Tex. Transp. Code 547.614(a): meets federal rules for make, model and year.
		{"US-TX.part-number", false, jurisdiction.Evidence, fitmentv1.Evidence_PART_NUMBER, "", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "547.614"},
		// Environment Agency RPS 195; Natural Resources Wales RD 026.
		{"GB-ENG.not-deployed", false, jurisdiction.Evidence, fitmentv1.Evidence_DEPLOYMENT_MARKS, "no", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "RPS 195"},
		{"GB-WLS.not-deployed", false, jurisdiction.Evidence, fitmentv1.Evidence_DEPLOYMENT_MARKS, "no", []fitmentv1.Part_Kind{bag}, []fitmentv1.Part_Kind{belt}, "RD 026"},
		// NZTA technical bulletin 2, Salvaged airbags; read as about every part.
		{"NZ.statement", true, jurisdiction.Evidence, fitmentv1.Evidence_SELLER_STATEMENT, "yes", []fitmentv1.Part_Kind{bag, belt}, nil, "technical bulletin 2"},
		{"NZ.donor-vin", true, jurisdiction.Evidence, fitmentv1.Evidence_DONOR_VIN, "", []fitmentv1.Part_Kind{bag, belt}, nil, "technical bulletin 2"},
		{"NZ.part-number", true, jurisdiction.Evidence, fitmentv1.Evidence_PART_NUMBER, "", []fitmentv1.Part_Kind{bag, belt}, nil, "technical bulletin 2"},
		{"NZ.pulled-by", false, jurisdiction.Evidence, fitmentv1.Evidence_PULLED_BY, "", []fitmentv1.Part_Kind{bag, belt}, nil, "technical bulletin 2"},
		{"NZ.no-flood", false, jurisdiction.Evidence, fitmentv1.Evidence_FLOOD, "no", []fitmentv1.Part_Kind{bag, belt}, nil, "9-1 Water damage"},
		{"NZ.label", false, jurisdiction.Evidence, fitmentv1.Evidence_LABEL_LEGIBLE, "yes", []fitmentv1.Part_Kind{bag, belt}, nil, "technical bulletin 2"},
	}
	tested := make(map[string]bool)
	for _, row := range rows {
		p := provision(t, row.id)
		tested[row.id] = true
		if p.Sale != row.sale || p.Condition != row.condition || p.Attribute != row.attribute || p.Value != row.value || p.MaxAgeDays != 0 {
			t.Errorf("%s: %+v", row.id, p)
		}
		if !strings.Contains(p.Source, row.cites) {
			t.Errorf("%s: source %q does not cite %s", row.id, p.Source, row.cites)
		}
		for _, kind := range row.about {
			if !p.About(kind) {
				t.Errorf("%s is not about %v", row.id, kind)
			}
		}
		for _, kind := range row.notAbout {
			if p.About(kind) {
				t.Errorf("%s is about %v", row.id, kind)
			}
		}
	}
	for _, p := range jurisdiction.Builtin().All() {
		for _, v := range p.Provisions {
			if !tested[v.ID] {
				t.Errorf("%s is not held against the law by this table", v.ID)
			}
		}
	}
}

func TestObligationsSayWhatTheLawSays(t *testing.T) {
	t.Parallel()
	type kind = fitmentv1.Obligation_Type
	rows := []struct {
		place string
		kind  kind
		party fitmentv1.Obligation_Party
		words []string
		years int32
		cites string
	}{
		// C.R.S. 42-9-109.5(1)(b) and (2): authorization, exact words, words that are
		// forbidden, and three years.
		{"US-CO", fitmentv1.Obligation_CONSENT, fitmentv1.Obligation_INSTALLER, nil, 0, "42-9-109.5(1)(b)"},
		{"US-CO", fitmentv1.Obligation_INVOICE, fitmentv1.Obligation_INSTALLER, []string{"salvaged inflatable restraint system"}, 0, "42-9-109.5(1)(b)"},
		{"US-CO", fitmentv1.Obligation_INVOICE, fitmentv1.Obligation_SELLER, nil, 0, "42-9-109.5(2)(a)"},
		{"US-CO", fitmentv1.Obligation_FORBIDDEN_WORDS, fitmentv1.Obligation_INSTALLER, []string{"used", "as is"}, 0, "42-9-109.5(1)(b)"},
		{"US-CO", fitmentv1.Obligation_KEEP, fitmentv1.Obligation_SELLER, nil, 3, "42-9-109.5(2)(b)"},
		{"US-CO", fitmentv1.Obligation_WHO, fitmentv1.Obligation_INSTALLER, nil, 0, "42-9-109.5(1)(a)"},
		// N.Y. VTL 415-c(1): query, and its date and result on the invoice.
		{"US-NY", fitmentv1.Obligation_QUERY, fitmentv1.Obligation_SELLER, nil, 0, "415-c(1)"},
		{"US-NY", fitmentv1.Obligation_INVOICE, fitmentv1.Obligation_SELLER, nil, 0, "415-c(1)"},
		// R.I. Gen. Laws 31-53-5(a)(1), (3), (4) and 31-53-3.
		{"US-RI", fitmentv1.Obligation_DISCLOSE, 0, []string{"salvaged"}, 0, "31-53-5(a)(3)"},
		{"US-RI", fitmentv1.Obligation_DISCLOSE, fitmentv1.Obligation_INSTALLER, nil, 0, "31-53-5(a)(4)"},
		{"US-RI", fitmentv1.Obligation_KEEP, 0, nil, 0, "31-53-5(a)(1)"},
		{"US-RI", fitmentv1.Obligation_VERIFY, fitmentv1.Obligation_INSTALLER, nil, 0, "31-53-3"},
		// RCW 46.37.660(1)(a): the installer verifies the self-diagnosis.
		{"US-WA", fitmentv1.Obligation_VERIFY, fitmentv1.Obligation_INSTALLER, nil, 0, "46.37.660(1)(a)"},
		{"US-WA", fitmentv1.Obligation_WHO, fitmentv1.Obligation_INSTALLER, nil, 0, "46.37.660(1)"},
		{"US-TX", fitmentv1.Obligation_WHO, fitmentv1.Obligation_INSTALLER, nil, 0, "547.614"},
		// 16 CCR 3353, 3356 and 3358.
		{"US-CA", fitmentv1.Obligation_CONSENT, fitmentv1.Obligation_INSTALLER, nil, 0, "3353"},
		{"US-CA", fitmentv1.Obligation_INVOICE, fitmentv1.Obligation_INSTALLER, nil, 0, "3356(c)"},
		{"US-CA", fitmentv1.Obligation_FORBIDDEN_WORDS, fitmentv1.Obligation_INSTALLER, []string{"shop supplies", "miscellaneous parts"}, 0, "3356"},
		{"US-CA", fitmentv1.Obligation_KEEP, fitmentv1.Obligation_INSTALLER, nil, 3, "3358"},
		// 49 CFR 573.12; 16 CFR 20.1 and 20.3; 49 U.S.C. 30122; 49 CFR 173.166.
		{"US", fitmentv1.Obligation_QUERY, fitmentv1.Obligation_SELLER, nil, 0, "573.12"},
		{"US", fitmentv1.Obligation_DISCLOSE, fitmentv1.Obligation_SELLER, nil, 0, "20.1(b)"},
		{"US", fitmentv1.Obligation_FORBIDDEN_WORDS, fitmentv1.Obligation_SELLER, []string{"Rebuilt", "Remanufactured", "Factory rebuilt"}, 0, "20.3"},
		{"US", fitmentv1.Obligation_WHO, fitmentv1.Obligation_INSTALLER, nil, 0, "30122"},
		{"US", fitmentv1.Obligation_WHO, fitmentv1.Obligation_SELLER, nil, 0, "173.166"},
		// Directive 2013/29/EU, Article 7(1)(b) and (4).
		{"EU", fitmentv1.Obligation_WHO, fitmentv1.Obligation_SELLER, nil, 0, "2013/29/EU"},
		{"EU", fitmentv1.Obligation_WHO, fitmentv1.Obligation_SELLER, nil, 0, "2000/53/EC"},
		// RPS 195 and RD 026: records for three years.
		{"GB-ENG", fitmentv1.Obligation_KEEP, fitmentv1.Obligation_SELLER, nil, 3, "RPS 195"},
		{"GB-WLS", fitmentv1.Obligation_KEEP, fitmentv1.Obligation_SELLER, nil, 3, "RD 026"},
		{"NZ", fitmentv1.Obligation_WHO, fitmentv1.Obligation_SELLER, nil, 0, "technical bulletin 2"},
		{"NZ", fitmentv1.Obligation_KEEP, fitmentv1.Obligation_SELLER, nil, 0, "technical bulletin 2"},
		{"NZ", fitmentv1.Obligation_VERIFY, fitmentv1.Obligation_SELLER, nil, 0, "technical bulletin 2"},
	}
	total := 0
	for _, p := range jurisdiction.Builtin().All() {
		total += len(p.Obligations)
	}
	if total != len(rows) {
		t.Errorf("%d obligations, of which %d are held against the law by this table", total, len(rows))
	}
	for _, row := range rows {
		if !slices.ContainsFunc(pack(t, row.place).Obligations, func(o jurisdiction.Obligation) bool {
			return o.GetJurisdiction() == row.place && o.GetType() == row.kind && o.GetParty() == row.party && o.GetYears() == row.years &&
				slices.Equal(o.GetWords(), row.words) && strings.Contains(o.GetSource(), row.cites)
		}) {
			t.Errorf("%s: no %v of %v with words %q and %d years that cites %s", row.place, row.kind, row.party, row.words, row.years, row.cites)
		}
	}
}

// Annex V of 2005/64/EC is about new vehicles; NHTSA nht94-6.3 (5 May 1994) finds no
// federal ban on salvaged air bags. Neither place forbids anything by itself.
func TestFlagsAreNoBans(t *testing.T) {
	t.Parallel()
	for _, place := range []string{"EU", "US"} {
		if n := len(pack(t, place).Provisions); n != 0 {
			t.Errorf("%s has %d provisions", place, n)
		}
	}
	if notes := strings.Join(pack(t, "EU").Notes, " "); !strings.Contains(notes, "Annex V") || !strings.Contains(notes, "no ban on repairs") {
		t.Errorf("EU: the notes do not flag Annex V: %s", notes)
	}
}

func TestBuiltinPacksRead(t *testing.T) {
	t.Parallel()
	want := []string{"EU", "GB-ENG", "GB-WLS", "NZ", "US", "US-CA", "US-CO", "US-NY", "US-RI", "US-TX", "US-WA"}
	var got []string
	for _, p := range jurisdiction.Builtin().All() {
		got = append(got, p.Jurisdiction)
		if !slices.Contains(p.Notes, jurisdiction.CheckLocalLaw) {
			t.Errorf("%s does not say to check local law", p.Jurisdiction)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("packs about %v, want %v", got, want)
	}
}

// Article 52 of the Treaty on European Union lists 27 member states.
func TestEuropeanUnionHasItsMembers(t *testing.T) {
	t.Parallel()
	also := pack(t, "EU").Also
	if len(also) != 27 || slices.Contains(also, "GB") || !slices.Contains(also, "DE") || !slices.Contains(also, "HR") {
		t.Errorf("%d members: %v", len(also), also)
	}
}

func TestProtoShowsThePack(t *testing.T) {
	t.Parallel()
	for _, p := range jurisdiction.Builtin().All() {
		shown := jurisdiction.Proto(p)
		if shown.GetJurisdiction() != p.Jurisdiction || shown.GetPlace() != p.Place || shown.GetVersion() != p.Version || shown.GetWithin() != p.Within ||
			len(shown.GetProvisions()) != len(p.Provisions) || len(shown.GetObligations()) != len(p.Obligations) || !slices.Equal(shown.GetNotes(), p.Notes) {
			t.Errorf("%s is shown as %v", p.Jurisdiction, shown)
		}
		for i, v := range shown.GetProvisions() {
			if want := p.Provisions[i]; v.GetId() != want.ID || v.GetSale() != want.Sale || v.GetText() != want.Text || v.GetSource() != want.Source || !slices.Equal(v.GetKinds(), want.Kinds) {
				t.Errorf("%s is shown as %v", want.ID, v)
			}
		}
		for _, o := range shown.GetObligations() {
			o.Text = "changed"
		}
		for _, o := range p.Obligations {
			if o.GetText() == "changed" {
				t.Fatalf("%s: what is shown is the pack's own message", p.Jurisdiction)
			}
		}
	}
	bare := &jurisdiction.Pack{Jurisdiction: "AQ", Place: "Ice", Version: "2026-11-25"}
	if notes := jurisdiction.Proto(bare).GetNotes(); !slices.Equal(notes, []string{jurisdiction.CheckLocalLaw}) {
		t.Errorf("a pack without notes is shown with %q", notes)
	}
}
