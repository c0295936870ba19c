package rules_test

import (
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/rules"
)

const (
	yes     = evidence.Yes
	no      = evidence.No
	unknown = evidence.Unknown

	claimed   = fitmentv1.Evidence_CLAIMED
	shown     = fitmentv1.Evidence_SHOWN
	confirmed = fitmentv1.Evidence_CONFIRMED

	buckle = fitmentv1.Part_BUCKLE_PRETENSIONER

	// goodVIN is 49 CFR 565.15's own sample: check digit 4, model year 2005.
	goodVIN = "1G4AH59H45G118341"
	// badDigit is the same with a wrong check digit.
	badDigit = "1G4AH59H55G118341"
)

var (
	today  = time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)
	right1 = &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}
	left1  = &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_LEFT}
)

// worldOf is what a case is decided in; the maker, makes and numbers are invented.
//
//	K1   right buckle, Kestrel 2004–2006, both drive sides
//	K2   replaces K1; K3 replaces K2
//	S1   right buckle, Swift 2005, built up to 2005-02-28
//	S2   the same, built from 2005-03-01, other keying, ten years of service life
//	X1   right buckle of another model
//	D1   driver air bag with two stages, Kestrel 2004–2006, left-hand drive
//	M1   control module, Kestrel 2004–2006
func worldOf(tb testing.TB) *catalogue.Catalogue {
	tb.Helper()
	c := catalogue.New()
	use := func(model string, from, to int32) *fitmentv1.Part_Application {
		return &fitmentv1.Part_Application{Make: "Velorn", Model: model, YearFrom: from, YearTo: to}
	}
	part := func(number string, kind fitmentv1.Part_Kind, change func(*fitmentv1.Part), uses ...*fitmentv1.Part_Application) {
		p := &fitmentv1.Part{
			Maker: "Orbis", Number: number, Kind: kind, Positions: []*fitmentv1.Position{right1}, Stages: 1,
			Connector: &fitmentv1.Connector{Interface: "Type 2", Keying: "B", Cavities: 2}, Applications: uses,
		}
		change(p)
		if err := c.PutPart(p); err != nil {
			tb.Fatal(err)
		}
	}
	as := func(*fitmentv1.Part) {}
	part("K1", buckle, func(p *fitmentv1.Part) { p.Window = &fitmentv1.ResistanceWindow{LowOhms: 1.5, HighOhms: 2.8} }, use("Kestrel", 2004, 2006))
	part("K2", buckle, as)
	part("K3", buckle, as)
	part("X1", buckle, as, use("Merlin", 2004, 2006))
	before, after := use("Swift", 2005, 2005), use("Swift", 2005, 2005)
	before.BuiltTo, after.BuiltFrom = "2005-02-28", "2005-03-01"
	part("S1", buckle, as, before)
	part("S2", buckle, func(p *fitmentv1.Part) { p.ServiceLifeYears, p.Connector.Keying = 10, "C" }, after)
	lhd := use("Kestrel", 2004, 2006)
	lhd.DriveSide = fitmentv1.Vehicle_LEFT
	part("D1", fitmentv1.Part_DRIVER_AIR_BAG, func(p *fitmentv1.Part) { p.Stages, p.Positions = 2, []*fitmentv1.Position{left1} }, lhd)
	part("M1", fitmentv1.Part_CONTROL_MODULE, func(p *fitmentv1.Part) { p.Stages, p.Positions = 0, nil }, use("Kestrel", 2004, 2006))
	for _, pair := range [][2]string{{"K1", "K2"}, {"K2", "K3"}} {
		if err := c.PutSupersession(&fitmentv1.Supersession{Name: "supersessions/" + pair[1], Maker: "Orbis", OldNumber: pair[0], NewNumber: pair[1]}); err != nil {
			tb.Fatal(err)
		}
	}
	recall(tb, c, &fitmentv1.Recall{Name: "recalls/cover", Type: fitmentv1.Recall_COVERAGE, Number: "set 1", AsOf: "2026-06-20", PartMaker: "Orbis"})
	return c
}

func recall(tb testing.TB, c *catalogue.Catalogue, r *fitmentv1.Recall) {
	tb.Helper()
	if err := c.PutRecall(r); err != nil {
		tb.Fatal(err)
	}
}

// kestrel needs the front right buckle of a 2005 Kestrel.
func kestrel(changes ...func(*fitmentv1.Need)) *fitmentv1.Need {
	n := &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "Velorn", Model: "Kestrel", ModelYear: 2005, DriveSide: fitmentv1.Vehicle_LEFT},
		Kind:    buckle, Position: right1, Jurisdiction: "US-WA",
	}
	for _, change := range changes {
		change(n)
	}
	return n
}

func swift(built string) *fitmentv1.Need {
	return kestrel(func(n *fitmentv1.Need) { n.Vehicle.Model, n.Vehicle.BuildDate = "Swift", built })
}

func driverBag() *fitmentv1.Need {
	return kestrel(func(n *fitmentv1.Need) { n.Kind, n.Position = fitmentv1.Part_DRIVER_AIR_BAG, nil })
}

func passengerBag(drive fitmentv1.Vehicle_DriveSide) *fitmentv1.Need {
	return kestrel(func(n *fitmentv1.Need) {
		n.Kind, n.Position, n.Vehicle.DriveSide = fitmentv1.Part_PASSENGER_AIR_BAG, nil, drive
	})
}

