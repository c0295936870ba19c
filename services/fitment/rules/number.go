package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
)

const (
	severalMakers      = "several makers use this number; the label must also show the maker"
	identicalElsewhere = "it bears the number of the part it replaces, but the catalogue does not list that number for the vehicle"
	makersDisputed     = "the statements about the part's maker contradict each other or cannot be read"
)

// rightNumber: the number on the label is that of a part listed for the vehicle,
// or of one that replaces it there, in one step or several.
func rightNumber(c *Case) Result {
	switch {
	case c.number.Conflict:
		return unknown("the statements about the part number contradict each other or cannot be read")
	case !c.number.Known():
		return unknown("the number on the label is not known")
	case c.maker.Conflict:
		return unknown(makersDisputed).about(aMaker)
	case c.ambiguous:
		return unknown(severalMakers).about(aMaker)
	case c.right != nil:
		return c.levelled(c.againstReplaced())
	}
	if known, result := c.byReplaced(); known {
		return c.levelled(result)
	}
	return c.otherNumber()
}

// levelled turns a yes on a number that is not proven into unknown.
func (c *Case) levelled(r Result) Result {
	switch {
	case r.Answer != evidence.Yes || c.numbered:
	case c.number.Proven():
		r.Answer, r.Why, r.About = evidence.Unknown, severalMakers, aMaker
	default:
		r.Answer, r.Why = evidence.Unknown, "the part number is only claimed"
	}
	return r
}

// againstReplaced checks a right part against the number on the part it is to
// replace: a vehicle that bears a number which the catalogue neither lists for
// it nor replaces by this one is not the vehicle the catalogue means, or was
// repaired with another part.
func (c *Case) againstReplaced() Result {
	q := c.Question
	fits := yes("the number is that of a part listed for the vehicle")
	if c.right.Via == fitmentv1.PartMatch_SUPERSESSION {
		fits = yes("the number replaces that of a part listed for the vehicle")
	}
	fits = fits.comparing(c.right.Replaces, c.number.Value)
	if q.replaced == "" {
		return fits
	}
	for i := range q.rights {
		if q.rights[i].number == q.replaced && (q.replacedMaker == "" || q.replacedMaker == q.rights[i].maker) {
			return fits
		}
	}
	maker := q.replacedMaker
	if maker == "" {
		maker = c.right.maker
	}
	if q.replacing(maker).Answer(c.number.Key) == evidence.Yes {
		return fits
	}
	return unknown("the part in the vehicle bears a number that the catalogue does not list for the vehicle").comparing(q.need.GetPartNumber(), c.number.Value)
}

// byReplaced answers by the number on the part to be replaced alone, where the
// catalogue lists no such part for the vehicle.
func (c *Case) byReplaced() (known bool, result Result) {
	q := c.Question
	if q.replaced == "" {
		return false, Result{}
	}
	if c.sameAsReplaced() {
		if c.excluded() {
			return true, unknown(identicalElsewhere)
		}
		return true, yes("it bears the number of the part it replaces")
	}
	maker := c.madeBy()
	if maker == "" {
		maker = q.replacedMaker
	}
	if q.replacedMaker != "" && maker != q.replacedMaker {
		return false, Result{}
	}
	switch q.replacing(maker).Answer(c.number.Key) {
	case evidence.Yes:
		return true, yes("the number replaces that of the part in the vehicle").comparing(q.need.GetPartNumber(), c.number.Value)
	case evidence.No:
		return false, Result{}
	default:
		return true, ask(askSupersession)
	}
}

// excluded tells whether the catalogue lists vehicles for the part and this one
// is definitely not among them.
func (c *Case) excluded() bool {
	if c.listed == nil || c.right != nil {
		return false
	}
	answer, _ := catalogue.Applies(c.listed, c.need.GetVehicle())
	return answer == evidence.No
}

// otherNumber answers for a number that is neither right nor replaces a right one.
func (c *Case) otherNumber() Result {
	q := c.Question
	switch {
	case c.excluded():
		return no("the catalogue lists other vehicles for this number").comparing(q.rightNumbers(), c.number.Value)
	case len(q.rights) == 0:
		return unknown("the catalogue lists no part for this vehicle, kind and position")
	case q.cut != "":
		return unknown(q.cut).comparing(q.rightNumbers(), c.number.Value)
	case c.listed != nil && len(c.listed.GetApplications()) == 0 && c.listed.GetKind() == q.need.GetKind():
		return unknown("the catalogue knows the number but not the vehicles it is for").comparing(q.rightNumbers(), c.number.Value)
	default:
		return no("it is not the number of a part listed for the vehicle").comparing(q.rightNumbers(), c.number.Value)
	}
}

// rightNumbers is the first right number, for messages.
func (q *Question) rightNumbers() string {
	if len(q.rights) == 0 {
		return ""
	}
	return q.rights[0].Part.GetNumber()
}

// rightVehicle: the catalogue lists the vehicle for the part of this number, in
// everything the listing of vehicles depends on.
func rightVehicle(c *Case) Result {
	switch {
	case c.number.Conflict:
		return unknown("the statements about the part number contradict each other or cannot be read")
	case c.maker.Conflict:
		return unknown(makersDisputed).about(aMaker)
	case c.ambiguous:
		return unknown(severalMakers).about(aMaker)
	case c.proven != nil && c.proven.Application == evidence.Yes:
		return yes("the catalogue lists the vehicle for the part of this number")
	case c.proven != nil && c.identical:
		return yes("it bears the number of the part it replaces")
	case c.proven != nil:
		return c.open(c.proven)
	case c.right != nil && c.right.Application != evidence.Yes:
		return c.open(c.right)
	}
	if c.number.Known() && c.right == nil {
		if known, result := c.byReplaced(); known {
			return c.levelled(result)
		}
		if c.excluded() {
			return no("the catalogue lists other vehicles for this number")
		}
	}
	if len(c.rights) == 0 {
		return unknown("the catalogue lists no part for this vehicle, kind and position")
	}
	return unknown("only the vehicle speaks for the part: the number on its label is not proven")
}

// open asks for what an open application waits for.
func (q *Question) open(m *rightPart) Result {
	v := q.need.GetVehicle()
	for _, a := range m.Uses {
		years := &fitmentv1.Part_Application{YearFrom: a.GetYearFrom(), YearTo: a.GetYearTo()}
		side := &fitmentv1.Part_Application{DriveSide: a.GetDriveSide()}
		switch {
		case catalogue.Covers(years, v) == evidence.Unknown:
			return ask(askModelYear)
		case catalogue.BuiltIn(a, v.GetBuildDate()) == evidence.Unknown:
			return ask(askBuildDate)
		case catalogue.Covers(side, v) == evidence.Unknown:
			return ask(askDriveSide)
		case catalogue.Same(a.GetBody(), v.GetBody()) == evidence.Unknown:
			return ask(askBody)
		case catalogue.Same(a.GetMarket(), v.GetMarket()) == evidence.Unknown:
			return ask(askMarket)
		}
	}
	if catalogue.MadeFor(m.Part, q.position) == evidence.Unknown && names.PositionText(q.position) != "" && q.want.position == "" {
		return ask(askPosition)
	}
	return ask(askSupersession)
}
