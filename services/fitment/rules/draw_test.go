package rules_test

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/reference"
	"beltwright.example/services/fitment/rules"
)

// A scene is a small made-up trade: a catalogue, a need and listings for it. It is
// drawn around a case in which all is well, and then spoilt in a few places, so
// that every rule decides now and then.
type scene struct {
	parts    []*fitmentv1.Part
	steps    []*fitmentv1.Supersession
	recalls  []*fitmentv1.Recall
	vehicles []*fitmentv1.VehicleData
	policy   rules.Policy
	places   []reference.Place
	need     *fitmentv1.Need
	listings []*fitmentv1.Listing
}

// die draws; the same seed draws the same.
type die struct{ *rand.Rand }

func dieOf(seed uint64) die { return die{rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))} }

// once is true one time in n.
func (d die) once(n int) bool { return d.IntN(n) == 0 }

// pick is one of the values.
func pick[T any](d die, values ...T) T { return values[d.IntN(len(values))] }

// sceneDay is the day of every scene.
var sceneDay = time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)

// Names of the scene; makers and makes are invented.
const (
	sceneMaker = "Korrin"
	sceneMake  = "Tarvena"
	sceneModel = "Lark"
)

var sceneKinds = []fitmentv1.Part_Kind{
	fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_RETRACTOR_PRETENSIONER,
	fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Part_PASSENGER_AIR_BAG, fitmentv1.Part_CURTAIN_AIR_BAG,
	fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CRASH_SENSOR, fitmentv1.Part_PIGTAIL,
}

// Vehicle identifiers of a maker that does not exist, so that no data knows them.
// The check digits are right where the comment does not say otherwise; reckoned
// from Tables III and IV of 49 CFR 565.15(c).
var sceneVINs = []string{
	"ZZ1AA11A27N100001", // position 7 a digit, position 10 for 2007
	"ZZ1AA11A27N100001",
	"ZZ1AA11A37N100001", // wrong check digit
	"ZZ1AA1BA47N100001", // position 7 a letter: 2037 or 2007
	"ZZ1AA11A8UN100001", // no code of a year
	"ZZ1AA11A77N10A001", // a letter among the last five
	"ZZ9AA11A07NABC001", // a maker of few vehicles
	"ZZ1AA11A65N100001", // 2005
	"ZZ1AA1BA2HN100001", // 2017 or 1987
	"ZZ1AA11A27N10000I", // a letter that no VIN contains
	"ZZ1AA11A27N1000",   // too short
}

const sceneYear = 2007

// draw makes a scene with n listings.
func draw(seed uint64, n int) (*scene, error) {
	laws, err := sceneLaws()
	if err != nil {
		return nil, err
	}
	d := dieOf(seed)
	law := laws[0]
	if d.once(3) {
		law = pick(d, laws...)
	}
	s := &scene{places: law.places, policy: rules.Policy{RecallMaxAgeDays: pick(d, 30, 30, 30, 30, 30, 30, 0, 10), Packs: law.set}}
	s.need = d.goodNeed(pick(d, sceneKinds...))
	s.drawParts(d)
	s.drawSteps(d)
	s.drawRecalls(d)
	s.drawVehicles(d)
	for range n {
		s.listings = append(s.listings, s.drawListing(d))
	}
	s.spoilNeed(d)
	return s, nil
}

// goodNeed is a need of which everything is known.
func (d die) goodNeed(kind fitmentv1.Part_Kind) *fitmentv1.Need {
	n := &fitmentv1.Need{
		Kind: kind, Jurisdiction: "US-WA",
		Vehicle: &fitmentv1.Vehicle{
			Make: sceneMake, Model: sceneModel, ModelYear: sceneYear, BuildDate: "2007-03-10", Body: "coupe",
			DriveSide: pick(d, fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT), Market: "US",
			Plant: "North", Options: []string{"AK5"}, OptionsComplete: true,
		},
	}
	switch kind {
	case fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Part_PASSENGER_AIR_BAG, fitmentv1.Part_CONTROL_MODULE:
	default:
		n.Position = &fitmentv1.Position{Row: 1, Side: pick(d, fitmentv1.Position_LEFT, fitmentv1.Position_RIGHT)}
	}
	return n
}

