package listing_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/check"
)

func violations(l *fitmentv1.Listing) []string {
	var fields check.Fields
	listing.Validate(l, "listing.", &fields)
	names := make([]string, 0, len(fields.Violations()))
	for _, v := range fields.Violations() {
		names = append(names, v.Field)
		if v.Problem == "" || v.Expected == "" {
			names = append(names, "without problem or expectation: "+v.Field)
		}
	}
	return names
}

func TestAGoodListingIsValid(t *testing.T) {
	t.Parallel()
	if got := violations(said()); len(got) != 0 {
		t.Errorf("violations: %v", got)
	}
}

func TestEveryFieldIsChecked(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 3000)
	for field, spoil := range map[string]func(*fitmentv1.Listing){
		"yard":                          func(l *fitmentv1.Listing) { l.Yard = "Hill Yard" },
		"stock_number":                  func(l *fitmentv1.Listing) { l.StockNumber = "a:b" },
		"kind":                          func(l *fitmentv1.Listing) { l.Kind = 0 },
		"position.row":                  func(l *fitmentv1.Listing) { l.Position.Row = 10 },
		"position.side":                 func(l *fitmentv1.Listing) { l.Position.Side = 9 },
		"part_maker":                    func(l *fitmentv1.Listing) { l.PartMaker = long },
		"part_number":                   func(l *fitmentv1.Listing) { l.PartNumber = "OR_1234!" },
		"donor.vin":                     func(l *fitmentv1.Listing) { l.Donor.Vin = "1M8GDM9AXKP042788X" },
		"donor.make":                    func(l *fitmentv1.Listing) { l.Donor.Make = "Cal\x01der" },
		"donor.model":                   func(l *fitmentv1.Listing) { l.Donor.Model = long },
		"donor.model_year":              func(l *fitmentv1.Listing) { l.Donor.ModelYear = 1979 },
		"donor.build_date":              func(l *fitmentv1.Listing) { l.Donor.BuildDate = "2006-02-30" },
		"donor.body":                    func(l *fitmentv1.Listing) { l.Donor.Body = long },
		"donor.drive_side":              func(l *fitmentv1.Listing) { l.Donor.DriveSide = 3 },
		"donor.market":                  func(l *fitmentv1.Listing) { l.Donor.Market = "USA" },
		"donor.series":                  func(l *fitmentv1.Listing) { l.Donor.Series = long },
		"donor.plant":                   func(l *fitmentv1.Listing) { l.Donor.Plant = long },
		"donor.vehicle_class":           func(l *fitmentv1.Listing) { l.Donor.VehicleClass = -1 },
		"currency_code":                 func(l *fitmentv1.Listing) { l.CurrencyCode = "usd" },
		"price":                         func(l *fitmentv1.Listing) { l.Price = -1 },
		"terms.freight":                 func(l *fitmentv1.Listing) { l.Terms.Freight = math.MaxInt64 },
		"terms.handling":                func(l *fitmentv1.Listing) { l.Terms.Handling = -1 },
		"terms.return_freight":          func(l *fitmentv1.Listing) { l.Terms.ReturnFreight = 1_000_000_000_001 },
		"terms.core_deposit":            func(l *fitmentv1.Listing) { l.Terms.CoreDeposit = -1 },
		"terms.restocking_basis_points": func(l *fitmentv1.Listing) { l.Terms.RestockingBasisPoints = 10_001 },
		"terms.days":                    func(l *fitmentv1.Listing) { l.Terms.Days = 366 },
		"terms.warranty_days":           func(l *fitmentv1.Listing) { l.Terms.WarrantyDays = -1 },
		"terms.freight_per_kilogram":    func(l *fitmentv1.Listing) { l.Terms.FreightPerKilogram = math.MaxInt64 },
		"terms.weight_grams":            func(l *fitmentv1.Listing) { l.Terms.WeightGrams = 1_000_001 },
		"terms.un_number":               func(l *fitmentv1.Listing) { l.Terms.UnNumber = "un3268" },
		"terms.core_days":               func(l *fitmentv1.Listing) { l.Terms.CoreDays = 366 },
		"terms.core_return_freight":     func(l *fitmentv1.Listing) { l.Terms.CoreReturnFreight = -1 },
		"jurisdiction":                  func(l *fitmentv1.Listing) { l.Jurisdiction = "Washington" },
		"note":                          func(l *fitmentv1.Listing) { l.Note = long },
		"evidence":                      func(l *fitmentv1.Listing) { l.Evidence = make([]*fitmentv1.Evidence, listing.MaxEvidence+1) },
	} {
		l := said()
		spoil(l)
		if got := violations(l); !slices.Contains(got, "listing."+field) {
			t.Errorf("%s: violations %v", field, got)
		}
	}
}

