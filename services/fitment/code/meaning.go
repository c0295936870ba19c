package code

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Conditions that a code reports about its loop.
const (
	NoCondition   = ""
	OpenOrHigh    = "open or high"
	LowOrShorted  = "low or shorted"
	OutOfRange    = "out of range"
	ShortOrVolts  = "short or voltage"
	ToGround      = "short to ground"
	ToBattery     = "short to battery"
	BatteryOrOpen = "short to battery or open"
)

// Conditions lists them all.
func Conditions() []string {
	return []string{NoCondition, OpenOrHigh, LowOrShorted, OutOfRange, ShortOrVolts, ToGround, ToBattery, BatteryOrOpen}
}

// Standard is the id of the dialect of SAE J2012.
const Standard = "standard"

// Dialect is a way of reading codes.
type Dialect struct {
	// ID names it.
	ID string
	// Text says in words what it is.
	Text string
	// Source is where its tables are from.
	Source string
	// Codes is how many numbers its tables know.
	Codes int

	like string
}

// Meaning is what a code means in one dialect.
type Meaning struct {
	// ID is what a user chooses the meaning by: "legacy-a.B0058".
	ID string
	// Dialect is the id of the dialect.
	Dialect string
	// Kinds are the kinds of part that it may concern; a code that says
	// "pretensioner" does not say which of the three. Empty where it concerns
	// none of ours.
	Kinds []fitmentv1.Part_Kind
	// Part says in words what it concerns.
	Part string
	// Condition is what it reports, one of the conditions above.
	Condition string
	// Source is where it is published.
	Source string
	// Deployed is true where it says that deployment was commanded.
	Deployed bool

	row  int32
	side seat
}

// seat is where a meaning places its part: a side, or the driver's or
// passenger's, which the drive side turns into one.
type seat string

const (
	anywhere  seat = ""
	onLeft    seat = "left"
	onRight   seat = "right"
	inCentre  seat = "centre"
	driver    seat = "driver"
	passenger seat = "passenger"
)

// Kind is the kind of part where the meaning settles it, otherwise unspecified.
func (m Meaning) Kind() fitmentv1.Part_Kind {
	if len(m.Kinds) == 1 {
		return m.Kinds[0]
	}
	return fitmentv1.Part_KIND_UNSPECIFIED
}

// Text is the meaning in words, with the condition where there is one.
func (m Meaning) Text() string {
	if m.Condition == NoCondition {
		return m.Part
	}
	return m.Part + ": " + m.Condition
}

// Position is where the part sits in a vehicle of that drive side; nil where the
// meaning names no place.
func (m Meaning) Position(drive fitmentv1.Vehicle_DriveSide) *fitmentv1.Position {
	if m.row == 0 && m.side == anywhere {
		return nil
	}
	return &fitmentv1.Position{Row: m.row, Side: m.side.on(drive)}
}

func (s seat) on(drive fitmentv1.Vehicle_DriveSide) fitmentv1.Position_Side {
	left := drive == fitmentv1.Vehicle_LEFT
	switch {
	case s == onLeft:
		return fitmentv1.Position_LEFT
	case s == onRight:
		return fitmentv1.Position_RIGHT
	case s == inCentre:
		return fitmentv1.Position_CENTRE
	case s == anywhere, drive == fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED:
		return fitmentv1.Position_SIDE_UNSPECIFIED
	case (s == driver) == left:
		return fitmentv1.Position_LEFT
	default:
		return fitmentv1.Position_RIGHT
	}
}

// Proto puts the meaning into the API's form for a vehicle of that drive side.
func (m Meaning) Proto(drive fitmentv1.Vehicle_DriveSide) *fitmentv1.CodeMeaning {
	return &fitmentv1.CodeMeaning{
		Id: m.ID, Dialect: m.Dialect, Kind: m.Kind(), Position: m.Position(drive), Text: m.Text(),
		Condition: m.Condition, Source: m.Source, DeploymentCommanded: m.Deployed,
	}
}