func module() *fitmentv1.Need {
	return kestrel(func(n *fitmentv1.Need) { n.Kind, n.Position = fitmentv1.Part_CONTROL_MODULE, nil })
}

// documented is a listing that a careful yard would make of K1: every fact shown.
func documented(changes ...func(*fitmentv1.Listing)) *fitmentv1.Listing {
	l := &fitmentv1.Listing{
		Yard: "north-yard", StockNumber: "7", Kind: buckle, Position: right1, PartMaker: "Orbis", PartNumber: "K-1",
		Jurisdiction: "US-WA",
		Donor:        &fitmentv1.Vehicle{Vin: goodVIN, Make: "Velorn", Model: "Kestrel", ModelYear: 2005, DriveSide: fitmentv1.Vehicle_LEFT, Market: "US"},
	}
	for attribute, value := range map[rules.Attribute]string{
		fitmentv1.Evidence_PART_NUMBER: "K1", fitmentv1.Evidence_LABEL_LEGIBLE: "yes", fitmentv1.Evidence_DONOR_VIN: goodVIN,
		fitmentv1.Evidence_SHORTING_CLIP_PRESENT: "yes", fitmentv1.Evidence_PIGTAIL_CUT: "no", fitmentv1.Evidence_DEPLOYMENT_MARKS: "no",
		fitmentv1.Evidence_CRASH_RECORD: "no", fitmentv1.Evidence_DEPLOYMENT_CODE: "no", fitmentv1.Evidence_BELT_IN_USE_COLLISION: "no",
		fitmentv1.Evidence_FLOOD: "no", fitmentv1.Evidence_FIRE: "no", fitmentv1.Evidence_DAMAGE: "no", fitmentv1.Evidence_PROGRAMMABLE: "yes",
	} {
		say(attribute, value, shown)(l)
	}
	reads(2.1, shown)(l)
	for _, change := range changes {
		change(l)
	}
	return l
}

// say adds a statement.
func say(attribute rules.Attribute, value string, level fitmentv1.Evidence_Level) func(*fitmentv1.Listing) {
	return func(l *fitmentv1.Listing) {
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: attribute, Value: value, Level: level})
	}
}

// reads adds a loop value that the donor's module reported; the display runs to
// 6.3 ohms.
func reads(ohms float64, level fitmentv1.Evidence_Level) func(*fitmentv1.Listing) {
	return func(l *fitmentv1.Listing) {
		l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Level: level, Reading: &fitmentv1.Reading{
			Kind: l.GetKind(), Position: l.GetPosition(), Method: fitmentv1.Reading_MODULE_REPORTED, Ohms: new(ohms),
			Meter: &fitmentv1.Meter{PercentOfReading: 1, Counts: 1, ResolutionOhms: 0.1}, DisplayLimitOhms: new(6.3),
		}})
	}
}

// forget takes everything about attributes out, the plain fields with it.
func forget(attributes ...rules.Attribute) func(*fitmentv1.Listing) {
	return func(l *fitmentv1.Listing) {
		kept := l.GetEvidence()
		l.Evidence = nil
		for _, e := range kept {
			gone := false
			for _, a := range attributes {
				gone = gone || e.GetAttribute() == a
			}
			if !gone {
				l.Evidence = append(l.Evidence, e)
			}
		}
		for _, a := range attributes {
			switch a {
			case fitmentv1.Evidence_PART_NUMBER:
				l.PartNumber = ""
			case fitmentv1.Evidence_PART_MAKER:
				l.PartMaker = ""
			case fitmentv1.Evidence_PART_KIND:
				l.Kind = 0
			case fitmentv1.Evidence_PART_POSITION:
				l.Position = nil
			case fitmentv1.Evidence_DONOR_DRIVE_SIDE:
				l.Donor.DriveSide = 0
			case fitmentv1.Evidence_DONOR_MODEL_YEAR:
				l.Donor.ModelYear = 0
			case fitmentv1.Evidence_DONOR_VIN:
				l.Donor.Vin = ""
			default:
			}
		}
	}
}

// instead replaces everything stated about an attribute.
func instead(attribute rules.Attribute, value string, level fitmentv1.Evidence_Level) func(*fitmentv1.Listing) {
	return func(l *fitmentv1.Listing) {
		forget(attribute)(l)
		say(attribute, value, level)(l)
	}
}

func finding(tb testing.TB, d *fitmentv1.Decision, rule string) *fitmentv1.Finding {
	tb.Helper()
	for _, f := range d.GetFindings() {
		if f.GetRule() == rule {
			return f
		}
	}
	tb.Fatalf("no finding of rule %s", rule)
	return nil
}

func decide(tb testing.TB, n *fitmentv1.Need, l *fitmentv1.Listing) *fitmentv1.Decision {
	tb.Helper()
	return rules.Decide(n, l, worldOf(tb), rules.DefaultPolicy(), today)
}

// norrin adds a part of another maker: other connector, other vehicle.
func norrin(tb testing.TB, c *catalogue.Catalogue, number string) {
	tb.Helper()
	err := c.PutPart(&fitmentv1.Part{
		Maker: "Norrin", Number: number, Kind: buckle, Positions: []*fitmentv1.Position{right1}, Stages: 1,
		Connector:    &fitmentv1.Connector{Interface: "Type 3", Keying: "C", Cavities: 4},
		Applications: []*fitmentv1.Part_Application{{Make: "Velorn", Model: "Osprey", YearFrom: 2004, YearTo: 2006}},
	})
	if err != nil {
		tb.Fatal(err)
	}
}
