package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/restraint"
	"beltwright.example/services/fitment/vin"
)

// sameKind: the part is of the kind needed.
func sameKind(c *Case) Result {
	implied := ""
	if c.label != nil && c.label.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
		implied = c.label.GetKind().String()
	}
	return compare(c.want.kind, c.claims.Fact(fitmentv1.Evidence_PART_KIND), implied)
}

// samePosition: the part is made for the position needed. A proven number
// decides by the positions the part is made for, since one part may serve
// several; otherwise the position it was pulled from does.
func samePosition(c *Case) Result {
	stated := c.claims.Fact(fitmentv1.Evidence_PART_POSITION)
	switch {
	case names.OneOnly(c.need.GetKind()):
		return yes("a vehicle has only one part of this kind")
	case stated.Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case c.want.position == "":
		return ask(askPosition)
	case c.label != nil && len(c.label.GetPositions()) > 0:
		return c.positionByLabel(stated)
	case stated.Known() && stated.Key != c.want.position && c.servesBoth(stated.Key):
		return unknown("the right part serves this position too; the number on the label decides").comparing(c.want.position, stated.Value)
	default:
		return compare(c.want.position, stated, "")
	}
}

// positionByLabel answers from the positions of the part that the proven number
// stands for.
func (c *Case) positionByLabel(stated evidence.Fact) Result {
	fits := catalogue.MadeFor(c.label, c.position) == evidence.Yes
	pulled := fits
	if stated.Known() {
		from, err := names.ParsePosition(stated.Key)
		pulled = err == nil && catalogue.MadeFor(c.label, from) == evidence.Yes
	}
	switch {
	case stated.Known() && !pulled:
		return unknown("it was pulled from a position that the part of this number is not made for").comparing(c.want.position, stated.Value)
	case fits:
		return yes("the part of this number is made for the position").comparing(c.want.position, stated.Value)
	default:
		return no("the part of this number is not made for the position").comparing(c.want.position, stated.Value)
	}
}

// servesBoth tells whether a right part is also made for another position.
func (c *Case) servesBoth(position string) bool {
	other, err := names.ParsePosition(position)
	if err != nil {
		return false
	}
	for _, m := range c.rights {
		if catalogue.MadeFor(m.Part, other) == evidence.Yes {
			return true
		}
	}
	return false
}

// sameDriveSide: the donor has its steering wheel on the same side, where that
// matters for the part.
func sameDriveSide(c *Case) Result {
	stated := c.claims.Fact(fitmentv1.Evidence_DONOR_DRIVE_SIDE)
	switch {
	case c.proven == nil && c.identical:
		return yes("it bears the number of the part it replaces")
	case c.proven != nil && servesBothSides(c.proven):
		return yes("the part of this number serves both drive sides")
	case stated.Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case c.want.driveSide == "":
		return ask(askDriveSide)
	case c.proven != nil && stated.Known() && stated.Key != c.want.driveSide:
		return unknown("the donor's drive side is not the one that the part of this number is for").comparing(c.want.driveSide, stated.Value)
	case c.proven != nil:
		return yes("the part of this number is for this drive side").comparing(c.want.driveSide, stated.Value)
	default:
		return compare(c.want.driveSide, stated, "")
	}
}

// servesBothSides tells whether a part is listed for vehicles of either drive
// side, by itself or, where it has no list of its own, as what it replaces is.
func servesBothSides(m *rightPart) bool {
	uses := m.Part.GetApplications()
	if len(uses) == 0 {
		uses = m.Uses
	}
	left, right := false, false
	for _, a := range uses {
		left = left || a.GetDriveSide() != fitmentv1.Vehicle_RIGHT
		right = right || a.GetDriveSide() != fitmentv1.Vehicle_LEFT
	}
	return left && right
}

// sameRestraints: what makers filed about the restraints of vehicle and donor does
// not say opposite things outright. Silence never counts, and the number on the
// label knows better than a text.
func sameRestraints(c *Case) Result {
	if c.silent {
		return yes("nothing that is filed about the vehicle's restraints speaks against the donor")
	}
	donor, number := c.claims.Listing().GetDonor(), ""
	if fact := c.claims.Fact(aVIN); fact.Known() {
		number = fact.Key
	}
	against := c.restraints.Against(restraint.Parse(filedRestraints(donor, number)))
	if len(against) == 0 {
		return yes("what is filed about the restraints of vehicle and donor does not contradict itself")
	}
	vehicle, other := "with", "without"
	if c.restraints[against[0]] == evidence.No {
		vehicle, other = other, vehicle
	}
	sure := c.identical || (c.proven != nil && c.proven.Application == evidence.Yes)
	result := no("vehicle and donor differ in their restraints, by what is filed about them")
	if sure {
		result = unknown("vehicle and donor differ in their restraints, by what is filed about them, although the part's number is right for the vehicle")
	}
	subject := against[0].String()
	return result.comparing(vehicle+" "+subject, other+" "+subject)
}

// filedRestraints is what is filed about a vehicle's restraints: as stated, or
// else what the open VIN data says of its VIN.
func filedRestraints(v *fitmentv1.Vehicle, number string) string {
	if v.GetRestraintText() != "" || number == "" {
		return v.GetRestraintText()
	}
	return vin.Decode(&fitmentv1.DecodeVinRequest{
		Vin: number, Market: v.GetMarket(), VehicleClass: v.GetVehicleClass(), Make: v.GetMake(), Model: v.GetModel(),
	}).GetVehicle().GetRestraintText()
}