// belongs is where the needed part belongs in the unspoilt vehicle.
func belongs(n *fitmentv1.Need) *fitmentv1.Position {
	left := n.GetVehicle().GetDriveSide() == fitmentv1.Vehicle_LEFT
	switch n.GetKind() {
	case fitmentv1.Part_PASSENGER_AIR_BAG:
		left = !left
	case fitmentv1.Part_DRIVER_AIR_BAG:
	default:
		return n.GetPosition()
	}
	if left {
		return left1
	}
	return right1
}

// goodPart is a part that is right for the unspoilt need.
func (s *scene) goodPart(number string) *fitmentv1.Part {
	p := &fitmentv1.Part{
		Maker: sceneMaker, Number: number, Kind: s.need.GetKind(), Stages: 1,
		Connector:    &fitmentv1.Connector{Interface: "Type 2", Keying: "B", Cavities: 2},
		Applications: []*fitmentv1.Part_Application{{Make: sceneMake, Model: sceneModel, YearFrom: 2005, YearTo: 2009}},
	}
	if at := belongs(s.need); at != nil {
		p.Positions = []*fitmentv1.Position{at}
	}
	switch s.need.GetKind() {
	case fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CRASH_SENSOR, fitmentv1.Part_PIGTAIL:
		p.Stages = 0
	default:
	}
	return p
}

func (s *scene) drawParts(d die) {
	for i, number := range []string{"K1", "K2", "K3", "K4"} {
		switch {
		case i > 0 && d.once(2):
			continue
		case i > 1 && d.once(2):
			continue
		}
		p := s.goodPart(number)
		if i > 0 && d.once(3) {
			p.Applications = nil // known, but not for which vehicles
		}
		spoilPart(d, p, pick(d, 0, 0, 1, 2)+min(i, 1))
		s.parts = append(s.parts, p)
	}
	if d.once(5) { // another maker's part of the same number
		p := s.goodPart(pick(d, "K1", "K1", "K2", "Q9"))
		p.Maker = "Velmark"
		p.Connector = &fitmentv1.Connector{Interface: "Type 3", Keying: "C", Cavities: 4}
		spoilPart(d, p, pick(d, 0, 1, 2))
		s.parts = append(s.parts, p)
	}
	if d.once(8) {
		p := s.goodPart("W7")
		p.Maker = pick(d, "Velmark", "Haspa")
		spoilPart(d, p, pick(d, 0, 1, 2))
		s.parts = append(s.parts, p)
	}
}

// spoilPart changes a part in n places.
func spoilPart(d die, p *fitmentv1.Part, n int) {
	for range n {
		switch d.IntN(14) {
		case 0, 1, 2:
			for _, a := range p.GetApplications() {
				spoilUse(d, a)
			}
		case 3:
			if len(p.GetApplications()) > 0 {
				more := proto.CloneOf(p.GetApplications()[0])
				spoilUse(d, more)
				p.Applications = append(p.Applications, more)
			}
		case 4:
			if len(p.GetApplications()) == 1 { // a line for each side, or for each half of the year
				a, b := p.GetApplications()[0], proto.CloneOf(p.GetApplications()[0])
				if d.once(2) {
					a.DriveSide, b.DriveSide = fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT
				} else {
					a.BuiltTo, b.BuiltFrom = mended(a.GetBuiltFrom(), "2007-02-28"), "2007-03-01"
					b.BuiltTo = mended(b.GetBuiltFrom(), b.GetBuiltTo())
				}
				p.Applications = append(p.Applications, b)
			}
		case 5:
			p.Positions = pick(d, nil, []*fitmentv1.Position{left1, right1}, []*fitmentv1.Position{{Row: 2, Side: fitmentv1.Position_LEFT}}, p.GetPositions())
		case 6:
			p.Connector = &fitmentv1.Connector{Interface: pick(d, "type  2", "Type 3", ""), Keying: pick(d, "B", "C", ""), Cavities: pick[int32](d, 0, 2, 4)}
		case 7:
			p.Stages = pick[int32](d, 0, 1, 2, 2)
		case 8:
			p.Window = &fitmentv1.ResistanceWindow{LowOhms: 1.5, HighOhms: pick(d, 2.8, 5.5)}
		case 9:
			p.ServiceLifeYears = pick[int32](d, 10, 19, 20, 25)
		case 10:
			p.Programming = pick(d, fitmentv1.Part_NONE, fitmentv1.Part_SETUP, fitmentv1.Part_LOCKED, fitmentv1.Part_LOCKED)
		case 11:
			p.DonorPolicy = pick(d, fitmentv1.Part_FORBIDDEN, fitmentv1.Part_FORBIDDEN, fitmentv1.Part_ALLOWED)
		case 12:
			p.FittingKnown = d.once(2)
			p.OneUse = pick(d, nil, []*fitmentv1.Part_OneUse{{Text: "anchor bolt", Quantity: 1}})
			p.ReplaceWith = pick(d, nil, []*fitmentv1.Part_Related{{Kind: fitmentv1.Part_PIGTAIL, Text: "supplied together"}})
		default:
			p.Kind = pick(d, sceneKinds...)
		}
	}
}