func TestEvidenceIsTyped(t *testing.T) {
	t.Parallel()
	ohms, other := 2.1, 2.2
	good := &fitmentv1.Reading{
		Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Method: fitmentv1.Reading_MODULE_REPORTED, Ohms: &ohms,
	}
	differs := proto.Clone(good).(*fitmentv1.Reading)
	differs.Ohms = &other
	over := &fitmentv1.Reading{
		Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Method: fitmentv1.Reading_SUBSTITUTE_LOAD, OverRange: true,
	}
	claimed := fitmentv1.Evidence_CLAIMED
	for _, c := range []struct {
		e   *fitmentv1.Evidence
		bad string
	}{
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PIGTAIL_CUT, Value: "no", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PIGTAIL_CUT, Value: "maybe", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PIGTAIL_CUT, Value: "No", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PIGTAIL_CUT, Level: claimed}, "value"},
		{&fitmentv1.Evidence{Value: "no", Level: claimed}, "attribute"},
		{&fitmentv1.Evidence{Attribute: 99, Value: "no", Level: claimed}, "attribute"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: 4}, "level"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: claimed, Date: "yesterday"}, "date"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_SHOWN}, "how"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_CONFIRMED, How: "look"}, "by"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_CONFIRMED, How: "look", By: "Hill-Yard"}, "by"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_CONFIRMED, How: "look", By: " hill-yard "}, "by"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_CONFIRMED, How: "look", By: "an assessor"}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_CODES, Value: strings.Repeat("B0058-1A-AF,", 64), Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_CODES, Value: strings.Repeat("B0058-1A-AF,", 65), Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_CODES, Value: "0053", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_MANUFACTURED, Value: "2006-03", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_MANUFACTURED, Value: "2006-13", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_MAKER, Value: "Korrin", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PROGRAMMABLE, Value: "YES", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_KIND, Value: "BUCKLE_PRETENSIONER", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_KIND, Value: "KIND_UNSPECIFIED", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_POSITION, Value: "1 RIGHT", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_POSITION, Value: "right", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_DRIVE_SIDE, Value: "CENTRE", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_MODEL_YEAR, Value: "2006", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_MODEL_YEAR, Value: "02006", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_MODEL_YEAR, Value: "2040", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_CONNECTOR_CAVITIES, Value: "65", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_STAGES, Value: "2.0", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_STAGES, Value: "2", Level: claimed, Reading: good}, "reading"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PART_NUMBER, Value: "??", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: claimed}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: claimed, Reading: good}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: claimed, Reading: differs}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "OL", Level: claimed, Reading: over}, ""},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "OL", Level: claimed, Reading: good}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "NaN", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "-1", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "1e10", Level: claimed}, "value"},
		{&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "0x10", Level: claimed}, "value"},
	} {
		l := said()
		l.Evidence = []*fitmentv1.Evidence{c.e}
		var want []string
		if c.bad != "" {
			want = []string{"listing.evidence[0]." + c.bad}
		}
		if got := violations(l); !slices.Equal(got, want) {
			t.Errorf("%v: violations %v, want %v", c.e, got, want)
		}
	}
}

func TestAnEmptyListingMayBeAskedAbout(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	listing.ValidateInline(&fitmentv1.Listing{}, "listing.", &fields)
	if !fields.OK() {
		t.Errorf("violations: %v", fields.Violations())
	}
	listing.ValidateInline(&fitmentv1.Listing{Kind: 99, Price: -1, CurrencyCode: "x"}, "listing.", &fields)
	if len(fields.Violations()) != 3 {
		t.Errorf("violations: %v", fields.Violations())
	}
}

func TestTomorrowsEvidenceIsRefused(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 25, 23, 0, 0, 0, time.UTC)
	for day, good := range map[string]bool{"": true, "2026-11-25": true, "2026-11-26": true, "2026-11-27": false, "2046-01-01": false} {
		l := &fitmentv1.Listing{Evidence: []*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_FIRE, Value: "no", Level: fitmentv1.Evidence_SHOWN},
			{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_SHOWN, Date: day},
		}}
		var fields check.Fields
		listing.ValidateDays(l, "listing.", now, &fields)
		if fields.OK() != good {
			t.Errorf("%q: %v", day, fields.Violations())
		}
		if !good && fields.Violations()[0].Field != "listing.evidence[1].date" {
			t.Errorf("%q: names %s", day, fields.Violations()[0].Field)
		}
	}
}
