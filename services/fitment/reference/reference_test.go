package reference_test

import (
	"slices"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/reference"
)

var today = time.Date(2026, 6, 30, 0, 0, 0, 0, time.UTC)

// step is a supersession of the maker Korrin.
func step(older, newer string, change func(*fitmentv1.Supersession)) *fitmentv1.Supersession {
	s := &fitmentv1.Supersession{Maker: "Korrin", OldNumber: older, NewNumber: newer}
	if change != nil {
		change(s)
	}
	return s
}

// vehicle needs a pigtail in a vehicle of a year, whose part bears the number A.
func vehicle(year int32, plant string) *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "Tarvena", Model: "Lark", ModelYear: year, Plant: plant}, Kind: fitmentv1.Part_PIGTAIL,
		Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_LEFT}, PartMaker: "Korrin", PartNumber: "A",
	}
}

// of is a listing of which the number is shown.
func of(number string) *fitmentv1.Listing {
	return &fitmentv1.Listing{PartMaker: "Korrin", Evidence: []*fitmentv1.Evidence{
		{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: number, Level: fitmentv1.Evidence_SHOWN},
	}}
}

// What is reachable in a graph with a circle: from A, B and C every one of the six
// numbers but none back from D, E and F; worked out by hand (transitive closure,
// Warshall 1962; from memory).
func TestSupersessionsOfACircle(t *testing.T) {
	t.Parallel()
	facts := &reference.Facts{Today: today}
	for _, pair := range []string{"AB", "BC", "CA", "CD", "DE", "FE"} {
		facts.Supersessions = append(facts.Supersessions, step(pair[:1], pair[1:], nil))
	}
	pairs := 0
	for _, older := range []string{"A", "B", "C", "D", "E", "F"} {
		need := vehicle(2009, "X")
		need.PartNumber = older
		for _, newer := range []string{"A", "B", "C", "D", "E", "F"} {
			if newer == older { // the same number belongs there without any step
				continue
			}
			if reference.Decide(need, of(newer), facts).Rules["number.matches"] == reference.Yes {
				pairs++
			}
		}
	}
	if want := 17 - 3; pairs != want { // three of the 17 pairs are A, B and C with themselves
		t.Errorf("%d pairs, want %d", pairs, want)
	}
}

// Three conditions of which one is not known: a year that satisfies the way over B
// makes the other way's plant irrelevant; another year leaves it to the plant.
func TestConditionalSupersessions(t *testing.T) {
	t.Parallel()
	facts := &reference.Facts{Today: today, Supersessions: []*fitmentv1.Supersession{
		step("A", "B", func(s *fitmentv1.Supersession) { s.YearTo = 2010 }),
		step("B", "C", func(s *fitmentv1.Supersession) { s.YearFrom = 2008 }),
		step("A", "C", func(s *fitmentv1.Supersession) { s.Plant = "X" }),
	}}
	for _, c := range []struct {
		year  int32
		plant string
		want  reference.Answer
	}{
		{2009, "", reference.Yes},
		{2011, "", reference.Unknown},
		{2011, "x", reference.Yes},
		{2007, "", reference.Unknown},
		{0, "X", reference.Yes},
		{0, "", reference.Unknown},
		{2011, "Y", reference.Unknown}, // no part is listed, so the catalogue excludes nothing
	} {
		if got := reference.Decide(vehicle(c.year, c.plant), of("C"), facts).Rules["number.matches"]; got != c.want {
			t.Errorf("year %d, plant %q: %v, want %v", c.year, c.plant, got, c.want)
		}
	}
}

// The sample of 49 CFR 565.15(c), with its check digit 4, of model year 2005, and
// slips in it.
func TestDonorVIN(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		vin, market string
		year        int32
		want        reference.Answer
	}{
		{"1G4AH59H45G118341", "US", 2005, reference.Yes},
		{"1g4ah59h45g118341", "US", 2005, reference.Yes},
		{"1G4AH59H45G118341", "US", 2006, reference.Unknown}, // the year disagrees
		{"1G4AH59H55G118341", "US", 2005, reference.No},      // wrong digit
		{"1G4AH59H55G118341", "", 2005, reference.Unknown},   // does it count?
		{"1G4AH59H55G118341", "DE", 2005, reference.Yes},     // it does not (ISO 3779, from memory)
		{"1G4AH59H45G11834I", "DE", 2005, reference.No},      // no VIN contains an I
		{"1G4AH59H45G11834", "DE", 2005, reference.No},
		{"", "US", 2005, reference.Unknown},
	} {
		l := &fitmentv1.Listing{Donor: &fitmentv1.Vehicle{ModelYear: c.year, Market: c.market, VehicleClass: fitmentv1.Vehicle_PASSENGER_CAR}}
		if c.vin != "" {
			l.Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: c.vin, Level: fitmentv1.Evidence_SHOWN}}
		}
		if got := reference.Decide(vehicle(2009, ""), l, &reference.Facts{Today: today}).Rules["provenance.donor_vin"]; got != c.want {
			t.Errorf("%q of %d in %q: %v, want %v", c.vin, c.year, c.market, got, c.want)
		}
	}
}

