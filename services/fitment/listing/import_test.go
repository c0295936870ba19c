package listing_test

import (
	"errors"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
)

func cells() map[string]string {
	return map[string]string{
		"stock_number": "B-17", "kind": "buckle pretensioner", "row": "1", "side": "right", "position_evidence": "shown: seat photo",
		"part_maker": "Ostrava Restraints", "part_number": "OR-1234", "part_number_evidence": "shown: label photo @2025-10-02",
		"donor_vin": "1m8gdm9axkp042788", "donor_vin_evidence": "confirmed: arrival check by Shop A @2025-10-03",
		"donor_make": "Calder", "donor_model": "Finch", "donor_year": "2006", "donor_drive_side": "Left", "donor_market": "us",
		"pigtail_cut": "No", "deployment_marks": "no", "deployment_marks_evidence": "shown: photo",
		"loop_ohms": "2.1", "loop_ohms_evidence": "shown: module read-out", "loop_method": "module reported", "loop_clip": "out",
		"price": "180.00", "currency": "usd", "freight": "25", "restocking_percent": "12.5", "days": "3", "jurisdiction": "us-wa",
	}
}

func read(t *testing.T, row map[string]string) (*fitmentv1.Listing, []string) {
	t.Helper()
	var fields check.Fields
	l := listing.FromRow(imports.NewRow(2, row), "hill-yard", &fields)
	var names []string
	for _, v := range fields.Violations() {
		names = append(names, v.Field)
	}
	return l, names
}

func TestARowBecomesAListing(t *testing.T) {
	t.Parallel()
	got, wrong := read(t, cells())
	if len(wrong) > 0 {
		t.Fatalf("violations: %v", wrong)
	}
	ohms := 2.1
	want := &fitmentv1.Listing{
		Name: "listings/hill-yard.B-17", Yard: "hill-yard", StockNumber: "B-17", Kind: fitmentv1.Part_BUCKLE_PRETENSIONER,
		Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, PartMaker: "Ostrava Restraints", PartNumber: "OR-1234",
		Donor:        &fitmentv1.Vehicle{Vin: "1M8GDM9AXKP042788", Make: "Calder", Model: "Finch", ModelYear: 2006, DriveSide: fitmentv1.Vehicle_LEFT, Market: "US"},
		CurrencyCode: "USD", Price: 18000, Terms: &fitmentv1.Terms{Freight: 2500, RestockingBasisPoints: 1250, Days: 3}, Jurisdiction: "US-WA",
		Evidence: []*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "OR-1234", Level: fitmentv1.Evidence_SHOWN, By: "hill-yard", How: "label photo", Date: "2025-10-02"},
			{Attribute: fitmentv1.Evidence_PART_POSITION, Value: "1 RIGHT", Level: fitmentv1.Evidence_SHOWN, By: "hill-yard", How: "seat photo"},
			{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: "1M8GDM9AXKP042788", Level: fitmentv1.Evidence_CONFIRMED, By: "Shop A", How: "arrival check", Date: "2025-10-03"},
			{Attribute: fitmentv1.Evidence_PIGTAIL_CUT, Value: "no", Level: fitmentv1.Evidence_CLAIMED, By: "hill-yard"},
			{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: fitmentv1.Evidence_SHOWN, By: "hill-yard", How: "module read-out", Reading: &fitmentv1.Reading{
				Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
				Method: fitmentv1.Reading_MODULE_REPORTED, Ohms: &ohms, ShortingClip: fitmentv1.Reading_OUT,
			}},
			{Attribute: fitmentv1.Evidence_DEPLOYMENT_MARKS, Value: "no", Level: fitmentv1.Evidence_SHOWN, By: "hill-yard", How: "photo"},
		},
	}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
}

// Readings of a part with two stages state which one each is of.
func TestReadingsStateTheirStage(t *testing.T) {
	t.Parallel()
	stages := func(set map[string]string) []int32 {
		row := cells()
		maps.Copy(row, set)
		l, wrong := read(t, row)
		if len(wrong) > 0 {
			t.Errorf("%v: violations %v", set, wrong)
		}
		var list []int32
		for _, e := range l.GetEvidence() {
			if e.GetReading() != nil {
				list = append(list, e.GetReading().GetStage())
			}
		}
		return list
	}
	second := map[string]string{"loop_2_ohms": "2.2", "loop_2_ohms_evidence": "shown: module read-out"}
	for _, c := range []struct {
		set  map[string]string
		want []int32
	}{
		{nil, []int32{0}},
		{map[string]string{"loop_stage": "2"}, []int32{2}},
		{second, []int32{1, 2}},
	} {
		if got := stages(c.set); !slices.Equal(got, c.want) {
			t.Errorf("%v: stages %v, want %v", c.set, got, c.want)
		}
	}
}

