package rules_test

import (
	"fmt"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
)

// pool is what scenes state of an attribute: first what speaks for the part, then
// other values.
type pool struct {
	attribute rules.Attribute
	good      string
	others    []string
}

// scenePools lists all attributes but the loop's resistance.
var scenePools = []pool{
	{fitmentv1.Evidence_PART_NUMBER, "", []string{"K1", "k-1", "K 2", "K3", "K4", "K5", "Q9", "W7", "?!"}},
	{fitmentv1.Evidence_PART_MAKER, sceneMaker, []string{"korrin", "Velmark", "Haspa", " "}},
	{fitmentv1.Evidence_PART_KIND, "", []string{"BUCKLE_PRETENSIONER", "driver_air_bag", "CONTROL_MODULE", "PIGTAIL", "?"}},
	{fitmentv1.Evidence_PART_POSITION, "", []string{"1 RIGHT", "1 left", "2 LEFT", "0 LEFT"}},
	{fitmentv1.Evidence_DONOR_DRIVE_SIDE, "", []string{"LEFT", "right", "?"}},
	{fitmentv1.Evidence_DONOR_MODEL_YEAR, "2007", []string{"2005", "2008", "2010", "1999", "2017", "x"}},
	{fitmentv1.Evidence_DONOR_VIN, "ZZ1AA11A27N100001", sceneVINs},
	{fitmentv1.Evidence_CONNECTOR_INTERFACE, "Type 2", []string{"type 2", "Type 3", ""}},
	{fitmentv1.Evidence_CONNECTOR_KEYING, "B", []string{"b", "C"}},
	{fitmentv1.Evidence_CONNECTOR_CAVITIES, "2", []string{"4", "02", "0"}},
	{fitmentv1.Evidence_SHORTING_CLIP_PRESENT, "yes", []string{"YES", "no", "?"}},
	{fitmentv1.Evidence_PIGTAIL_CUT, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_STAGES, "1", []string{"1", "2", "3", "many"}},
	{fitmentv1.Evidence_DEPLOYMENT_MARKS, "no", []string{"yes", "No ", "?"}},
	{fitmentv1.Evidence_CRASH_RECORD, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_DEPLOYMENT_CODE, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_BELT_IN_USE_COLLISION, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_FLOOD, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_FIRE, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_RECALL_OPEN, "no", []string{"yes", "?", "no"}},
	{fitmentv1.Evidence_LABEL_LEGIBLE, "yes", []string{"no", "?"}},
	{fitmentv1.Evidence_PULLED_BY, "employee 7", []string{"Employee  7", "unknown", "Not known", " "}},
	{fitmentv1.Evidence_RECALL_REMEDIED, "yes", []string{"no", "yes", "?"}},
	{fitmentv1.Evidence_DONOR_CODES, "none", []string{"B0051", "b0058-1a, B0053", "B0058:1A,B0070", "B0012", "nothing", "B0051-1A-AF", "B0070, B0058-1A", "U0100-13", "B1FFF", "B1FFF, B0053"}},
	{fitmentv1.Evidence_DAMAGE, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_COSMETIC_DAMAGE, "no", []string{"yes", "?"}},
	{fitmentv1.Evidence_PROGRAMMABLE, "yes", []string{"no", "?"}},
	{fitmentv1.Evidence_THEFT_QUERY_CLEAR, "yes", []string{"no", "?"}},
	{fitmentv1.Evidence_SELLER_STATEMENT, "yes", []string{"no", "?"}},
	{fitmentv1.Evidence_MANUFACTURED, "2007-02", []string{"2006", "2006-06-30", "2007-06", "2006-07-01", "2016", "2001-12-31", "2007-13"}},
}

// sceneQueryDays are days of dated statements: recent ones, and those at the edges.
var sceneQueryDays = []string{"2026-06-25", "2026-06-25", "2026-06-30", "2026-06-20", "2026-05-31", "2026-05-30", "2026-07-01", "", "soon"}

func (d die) level() fitmentv1.Evidence_Level {
	return pick(d, 0, claimed, shown, shown, shown, confirmed)
}