// spoilUse limits an application, or makes it one for another vehicle.
func spoilUse(d die, a *fitmentv1.Part_Application) {
	switch d.IntN(9) {
	case 0:
		a.Model = "Heron"
	case 1:
		a.YearFrom, a.YearTo = pick[int32](d, 2003, 2007), pick[int32](d, 2007, 2012)
	case 2:
		a.YearFrom, a.YearTo = 2008, 2010
	case 3:
		a.Body = pick(d, "Coupe", "estate")
	case 4, 5:
		a.DriveSide = pick(d, fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT)
	case 6:
		a.Market = pick(d, "US", "US", "CA")
	case 7:
		a.BuiltFrom = pick(d, "2007-03-01", "2007-03-10", "2007-03-11")
	default:
		a.BuiltTo = pick(d, "2007-02-28", "2007-03-10", "2007-12-31")
	}
	a.YearTo, a.BuiltTo = mended(a.GetYearFrom(), a.GetYearTo()), mended(a.GetBuiltFrom(), a.GetBuiltTo())
}

// mended drops an upper limit that is below the lower one, which no catalogue takes.
func mended[T int32 | string](from, to T) T {
	var none T
	if to < from {
		return none
	}
	return to
}

// drawSteps adds supersessions, of which some hold for the vehicle and some make
// circles.
func (s *scene) drawSteps(d die) {
	numbers := []string{"K1", "K2", "K3", "K4", "K5"}
	for i := range pick(d, 0, 0, 1, 2, 3, 5) {
		from := d.IntN(len(numbers))
		step := &fitmentv1.Supersession{
			Name: "supersessions/" + strconv.Itoa(i), Maker: pick(d, sceneMaker, sceneMaker, sceneMaker, sceneMaker, "KORRIN ", "Velmark"),
			OldNumber: numbers[from], NewNumber: numbers[(from+1+d.IntN(2))%len(numbers)], Type: pick(d, fitmentv1.Supersession_REPLACES, fitmentv1.Supersession_SUBSTITUTE),
		}
		for range pick(d, 0, 0, 1, 2) {
			switch d.IntN(8) {
			case 0:
				step.YearFrom = pick[int32](d, 2005, 2007, 2008)
			case 1:
				step.YearTo = pick[int32](d, 2006, 2007, 2010)
			case 2:
				step.Market = pick(d, "US", "CA")
			case 3:
				step.BuiltFrom = pick(d, "2007-01-01", "2007-03-11")
			case 4:
				step.BuiltTo = pick(d, "2007-03-10", "2007-02-01")
			case 5:
				step.Plant = pick(d, "north", "South")
			default:
				step.Options = pick(d, []string{"AK5"}, []string{"ak5", "ZZ1"}, []string{"ZZ1"})
			}
		}
		step.YearTo, step.BuiltTo = mended(step.GetYearFrom(), step.GetYearTo()), mended(step.GetBuiltFrom(), step.GetBuiltTo())
		s.steps = append(s.steps, step)
	}
}

func (s *scene) drawRecalls(d die) {
	if !d.once(6) {
		s.recalls = append(s.recalls, &fitmentv1.Recall{
			Name: "recalls/cover", Type: fitmentv1.Recall_COVERAGE, Number: "set 1", AsOf: pick(d, "2026-06-20", "2026-06-20", "2026-06-29", "2026-06-29", "2026-06-30", "2026-05-31", "2026-05-31", "2026-05-30", "2026-07-01"),
			PartMaker: sceneMaker, Kind: pick(d, 0, 0, s.need.GetKind()),
		})
	}
	if d.once(6) {
		s.recalls = append(s.recalls, &fitmentv1.Recall{Name: "recalls/cover2", Type: fitmentv1.Recall_COVERAGE, Number: "set 2", AsOf: "2026-06-22", PartMaker: "Velmark"})
	}
	for i := range pick(d, 0, 0, 0, 1, 2) {
		r := &fitmentv1.Recall{
			Name: "recalls/" + strconv.Itoa(i), Type: fitmentv1.Recall_NOTICE, Number: fmt.Sprint("26-", i), Issued: "2026-01-05",
			PartMaker: pick(d, sceneMaker, sceneMaker, sceneMaker, "Velmark"), PartNumber: pick(d, "K1", "K-2", "K3", "Q9", ""),
			Kind: pick(d, 0, s.need.GetKind(), fitmentv1.Part_PIGTAIL),
		}
		if d.once(2) {
			r.Make, r.Model = sceneMake, pick(d, "", sceneModel, "Heron")
		}
		if d.once(2) {
			r.YearFrom, r.YearTo = pick[int32](d, 0, 2005, 2008), pick[int32](d, 0, 2009, 2010)
			r.YearTo = mended(r.GetYearFrom(), r.GetYearTo())
		}
		s.recalls = append(s.recalls, r)
	}
}

