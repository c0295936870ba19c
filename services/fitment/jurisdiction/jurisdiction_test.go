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

// What obligations are about. Their kinds stand in no text as such:
//
//   - widely: air bags, and their sensors, controllers and wiring with them, as
//     RCW 46.37.640(1) and the Rhode Island chapter's first definition (P.L. 2010,
//     ch. 319) define an air bag; the inflatable restraint systems of C.R.S.
//     42-9-109.5 and N.Y. VTL 415-c are read so here, which is the cautious
//     reading, and the packs say so.
//   - bags: air bags alone, as Tex. Transp. Code 547.614 is read here.
//   - anything: a text about parts, goods or work of every kind.
type breadth string

const (
	anything breadth = "anything"
	widely   breadth = "widely"
	bags     breadth = "bags"
)

func (b breadth) kinds() []fitmentv1.Part_Kind {
	inflating := []fitmentv1.Part_Kind{
		fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Part_PASSENGER_AIR_BAG, fitmentv1.Part_KNEE_AIR_BAG,
		fitmentv1.Part_SIDE_AIR_BAG, fitmentv1.Part_CURTAIN_AIR_BAG,
	}
	switch b {
	case bags:
		return inflating
	case widely:
		return append(inflating, fitmentv1.Part_CLOCK_SPRING, module, sensor, fitmentv1.Part_OCCUPANT_SENSOR, wiring)
	default:
		return nil
	}
}

