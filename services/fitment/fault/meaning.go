package fault

import (
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Dialects in which codes are read. A vehicle's maker and year decide which one
// it speaks; makers are not named here, so the user states it by choosing a
// meaning.
const (
	standard = "standard"
	legacyA  = "legacy-a"
	legacyB  = "legacy-b"
	legacyD  = "legacy-d"
)

// Conditions that a code reports about its loop.
const (
	noCondition   = ""
	openOrHigh    = "open or high"
	lowOrShorted  = "low or shorted"
	outOfRange    = "out of range"
	shortOrVolts  = "short or voltage"
	toGround      = "short to ground"
	toBattery     = "short to battery"
	batteryOrOpen = "short to battery or open"
)

// seat is where a meaning places its part.
type seat struct {
	row    int32
	side   fitmentv1.Position_Side
	driver bool // the side is where the steering wheel is
	mate   bool // the side is the other one
}

var (
	nowhere     = seat{}
	driverSeat  = seat{row: 1, driver: true}
	mateSeat    = seat{row: 1, mate: true}
	leftFront   = seat{row: 1, side: fitmentv1.Position_LEFT}
	rightFront  = seat{row: 1, side: fitmentv1.Position_RIGHT}
	centreFront = seat{row: 1, side: fitmentv1.Position_CENTRE}
	left        = seat{side: fitmentv1.Position_LEFT}
	right       = seat{side: fitmentv1.Position_RIGHT}
	leftSecond  = seat{row: 2, side: fitmentv1.Position_LEFT}
	midSecond   = seat{row: 2, side: fitmentv1.Position_CENTRE}
	rightSecond = seat{row: 2, side: fitmentv1.Position_RIGHT}
	leftThird   = seat{row: 3, side: fitmentv1.Position_LEFT}
	midThird    = seat{row: 3, side: fitmentv1.Position_CENTRE}
	rightThird  = seat{row: 3, side: fitmentv1.Position_RIGHT}
)

// position resolves the seat through the drive side; nil where the meaning
// names no place.
func (s seat) position(drive fitmentv1.Vehicle_DriveSide) *fitmentv1.Position {
	if s == nowhere {
		return nil
	}
	p := &fitmentv1.Position{Row: s.row, Side: s.side}
	switch {
	case (s.driver && drive == fitmentv1.Vehicle_LEFT) || (s.mate && drive == fitmentv1.Vehicle_RIGHT):
		p.Side = fitmentv1.Position_LEFT
	case (s.driver && drive == fitmentv1.Vehicle_RIGHT) || (s.mate && drive == fitmentv1.Vehicle_LEFT):
		p.Side = fitmentv1.Position_RIGHT
	}
	return p
}

// Groups of kinds that a meaning may concern. A code that says "pretensioner"
// does not say which of the three it is.
var (
	pretensioner = []fitmentv1.Part_Kind{fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_RETRACTOR_PRETENSIONER, fitmentv1.Part_LAP_PRETENSIONER}
	driverBag    = []fitmentv1.Part_Kind{fitmentv1.Part_DRIVER_AIR_BAG}
	passengerBag = []fitmentv1.Part_Kind{fitmentv1.Part_PASSENGER_AIR_BAG}
	kneeBag      = []fitmentv1.Part_Kind{fitmentv1.Part_KNEE_AIR_BAG}
	sideBag      = []fitmentv1.Part_Kind{fitmentv1.Part_SIDE_AIR_BAG}
	curtain      = []fitmentv1.Part_Kind{fitmentv1.Part_CURTAIN_AIR_BAG}
	crashSensor  = []fitmentv1.Part_Kind{fitmentv1.Part_CRASH_SENSOR}
	occupant     = []fitmentv1.Part_Kind{fitmentv1.Part_OCCUPANT_SENSOR}
)

// reported is a code's base ("B0058") and what it says is wrong.
type reported struct {
	code, condition string
}

// meaning is one thing that codes can mean.
type meaning struct {
	dialect  string
	kinds    []fitmentv1.Part_Kind
	seat     seat
	part     string // what it concerns, in words
	codes    []reported
	source   string
	deployed bool // deployment was commanded
}

// id is what a user chooses the meaning by: "legacy-a.B0058".
func (m meaning) id(c Code) string { return m.dialect + "." + c.Base() }

// conditionFor is the condition that a code reports in this meaning: its own,
// or in the standard dialect the failure byte's.
func (m meaning) conditionFor(c Code) string {
	if m.dialect == standard && c.HasFailure {
		return failureConditions[c.Failure]
	}
	for _, r := range m.codes {
		if r.code == c.Base() {
			return r.condition
		}
	}
	return noCondition
}

// kind is the kind where the meaning settles it.
func (m meaning) kind() fitmentv1.Part_Kind {
	if len(m.kinds) == 1 {
		return m.kinds[0]
	}
	return fitmentv1.Part_KIND_UNSPECIFIED
}

// message puts the meaning into the answer's form.
func (m meaning) message(c Code, drive fitmentv1.Vehicle_DriveSide) *fitmentv1.CodeMeaning {
	condition := m.conditionFor(c)
	text := m.part
	if condition != noCondition {
		text += ": " + condition
	}
	return &fitmentv1.CodeMeaning{
		Id:                  m.id(c),
		Dialect:             m.dialect,
		Kind:                m.kind(),
		Position:            m.seat.position(drive),
		Text:                text,
		Condition:           condition,
		Source:              m.source,
		DeploymentCommanded: m.deployed,
	}
}

// meaningsOf lists everything that a code can mean, the standard's first.
func meaningsOf(c Code) []meaning {
	is := func(r reported) bool { return r.code == c.Base() }
	var found []meaning
	for _, table := range [][]meaning{standardMeanings, legacyMeanings} {
		for _, m := range table {
			if slices.ContainsFunc(m.codes, is) {
				found = append(found, m)
			}
		}
	}
	return found
}