// good is the pool's value that speaks for a part of the scene.
func (s *scene) good(p pool, number string) string {
	switch p.attribute {
	case fitmentv1.Evidence_PART_NUMBER:
		return number
	case fitmentv1.Evidence_PART_KIND:
		return s.need.GetKind().String()
	case fitmentv1.Evidence_PART_POSITION:
		if at := belongs(s.need); at != nil {
			return fmt.Sprint(at.GetRow(), " ", at.GetSide())
		}
		return "1 LEFT"
	case fitmentv1.Evidence_DONOR_DRIVE_SIDE:
		return s.need.GetVehicle().GetDriveSide().String()
	default:
		return p.good
	}
}

// documented lists a part as a careful yard would; what only a contradiction, a
// recall or an age brings up is left out.
func (s *scene) documented(d die, number string) *fitmentv1.Listing {
	l := &fitmentv1.Listing{
		Yard: "north-yard", StockNumber: "7", Kind: s.need.GetKind(), Position: belongs(s.need), PartMaker: sceneMaker, PartNumber: number, Jurisdiction: "US-WA",
		Donor: &fitmentv1.Vehicle{
			Make: sceneMake, Model: sceneModel, ModelYear: sceneYear, DriveSide: s.need.GetVehicle().GetDriveSide(), Market: "US",
			VehicleClass: pick(d, 0, fitmentv1.Vehicle_PASSENGER_CAR),
		},
	}
	for _, p := range scenePools {
		switch p.attribute {
		case fitmentv1.Evidence_RECALL_OPEN, fitmentv1.Evidence_RECALL_REMEDIED, fitmentv1.Evidence_MANUFACTURED, fitmentv1.Evidence_DONOR_CODES:
			if !d.once(4) {
				continue
			}
		case fitmentv1.Evidence_PART_KIND, fitmentv1.Evidence_PART_POSITION, fitmentv1.Evidence_DONOR_DRIVE_SIDE, fitmentv1.Evidence_DONOR_MODEL_YEAR,
			fitmentv1.Evidence_CONNECTOR_INTERFACE, fitmentv1.Evidence_CONNECTOR_KEYING, fitmentv1.Evidence_CONNECTOR_CAVITIES, fitmentv1.Evidence_STAGES:
			if d.once(2) {
				continue
			}
		default:
		}
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: p.attribute, Value: s.good(p, number), Level: pick(d, shown, shown, shown, confirmed), Date: "2026-06-25"})
	}
	l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Level: shown, Reading: &fitmentv1.Reading{
		Kind: l.GetKind(), Position: l.GetPosition(), Method: fitmentv1.Reading_MODULE_REPORTED, Ohms: new(2.1),
		Meter: &fitmentv1.Meter{PercentOfReading: 1, Counts: 1, ResolutionOhms: 0.1}, DisplayLimitOhms: new(6.3),
	}})
	return l
}

// drawListing documents a part and spoils what is said of it in a few places.
func (s *scene) drawListing(d die) *fitmentv1.Listing {
	number := pick(d, "K1", "K1", "K1", "K1", "K2", "K3", pick(d, s.parts...).GetNumber(), pick(d, s.parts...).GetNumber(), "K5", "Q9")
	l := s.documented(d, number)
	changes := pick(d, 0, 1, 1, 1, 2, 2, 3, 4, 8)
	if d.once(20) {
		changes = 60
	}
	for range changes {
		s.spoilListing(d, l, number)
	}
	return l
}

func (s *scene) spoilListing(d die, l *fitmentv1.Listing, number string) {
	switch d.IntN(12) {
	case 0:
		forget(fitmentv1.Evidence_LOOP_RESISTANCE)(l)
		for range d.IntN(3) {
			d.read(l)
		}
		return
	case 1:
		d.read(l)
		return
	case 2:
		spoilDonor(d, l)
		return
	default:
	}
	p := pick(d, scenePools...)
	e := &fitmentv1.Evidence{Attribute: p.attribute, Value: pick(d, append([]string{s.good(p, number)}, p.others...)...), Level: d.level(), Date: pick(d, sceneQueryDays...)}
	switch d.IntN(4) {
	case 0:
		forgetAll(l, p.attribute)
	case 1:
		l.Evidence = append(l.Evidence, e)
	default:
		forgetAll(l, p.attribute)
		l.Evidence = append(l.Evidence, e)
	}
}