// Each row is what the published law says, and where; used marks what it says of
// parts that come out of another vehicle only.
func TestObligationsSayWhatTheLawSays(t *testing.T) {
	t.Parallel()
	type (
		kind  = fitmentv1.Obligation_Type
		party = fitmentv1.Obligation_Party
	)
	const (
		seller, installer = fitmentv1.Obligation_SELLER, fitmentv1.Obligation_INSTALLER
		used              = true
	)
	rows := []struct {
		place string
		kind  kind
		party party
		words []string
		years int32
		about breadth
		used  bool
		cites string
	}{
		// C.R.S. 42-9-109.5(1)(b) and (2): authorization, exact words, words that are
		// forbidden, and three years; whose duty these are is read here as both's.
		{"US-CO", fitmentv1.Obligation_CONSENT, installer, nil, 0, widely, used, "42-9-109.5(1)(b)"},
		{"US-CO", fitmentv1.Obligation_INVOICE, installer, []string{"salvaged inflatable restraint system"}, 0, widely, used, "42-9-109.5(1)(b)"},
		{"US-CO", fitmentv1.Obligation_INVOICE, seller, nil, 0, widely, used, "42-9-109.5(2)(a)"},
		{"US-CO", fitmentv1.Obligation_FORBIDDEN_WORDS, installer, []string{"used", "as is"}, 0, widely, used, "42-9-109.5(1)(b)"},
		{"US-CO", fitmentv1.Obligation_KEEP, 0, nil, 3, widely, used, "42-9-109.5(2)(b)"},
		{"US-CO", fitmentv1.Obligation_WHO, installer, nil, 0, widely, used, "42-9-109.5(1)(a)"},
		// N.Y. VTL 415-c(1): query, and its date and result on the invoice, for salvaged
		// restraints.
		{"US-NY", fitmentv1.Obligation_QUERY, seller, nil, 0, widely, used, "415-c(1)"},
		{"US-NY", fitmentv1.Obligation_INVOICE, seller, nil, 0, widely, used, "415-c(1)"},
		// R.I. Gen. Laws 31-53-5(a)(1), (3), (4) and 31-53-3: that it is salvaged is told
		// and recorded of salvaged ones, affidavit and diagnosis are of any replacement.
		{"US-RI", fitmentv1.Obligation_DISCLOSE, 0, []string{"salvaged"}, 0, widely, used, "31-53-5(a)(3)"},
		{"US-RI", fitmentv1.Obligation_DISCLOSE, installer, nil, 0, widely, false, "31-53-5(a)(4)"},
		{"US-RI", fitmentv1.Obligation_KEEP, 0, nil, 0, widely, used, "31-53-5(a)(1)"},
		{"US-RI", fitmentv1.Obligation_VERIFY, installer, nil, 0, widely, false, "31-53-3"},
		// RCW 46.37.660(1)(a): the installer verifies the self-diagnosis, whichever
		// part was fitted.
		{"US-WA", fitmentv1.Obligation_VERIFY, installer, nil, 0, widely, false, "46.37.660(1)(a)"},
		{"US-WA", fitmentv1.Obligation_WHO, installer, nil, 0, widely, false, "46.37.660(1)"},
		{"US-TX", fitmentv1.Obligation_WHO, installer, nil, 0, bags, false, "547.614"},
		// 16 CCR 3353, 3356 and 3358: new, used, reconditioned or rebuilt.
		{"US-CA", fitmentv1.Obligation_CONSENT, installer, nil, 0, anything, false, "3353"},
		{"US-CA", fitmentv1.Obligation_INVOICE, installer, nil, 0, anything, false, "3356(c)"},
		{"US-CA", fitmentv1.Obligation_FORBIDDEN_WORDS, installer, []string{"shop supplies", "miscellaneous parts"}, 0, anything, false, "3356"},
		{"US-CA", fitmentv1.Obligation_KEEP, installer, nil, 3, anything, false, "3358"},
		// 49 CFR 573.12 (new or used); 16 CFR 20.1 and 20.3 (used parts, and such as were
		// only cleaned); 49 U.S.C. 30122; 49 CFR 173.166.
		{"US", fitmentv1.Obligation_QUERY, seller, nil, 0, anything, false, "573.12"},
		{"US", fitmentv1.Obligation_DISCLOSE, seller, nil, 0, anything, used, "20.1(b)"},
		{"US", fitmentv1.Obligation_FORBIDDEN_WORDS, seller, []string{"Rebuilt", "Remanufactured", "Factory rebuilt"}, 0, anything, used, "20.3"},
		{"US", fitmentv1.Obligation_WHO, installer, nil, 0, anything, false, "30122"},
		{"US", fitmentv1.Obligation_WHO, seller, nil, 0, anything, false, "173.166"},
		// Directive 2013/29/EU, Article 7(1)(b) and (4); Directive 2000/53/EC, Annex I.
		{"EU", fitmentv1.Obligation_WHO, seller, nil, 0, anything, false, "2013/29/EU"},
		{"EU", fitmentv1.Obligation_WHO, seller, nil, 0, anything, false, "2000/53/EC"},
		// RPS 195 and RD 026: records for three years of what stays in a vehicle for
		// reuse; told of every part here, as they are about the vehicle.
		{"GB-ENG", fitmentv1.Obligation_KEEP, seller, nil, 3, anything, used, "RPS 195"},
		{"GB-WLS", fitmentv1.Obligation_KEEP, seller, nil, 3, anything, used, "RD 026"},
		// Technical bulletin 2, Salvaged airbags; read as about every part (its pack says so).
		{"NZ", fitmentv1.Obligation_WHO, seller, nil, 0, anything, used, "technical bulletin 2"},
		{"NZ", fitmentv1.Obligation_KEEP, seller, nil, 0, anything, used, "technical bulletin 2"},
		{"NZ", fitmentv1.Obligation_VERIFY, seller, nil, 0, anything, used, "technical bulletin 2"},
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
				slices.Equal(o.GetWords(), row.words) && strings.Contains(o.GetSource(), row.cites) &&
				slices.Equal(o.Kinds, row.about.kinds()) && o.UsedOnly == row.used
		}) {
			t.Errorf("%s: no %v of %v with words %q and %d years, about %s, of used parts only: %v, that cites %s",
				row.place, row.kind, row.party, row.words, row.years, row.about, row.used, row.cites)
		}
	}
}

// Where the law's words do not settle which parts it is about, the pack says how
// it is read.
func TestPacksSayHowKindsAreRead(t *testing.T) {
	t.Parallel()
	for place, says := range map[string]string{
		"US-CO": "clock springs, modules, sensors and pigtails", "US-NY": "clock springs, modules, sensors and pigtails",
		"US-WA": "Clock springs, modules, sensors and pigtails", "US-RI": "Modules, sensors and wiring",
	} {
		if notes := strings.Join(pack(t, place).Notes, " "); !strings.Contains(notes, says) {
			t.Errorf("%s: no note on %s: %s", place, says, notes)
		}
	}
	if notes := strings.Join(pack(t, "US-CO").Notes, " "); !strings.Contains(notes, "check the text of C.R.S. 42-9-109.5(2)(b)") {
		t.Errorf("US-CO: no note that who keeps the bill of sale is to be checked: %s", notes)
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