// B0051 commands deployment in a maker's legacy codes (its service data, about 2000
// to 2009) and names a buckle sensor in the standard (SAE J2012, public lists).
func TestDeploymentCodeDependsOnTheDialect(t *testing.T) {
	t.Parallel()
	need := vehicle(2009, "")
	need.Kind = fitmentv1.Part_BUCKLE_PRETENSIONER
	for _, c := range []struct {
		dialect, codes, flag string
		want                 reference.Answer
	}{
		{"legacy-a", "B0051", "", reference.No},
		{"standard", "B0051", "", reference.Yes},
		{"", "B0051", "", reference.Unknown},
		{"", "none", "", reference.Yes},
		{"legacy-a", "B0051", "no", reference.Unknown},
		{"standard", "B0051", "yes", reference.Unknown},
		{"legacy-a", "B0053-1A", "yes", reference.No},
		{"legacy-a", "B51", "", reference.Unknown},
		{"", "", "no", reference.Yes},
		{"", "", "", reference.Unknown},
	} {
		facts := &reference.Facts{Today: today, Vehicles: []*fitmentv1.VehicleData{{Make: "Tarvena", Dialect: c.dialect}}}
		l := &fitmentv1.Listing{Donor: &fitmentv1.Vehicle{Make: "Tarvena", Model: "Lark", ModelYear: 2005}}
		// The VIN is the sample of 49 CFR 565.15; a donor that none is proven of is not
		// cleared by a dialect.
		for a, v := range map[fitmentv1.Evidence_Attribute]string{
			fitmentv1.Evidence_DONOR_CODES: c.codes, fitmentv1.Evidence_DEPLOYMENT_CODE: c.flag, fitmentv1.Evidence_DONOR_VIN: "1G4AH59H45G118341",
		} {
			if v != "" {
				l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: a, Value: v, Level: fitmentv1.Evidence_SHOWN})
			}
		}
		if got := reference.Decide(need, l, facts).Rules["deployment.code"]; got != c.want {
			t.Errorf("%q in %q, flag %q: %v, want %v", c.codes, c.dialect, c.flag, got, c.want)
		}
		l.Evidence = slices.DeleteFunc(l.GetEvidence(), func(e *fitmentv1.Evidence) bool { return e.GetAttribute() == fitmentv1.Evidence_DONOR_VIN })
		got := reference.Decide(need, l, facts).Rules["deployment.code"]
		if cleared := c.dialect == "standard" && c.flag == ""; cleared && got != reference.Unknown || c.want == reference.No && got != reference.No {
			t.Errorf("%q in %q, flag %q, VIN not proven: %v", c.codes, c.dialect, c.flag, got)
		}
	}
}

// A remedied recall may be sold under 49 CFR 573.12 but not in Rhode Island (R.I.
// Gen. Laws § 31-53-5(a)(1)); where a place is not stated, the strictest law counts.
func TestRemediedRecallAndThePlace(t *testing.T) {
	t.Parallel()
	facts := &reference.Facts{Today: today, RecallDays: 30, Places: reference.Law(), Recalls: []*fitmentv1.Recall{
		{Type: fitmentv1.Recall_NOTICE, PartMaker: "Korrin", PartNumber: "A"},
	}}
	for place, want := range map[string]reference.Answer{"US-WA": reference.Yes, "US-RI": reference.No, "": reference.No, "US-ID": reference.No, "DE": reference.Yes} {
		l := of("A")
		l.Jurisdiction = "US-CA"
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_RECALL_REMEDIED, Value: "yes", Level: fitmentv1.Evidence_SHOWN})
		need := vehicle(2009, "")
		need.Jurisdiction = place
		out := reference.Decide(need, l, facts)
		if out.Rules["recall.open"] != reference.Yes || out.Rules["jurisdiction.sale"] != want {
			t.Errorf("%q: recall %v, sale %v, want %v", place, out.Rules["recall.open"], out.Rules["jurisdiction.sale"], want)
		}
	}
}

func TestNothingFitsOnNothing(t *testing.T) {
	t.Parallel()
	for kind := range fitmentv1.Part_Kind_name {
		need := vehicle(2009, "")
		need.Kind = fitmentv1.Part_Kind(kind)
		if got := reference.Decide(need, &fitmentv1.Listing{}, &reference.Facts{Today: today}).Verdict; got != fitmentv1.Decision_PROVE_FIRST {
			t.Errorf("%v: an empty listing is %v", need.GetKind(), got)
		}
	}
}