// forgetAll takes everything about an attribute out.
func forgetAll(l *fitmentv1.Listing, a rules.Attribute) {
	forget(a)(l)
	if a == fitmentv1.Evidence_PART_MAKER {
		l.PartMaker = ""
	}
}

func spoilDonor(d die, l *fitmentv1.Listing) {
	donor := l.GetDonor()
	switch d.IntN(12) {
	case 0:
		donor.Make = pick(d, "", "Oskeld")
	case 1:
		donor.Model = pick(d, "", "Heron")
	case 2:
		donor.ModelYear = pick[int32](d, 0, 2005, 2009)
	case 3:
		donor.Market = pick(d, "", "CA", "MX", "DE", "NZ")
	case 4:
		donor.VehicleClass = pick(d, 0, fitmentv1.Vehicle_LIGHT_TRUCK, fitmentv1.Vehicle_HEAVY_VEHICLE)
	case 5, 6:
		donor.RestraintText = pick(d, restraintTexts...)
	case 7:
		donor.BuildDate = pick(d, "2007-03-10", "2007-02-01", "2008-01-01")
	case 8:
		donor.Vin = pick(d, sceneVINs...)
	case 9:
		l.PartMaker = pick(d, "", "Velmark", " KORRIN")
	default:
		l.Jurisdiction = pick(d, scenePlaces...)
	}
}

// read adds a loop reading.
func (d die) read(l *fitmentv1.Listing) {
	r := &fitmentv1.Reading{
		Method: fitmentv1.Reading_METER_AT_COMPONENT, ShortingClip: fitmentv1.Reading_OUT,
		Ohms: new(pick(d, 2.0, 2.1, 2.1, 2.2, 1.45, 3.15, 3.3, 4.5, 0.1, 0.6, 30, 2000, 6.3)), Stage: pick[int32](d, 0, 1, 1, 2, 2, 3),
	}
	if !d.once(6) {
		r.Meter = &fitmentv1.Meter{PercentOfReading: pick(d, 0, 0.5, 1), Counts: pick(d, 0, 1.0, 2), ResolutionOhms: pick(d, 0.01, 0.1)}
	}
	switch d.IntN(10) {
	case 0:
		r.ShortingClip = pick(d, fitmentv1.Reading_IN, fitmentv1.Reading_UNKNOWN)
	case 1:
		r.OverRange = true
	case 2:
		r.Ohms = nil
	case 3:
		r.LeadOhms = new(pick(d, 0.1, 3.0))
	case 4:
		r.Method = pick(d, fitmentv1.Reading_SUBSTITUTE_LOAD, fitmentv1.Reading_METER_AT_HARNESS, fitmentv1.Reading_METHOD_UNSPECIFIED)
	case 5, 6, 7:
		r.Method, r.ShortingClip = fitmentv1.Reading_MODULE_REPORTED, 0
		if d.once(2) {
			r.DisplayLimitOhms = new(pick(d, 6.3, 3.3, 6.2))
		}
	default:
	}
	if d.once(3) {
		r.Kind = pick(d, 0, l.GetKind(), fitmentv1.Part_CURTAIN_AIR_BAG)
		r.Position = pick(d, nil, l.GetPosition(), left1, &fitmentv1.Position{Row: 1}, &fitmentv1.Position{Row: 2}, &fitmentv1.Position{Side: fitmentv1.Position_LEFT})
	}
	e := &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Level: d.level(), Reading: r}
	if d.once(20) {
		e.Reading = nil
	}
	l.Evidence = append(l.Evidence, e)
	if d.once(4) {
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: e.GetAttribute(), Level: d.level(), Reading: r})
	}
}