func TestBadCellsAreNamedByTheirColumn(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		set  map[string]string
		want []string
	}{
		{map[string]string{"stock_number": ""}, []string{"stock_number"}},
		{map[string]string{"kind": "seat"}, []string{"kind"}},
		{map[string]string{"kind": ""}, []string{"kind"}},
		{map[string]string{"side": "near"}, []string{"position_evidence", "side"}},
		{map[string]string{"row": "one"}, []string{"position_evidence", "row"}},
		{map[string]string{"row": "-1"}, []string{"position_evidence", "row"}},
		{map[string]string{"row": "10"}, []string{"row", "side"}},
		{map[string]string{"price": "180.001"}, []string{"price"}},
		{map[string]string{"price": ""}, []string{"price"}},
		{map[string]string{"price": "1.5", "freight": "1", "currency": "JPY"}, []string{"price"}},
		{map[string]string{"currency": ""}, []string{"currency"}},
		{map[string]string{"currency": "dollars"}, []string{"currency"}},
		{map[string]string{"freight": "-1"}, []string{"freight"}},
		{map[string]string{"restocking_percent": "100.01"}, []string{"restocking_percent"}},
		{map[string]string{"days": "999999999999"}, []string{"days"}},
		{map[string]string{"days": "400"}, []string{"days"}},
		{map[string]string{"weight_grams": "1000001"}, []string{"weight_grams"}},
		{map[string]string{"weight_grams": "1.5"}, []string{"weight_grams"}},
		{map[string]string{"weight_grams": "-1"}, []string{"weight_grams"}},
		{map[string]string{"un_number": "UN3269"}, []string{"un_number"}},
		{map[string]string{"un_number": "3268"}, []string{"un_number"}},
		{map[string]string{"in_component": "seat"}, []string{"in_component"}},
		{map[string]string{"core_days": "366"}, []string{"core_days"}},
		{map[string]string{"core_return_freight": "-1"}, []string{"core_return_freight"}},
		{map[string]string{"freight_per_kilogram": "2/kg"}, []string{"freight_per_kilogram"}},
		{map[string]string{"freight_per_kilogram": "10000000000.01"}, []string{"freight_per_kilogram"}},
		{map[string]string{"warranty_days": "3651"}, []string{"warranty_days"}},
		{map[string]string{"donor_year": "06"}, []string{"donor_year"}},
		{map[string]string{"donor_vin": "1M8GDM9AXKP0427889"}, []string{"donor_vin"}},
		{map[string]string{"donor_market": "USA"}, []string{"donor_market"}},
		{map[string]string{"donor_build_date": "10/2/2006"}, []string{"donor_build_date"}},
		{map[string]string{"jurisdiction": "Washington"}, []string{"jurisdiction"}},
		{map[string]string{"pigtail_cut": "a bit"}, []string{"pigtail_cut"}},
		{map[string]string{"flood_evidence": "shown: photo"}, []string{"flood_evidence"}},
		{map[string]string{"part_number_evidence": "sworn: label photo"}, []string{"part_number_evidence"}},
		{map[string]string{"part_number_evidence": "shown"}, []string{"part_number_evidence"}},
		{map[string]string{"part_number_evidence": "confirmed: look"}, []string{"part_number_evidence"}},
		{map[string]string{"part_number_evidence": "confirmed: look by hill-yard"}, []string{"part_number_evidence"}},
		{map[string]string{"part_number_evidence": "shown: label photo @2.10.2026"}, []string{"part_number_evidence"}},
		{map[string]string{"part_number": "OR_1234"}, []string{"part_number"}},
		{map[string]string{"loop_ohms": "two"}, []string{"loop_ohms"}},
		{map[string]string{"loop_method": "guess"}, []string{"loop_method"}},
		{map[string]string{"loop_method": ""}, []string{"loop_method"}},
		{map[string]string{"loop_clip": "half"}, []string{"loop_clip"}},
		{map[string]string{"loop_lead_ohms": "much"}, []string{"loop_lead_ohms"}},
		{map[string]string{"loop_meter_counts": "2"}, []string{"loop_meter_resolution"}},
		{map[string]string{"loop_ohms": "", "loop_ohms_evidence": ""}, []string{"loop_clip", "loop_method"}},
		{map[string]string{"loop_stage": "9"}, []string{"loop_stage"}},
		{map[string]string{"loop_stage": "first"}, []string{"loop_stage"}},
		{map[string]string{"loop_stage": "2", "loop_2_ohms": "2.2"}, []string{"loop_stage"}},
		{map[string]string{"loop_2_ohms": "two"}, []string{"loop_2_ohms"}},
		{map[string]string{"loop_2_ohms_evidence": "shown: module read-out"}, []string{"loop_2_ohms_evidence"}},
		{map[string]string{"loop_ohms": "", "loop_ohms_evidence": "", "loop_method": "", "loop_clip": "", "loop_2_ohms": "2.2"}, []string{"loop_2_ohms"}},
		{map[string]string{"cavities": "0"}, []string{"cavities"}},
		{map[string]string{"stages": "two"}, []string{"stages"}},
		{map[string]string{"note": strings.Repeat("x", 2001)}, []string{"note"}},
		{map[string]string{"donor_codes": "B0051, engine"}, []string{"donor_codes"}},
		{map[string]string{"donor_codes": "B0051, none"}, []string{"donor_codes"}},
		{map[string]string{"damage": "a scratch"}, []string{"damage"}},
		{map[string]string{"programmable": "if asked"}, []string{"programmable"}},
		{map[string]string{"theft_query_clear_evidence": "shown: print"}, []string{"theft_query_clear_evidence"}},
		{map[string]string{"manufactured": "03/2006"}, []string{"manufactured"}},
		{map[string]string{"donor_restraint_text": strings.Repeat("x", 4001)}, []string{"donor_restraint_text"}},
	} {
		row := cells()
		maps.Copy(row, c.set)
		_, got := read(t, row)
		slices.Sort(got)
		if got = slices.Compact(got); !slices.Equal(got, c.want) {
			t.Errorf("%v: violations %v, want %v", c.set, got, c.want)
		}
	}
}