func (s *scene) drawVehicles(d die) {
	for i := range pick(d, 0, 1, 1, 2, 3) {
		row := &fitmentv1.VehicleData{
			Name: "vehicleData/" + strconv.Itoa(i), Make: pick(d, sceneMake, sceneMake, sceneMake, "Oskeld"), Model: pick(d, "", sceneModel, "Heron"),
			Dialect: pick(d, "standard", "standard", "legacy-a", "legacy-a", "legacy-d", "no-such-dialect", ""),
			Kind:    pick(d, 0, 0, s.need.GetKind(), fitmentv1.Part_KNEE_AIR_BAG), // of a window, which none of the rows has
		}
		if d.once(2) {
			row.YearFrom, row.YearTo = pick[int32](d, 0, 2005, 2007), pick[int32](d, 0, 2007, 2009)
			row.YearTo = mended(row.GetYearFrom(), row.GetYearTo())
		}
		s.vehicles = append(s.vehicles, row)
	}
}

// spoilNeed forgets or changes things about the vehicle.
func (s *scene) spoilNeed(d die) {
	v := s.need.GetVehicle()
	for range pick(d, 0, 0, 0, 1, 1, 2, 3, 5) {
		switch d.IntN(16) {
		case 0:
			v.ModelYear = pick[int32](d, 0, 0, 2006, 2008)
		case 1:
			v.BuildDate = pick(d, "", "", "2007-03-01", "2007-02-28")
		case 2:
			v.DriveSide = pick(d, 0, 0, fitmentv1.Vehicle_LEFT, fitmentv1.Vehicle_RIGHT)
		case 3:
			v.Body = pick(d, "", "", "estate")
		case 4:
			v.Market = pick(d, "", "", "CA")
		case 5:
			v.Plant = pick(d, "", "", "South")
		case 6:
			v.Options, v.OptionsComplete = pick(d, nil, []string{"AK5"}, []string{"ZZ1", "AK5"}), d.once(2)
		case 7, 8:
			s.need.PartNumber = pick(d, "K1", "k-1", "K2", "K3", "K5", "Q9")
			s.need.PartMaker = pick(d, "", "", sceneMaker, "korrin", "Velmark")
		case 9:
			s.need.Connector = &fitmentv1.Connector{Interface: pick(d, "", "TYPE 2", "Type 3"), Keying: pick(d, "", "B", "C"), Cavities: pick[int32](d, 0, 2, 4)}
		case 10:
			s.need.Stages = pick[int32](d, 1, 2)
		case 11:
			s.need.Position = pick(d, nil, left1, right1, s.need.GetPosition())
		case 12, 13:
			v.RestraintText = pick(d, restraintTexts...)
		case 14:
			s.need.Jurisdiction = pick(d, scenePlaces...)
		default:
			v.ModelYear, v.BuildDate = 0, ""
		}
	}
}

var restraintTexts = []string{
	"", "air bags, pretensioners", "air bags, side air bags, pretensioners", "Air bags, no side air bags", "air bags, curtain air bags, without pretensioners",
	"none", "no air bags, pretensioners", "side air bags, no side air bags", "no curtain air bags, knee air bags",
}

// scenePlaces are jurisdictions, of which some have a law of their own and some
// only that of a country.
var scenePlaces = []string{"", "US-WA", "US-NY", "US-RI", "US-CO", "US-ID", "US", "DE", "EU", "GB-ENG", "GB", "NZ", "NZ-AUK", "JP", "XA", "XA-1", "XB", "XC-2"}
