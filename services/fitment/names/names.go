// Package names says how makers' and models' names, part numbers and seating
// positions are written and compared.
package names

import (
	"errors"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/partnumber"
)

// Fold brings a name (maker, make, model, body, …) into the form in which two
// names are compared; see partnumber.Fold.
func Fold(name string) string { return partnumber.Fold(name) }

// ErrNumber is partnumber.ErrNumber: a text is no part number.
var ErrNumber = partnumber.ErrNumber

// NumberKey brings a part number into the form in which two are compared; see
// partnumber.Key.
func NumberKey(number string) (string, error) { return partnumber.Key(number) }

// Rows of seats that a position may name.
const maxRow = 9

// PositionForm says how a position is written.
const PositionForm = `a row from 1 to 9 and a side as seated, such as "1 RIGHT"`

// ErrPosition means that a text is no seating position.
var ErrPosition = errors.New("no seating position; expected " + PositionForm)

// ParsePosition reads a position such as "1 RIGHT", in any case.
func ParsePosition(text string) (*fitmentv1.Position, error) {
	fields := strings.Fields(text)
	if len(fields) != 2 {
		return nil, ErrPosition
	}
	row, err := strconv.ParseUint(fields[0], 10, 8)
	side := fitmentv1.Position_Side_value[strings.ToUpper(fields[1])]
	// Of the letters that have an English capital, all but the look-alikes are as
	// long as it.
	alike := len(fields[1]) != len(fitmentv1.Position_Side_name[side])
	if err != nil || row < 1 || row > maxRow || side == 0 || alike {
		return nil, ErrPosition
	}
	return &fitmentv1.Position{Row: int32(row), Side: fitmentv1.Position_Side(side)}, nil
}

// PositionText writes a position as ParsePosition reads it.
func PositionText(position *fitmentv1.Position) string {
	if position.GetRow() == 1 { // the common ones, without building them
		switch position.GetSide() {
		case fitmentv1.Position_LEFT:
			return "1 LEFT"
		case fitmentv1.Position_RIGHT:
			return "1 RIGHT"
		default:
		}
	}
	return strconv.Itoa(int(position.GetRow())) + " " + position.GetSide().String()
}

// OneOnly tells whether a vehicle has exactly one part of a kind, so that a
// position tells nothing.
func OneOnly(kind fitmentv1.Part_Kind) bool {
	return kind == fitmentv1.Part_CONTROL_MODULE || kind == fitmentv1.Part_CLOCK_SPRING
}

// NeedPosition is the position a need is about. Where the need states none, the
// front air bags' follows from the drive side: the driver sits behind the
// steering wheel, the front passenger on the other side. Zero fields are not
// known; a statement that contradicts the drive side counts as not known.
func NeedPosition(need *fitmentv1.Need) *fitmentv1.Position {
	stated, drive := need.GetPosition(), need.GetVehicle().GetDriveSide()
	implied := seatOf(need.GetKind(), drive)
	switch {
	case implied == nil:
		return stated
	case stated.GetRow() == 0 && stated.GetSide() == 0:
		return implied
	case stated.GetRow() != implied.GetRow() || stated.GetSide() != implied.GetSide():
		return nil
	}
	return implied
}

// seatOf is where a driver's or front passenger's air bag belongs, nil where the
// kind or the drive side does not say.
func seatOf(kind fitmentv1.Part_Kind, drive fitmentv1.Vehicle_DriveSide) *fitmentv1.Position {
	left := drive == fitmentv1.Vehicle_LEFT
	switch {
	case drive != fitmentv1.Vehicle_LEFT && drive != fitmentv1.Vehicle_RIGHT:
		return nil
	case kind == fitmentv1.Part_DRIVER_AIR_BAG:
	case kind == fitmentv1.Part_PASSENGER_AIR_BAG:
		left = !left
	default:
		return nil
	}
	if left {
		return &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_LEFT}
	}
	return &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}
}