func TestEveryViolationNamesAColumn(t *testing.T) {
	t.Parallel()
	columns := map[string]bool{}
	for _, c := range listing.Columns() {
		if columns[c.Name] || c.Help == "" {
			t.Errorf("column %q stands twice or is not explained", c.Name)
		}
		columns[c.Name] = true
	}
	for column := range columns {
		row := cells()
		row[column] = "\x01 " + strings.Repeat("x", 2001)
		_, got := read(t, row)
		if len(got) == 0 {
			t.Errorf("%s: nonsense was accepted", column)
		}
		for _, name := range got {
			if !columns[name] {
				t.Errorf("%s: violation of %q, which is no column", column, name)
			}
		}
	}
}

func atNoon() (time.Time, error) { return noon, nil }

// TestARowIsMergedAtTheTimeThatHoldsGoBy: whether a listing is held is asked
// again for every merge, and a store that does not say leaves the record alone.
func TestARowIsMergedAtTheTimeThatHoldsGoBy(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	at, failure := noon, error(nil)
	dearer := cells()
	dearer["price"] = "181"
	it, ok := listing.Target(func() (time.Time, error) { return at, failure }).Map(imports.NewRow(2, dearer), "hill-yard", &fields)
	if !ok {
		t.Fatal(fields.Violations())
	}
	first, _, err := item(t, cells()).Merge(nil)
	if err != nil {
		t.Fatal(err)
	}
	l, err := listing.Decode(first)
	if err != nil {
		t.Fatal(err)
	}
	stored, err := listing.Encode(must(t)(listing.Hold(l, "shop-a", 0, noon.Add(time.Hour), noon)))
	if err != nil {
		t.Fatal(err)
	}
	var problem *imports.Problem
	if _, _, err := it.Merge(stored); !errors.As(err, &problem) {
		t.Errorf("while it is held: %v", err)
	}
	at = noon.Add(time.Hour)
	if _, unchanged, err := it.Merge(stored); err != nil || unchanged {
		t.Errorf("after the hold: unchanged %t, %v", unchanged, err)
	}
	failure = errors.New("no clock")
	if _, _, err := it.Merge(stored); !errors.Is(err, failure) {
		t.Errorf("without a clock: %v", err)
	}
}

func TestUnknownCurrenciesAreRefused(t *testing.T) {
	t.Parallel()
	for code, known := range map[string]bool{"USD": true, "jpy": true, "ZZZ": false, "XAU": false, "DEM": false, "US": false} {
		row := cells()
		row["currency"] = code
		row["price"], row["freight"], row["handling"], row["return_freight"], row["core_deposit"] = "180", "", "", "", ""
		if _, bad := read(t, row); slices.Contains(bad, "currency") == known {
			t.Errorf("%s in a file: violations of %v", code, bad)
		}
		l := said()
		l.CurrencyCode = strings.ToUpper(code)
		var fields check.Fields
		listing.Validate(l, "listing.", &fields)
		if fields.OK() != known {
			t.Errorf("%s in a request: %v", code, fields.Violations())
		}
	}
}

func item(t *testing.T, row map[string]string) imports.Item {
	t.Helper()
	var fields check.Fields
	it, ok := listing.Target(atNoon).Map(imports.NewRow(2, row), "hill-yard", &fields)
	if !ok || !fields.OK() {
		t.Fatalf("violations: %v", fields.Violations())
	}
	return it
}

func TestMergeKeepsTheLifeOfAListing(t *testing.T) {
	t.Parallel()
	it := item(t, cells())
	if it.Key != listing.Key("hill-yard", "B-17") || it.Name != "listings/hill-yard.B-17" {
		t.Errorf("key %v, name %s", it.Key, it.Name)
	}
	first, unchanged, err := it.Merge(nil)
	if err != nil || unchanged {
		t.Fatalf("unchanged %t, %v", unchanged, err)
	}
	if again, unchanged, err := it.Merge(first); err != nil || !unchanged || string(again) != string(first) {
		t.Errorf("a second time: unchanged %t, %v", unchanged, err)
	}
	l, err := listing.Decode(first)
	if err != nil {
		t.Fatal(err)
	}
	held := must(t)(listing.Hold(l, "shop-a", 0, noon.Add(time.Hour), noon))
	stored, err := listing.Encode(held)
	if err != nil {
		t.Fatal(err)
	}
	if _, unchanged, err := it.Merge(stored); err != nil || !unchanged {
		t.Errorf("over a hold: unchanged %t, %v", unchanged, err)
	}
	noted, dearer := cells(), cells()
	noted["note"], dearer["price"] = "second photo", "181"
	value, unchanged, err := item(t, noted).Merge(stored)
	if err != nil || unchanged {
		t.Fatalf("unchanged %t, %v", unchanged, err)
	}
	after, err := listing.Decode(value)
	if err != nil {
		t.Fatal(err)
	}
	if after.GetNote() != "second photo" || !listing.HeldBy(after, "shop-a", noon) || after.GetHold().GetFence() != 1 {
		t.Errorf("got %v", after)
	}
	var problem *imports.Problem
	if _, _, err := item(t, dearer).Merge(stored); !errors.As(err, &problem) || problem.Field != "stock_number" {
		t.Errorf("another price over a hold: %v", err)
	}
}

func TestTermsOfShippingAndOfTheOldPart(t *testing.T) {
	t.Parallel()
	row := cells()
	maps.Copy(row, map[string]string{
		"weight_grams": "1450", "un_number": "un 3268", "in_component": "Yes", "freight_per_kilogram": "2", "core_deposit": "50.00",
		"core_days": "30", "core_return_freight": "18.50", "warranty_days": "60",
	})
	l, wrong := read(t, row)
	want := &fitmentv1.Terms{
		Freight: 25_00, RestockingBasisPoints: 12_50, Days: 3, WeightGrams: 1450, UnNumber: "UN3268", InComponent: true,
		FreightPerKilogram: 2_00, CoreDeposit: 50_00, CoreDays: 30, CoreReturnFreight: 18_50, WarrantyDays: 60,
	}
	if diff := cmp.Diff(want, l.GetTerms(), protocmp.Transform()); diff != "" || len(wrong) > 0 {
		t.Error(wrong, diff)
	}
}

// FuzzTerms: the cells about shipping and the old part are either refused by their
// own name, or make terms that are valid.
func FuzzTerms(f *testing.F) {
	f.Add("1450", "UN3268", "no", "30", "18.50", "60")
	f.Add("", "", "", "", "", "")
	f.Add("1000001", "UN9999", "seat", "-1", "1e9", "4294967297")
	f.Fuzz(func(t *testing.T, weight, un, inside, days, freight, warranty string) {
		changes := map[string]string{
			"weight_grams": weight, "un_number": un, "in_component": inside, "core_days": days, "core_return_freight": freight,
			"freight_per_kilogram": freight, "warranty_days": warranty,
		}
		row := cells()
		maps.Copy(row, changes)
		l, wrong := read(t, row)
		for _, column := range wrong {
			if _, ours := changes[column]; !ours {
				t.Fatalf("%s is called wrong", column)
			}
		}
		if len(wrong) > 0 {
			return
		}
		var again check.Fields
		if listing.Validate(l, "", &again); !again.OK() {
			t.Fatalf("taken although %v", again.Violations())
		}
		if terms := l.GetTerms(); terms.GetWeightGrams() > 1_000_000 || strings.TrimSpace(un) == "" != (terms.GetUnNumber() == "") {
			t.Fatalf("terms %v", terms)
		}
	})
}

// FuzzRow feeds arbitrary cells: reading never panics, and a row without
// violations is a valid listing that reads the same a second time.
func FuzzRow(f *testing.F) {
	f.Add("buckle pretensioner", "1", "right", "shown: label photo @2025-10-02", "2.1", "module reported", "180.00", "USD", "no", "confirmed: look by X")
	f.Add("CONTROL_MODULE", "", "", "claimed", "OL", "meter-at-harness", "0", "jpy", "", "")
	f.Add("\x00", "-9223372036854775808", "CENTER", "shown:::@@", "1e400", "", "99999999999999999999", "€", "maybe", "by ")
	f.Fuzz(func(t *testing.T, kind, row, side, support, ohms, method, price, currency, yesNo, confirmed string) {
		r := imports.NewRow(2, map[string]string{
			"stock_number": "B-17", "kind": kind, "row": row, "side": side, "part_number": "OR-1", "part_number_evidence": support,
			"loop_ohms": ohms, "loop_method": method, "price": price, "currency": currency, "flood": yesNo, "flood_evidence": confirmed,
			"donor_year": row, "restocking_percent": price, "loop_ohms_evidence": support, "note": confirmed,
		})
		var fields check.Fields
		it, ok := listing.Target(atNoon).Map(r, "hill-yard", &fields)
		if ok != fields.OK() {
			t.Fatalf("ok %t with violations %v", ok, fields.Violations())
		}
		for _, v := range fields.Violations() {
			if v.Field == "" || v.Problem == "" || v.Expected == "" || strings.ContainsAny(v.Field, ".[") {
				t.Fatalf("a violation without its column, problem or expectation: %+v", v)
			}
		}
		if !ok {
			return
		}
		value, _, err := it.Merge(nil)
		if problem, refused := errors.AsType[*imports.Problem](err); refused && strings.HasSuffix(problem.Text, "lies in the future") {
			return // the day is compared with the time of the merge
		}
		if err != nil {
			t.Fatal(err)
		}
		l, err := listing.Decode(value)
		if err != nil {
			t.Fatal(err)
		}
		var again check.Fields
		if listing.Validate(l, "", &again); !again.OK() {
			t.Fatalf("stored although %v", again.Violations())
		}
		if _, unchanged, err := it.Merge(value); err != nil || !unchanged {
			t.Fatalf("a second time: unchanged %t, %v", unchanged, err)
		}
	})
}

// What a yard says in the newer columns becomes evidence of its own, the donor's
// restraint text a field of the donor.
func TestNewerColumnsBecomeEvidence(t *testing.T) {
	t.Parallel()
	row := cells()
	maps.Copy(row, map[string]string{
		"part_maker_evidence": "shown: label photo", "donor_codes": "b0051, B0058-1A", "donor_codes_evidence": "shown: scan",
		"damage": "no", "cosmetic_damage": "yes", "programmable": "yes", "theft_query_clear": "yes", "seller_statement": "no",
		"manufactured": "2006-03", "donor_restraint_text": "driver front air bag",
	})
	l, got := read(t, row)
	if len(got) != 0 {
		t.Fatalf("violations %v", got)
	}
	if l.GetDonor().GetRestraintText() != "driver front air bag" {
		t.Errorf("donor %v", l.GetDonor())
	}
	values := map[fitmentv1.Evidence_Attribute]string{}
	for _, e := range l.GetEvidence() {
		values[e.GetAttribute()] = e.GetValue()
	}
	for attribute, want := range map[fitmentv1.Evidence_Attribute]string{
		fitmentv1.Evidence_PART_MAKER: row["part_maker"], fitmentv1.Evidence_DONOR_CODES: "b0051, B0058-1A",
		fitmentv1.Evidence_DAMAGE: "no", fitmentv1.Evidence_COSMETIC_DAMAGE: "yes", fitmentv1.Evidence_PROGRAMMABLE: "yes",
		fitmentv1.Evidence_THEFT_QUERY_CLEAR: "yes", fitmentv1.Evidence_SELLER_STATEMENT: "no", fitmentv1.Evidence_MANUFACTURED: "2006-03",
	} {
		if values[attribute] != want {
			t.Errorf("%s is %q, want %q", attribute, values[attribute], want)
		}
	}
}
