package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// Ask says how evidence about an attribute is got.
type Ask struct {
	// Attribute is what it is about.
	Attribute Attribute
	// Text says what to ask for or do, as a sentence.
	Text string
	// Minutes is the cost: minutes of somebody's work. At least 0.
	Minutes float64
	// Good is the chance, 0 to 1, that the answer speaks for the part.
	Good float64
}

// Things about the vehicle that a decision may wait for.
const (
	askModelYear    = "Find out the vehicle's model year (its VIN tells it)."
	askBuildDate    = "Find out the vehicle's build date (it is on the certification label)."
	askBody         = "State the vehicle's body."
	askDriveSide    = "State on which side the vehicle's steering wheel is."
	askMarket       = "Find out for which market the vehicle was built."
	askPosition     = "State the seating position: row, and side as seated."
	askSupersession = "Find out the vehicle's model year, build date, plant, market and options as far as they are not stated: the part replaces the right one on a condition of these."
)

// Cost and chance of a question about the vehicle, and of anything that no row of
// the table covers (guesses, no source).
const (
	vehicleMinutes = 3
	vehicleGood    = 0.8
	otherMinutes   = 20
	otherGood      = 0.5
)

// DefaultAsks is the table of what evidence costs and how likely it speaks for
// the part. The texts are this project's; minutes and chances are guesses without
// source, to be replaced by a business's own in Policy.Asks. They change in which
// order evidence is asked for, never an answer.
func DefaultAsks() []Ask {
	return []Ask{
		{aNumber, "Ask the yard for a photo of the part's label that shows maker and number.", 4, 0.7},
		{aMaker, "Ask the yard for a photo of the part's label that shows its maker.", 4, 0.9},
		{aLegible, "Ask the yard for a photo of the label in which everything can be read.", 3, 0.9},
		{aKind, "Ask the yard for a photo of the whole part.", 4, 0.95},
		{aPosition, "Ask the yard for a photo of the part in place, or of its mounting, that shows the seat it was pulled from.", 5, 0.9},
		{aDriveSide, "Ask the yard for a photo of the donor that shows the steering wheel.", 3, 0.95},
		{aYear, "Ask the yard for the donor's model year with a document (title, build label).", 4, 0.9},
		{aVIN, "Ask the yard for a photo of the donor's VIN plate.", 4, 0.95},
		{aInterface, "Ask the yard for a photo into the part's connector, beside the one in the vehicle.", 5, 0.85},
		{aKeying, "Ask the yard for a photo of the connector's keys, beside the one in the vehicle.", 5, 0.85},
		{aCavities, "Ask the yard for a photo into the connector on which the cavities can be counted.", 4, 0.95},
		{aClip, "Ask the yard for a photo into the connector on which the shorting clip can be seen.", 5, 0.9},
		{aPigtail, "Ask the yard for a photo of connector and lead that shows whether they were cut.", 3, 0.85},
		{aStages, "Ask the yard for a photo that shows how many squib connectors the part has.", 4, 0.95},
		{aLoop, "Ask the yard for the loop value of each stage as a restraint module reported it with the part in place, by the vehicle maker's procedure. " + nobodyMeters, 20, 0.85},
		{aMarks, "Ask the yard for photos of the part from all sides.", 5, 0.85},
		{aCrash, "Ask the yard for a read-out of the donor's restraint module (stored deployments and crashes).", 25, 0.7},
		{aCode, "Ask the yard for the donor's restraint codes as read, with the tool's own text for each.", 15, 0.8},
		{aCodes, "Ask the yard for the donor's restraint codes as read, with the vehicle's exact model and year, so that it can be told what they mean.", 15, 0.8},
		{aBelt, "Ask the yard for the donor's damage report: was this seat's belt worn in a collision?", 15, 0.75},
		{aFlood, "Ask the yard for the donor's title and damage report: did it stand in a flood?", 8, 0.95},
		{aFire, "Ask the yard for the donor's title and damage report: was it in a fire?", 6, 0.97},
		{aRecallOpen, "Query the donor's VIN for open recalls and keep the dated answer, or load a recent, complete set of notices.", 6, 0.85},
		{aRemedied, "Ask the yard for the document that shows the recall's remedy.", 15, 0.4},
		{aPulledBy, "Ask the yard who pulled the part.", 3, 0.9},
		{aDamage, "Ask the yard for close photos of the part from all sides: is anything cut, cracked, bent, frayed, melted or corroded?", 5, 0.9},
		{aCosmetic, "Ask the yard for a photo of the part's visible side.", 3, 0.7},
		{aProgrammable, "Ask the vehicle maker's service texts or its dealer whether the module can be set up for another vehicle.", 15, 0.6},
		{aTheft, "Ask the yard for the dated answer of the theft bureau to a query by part number and donor VIN.", 15, 0.95},
		{aStatement, "Ask the yard for its signed statement about part and donor.", 8, 0.9},
		{aMade, "Ask the yard for a photo of the part's label that shows when it was made.", 4, 0.8},
	}
}

// words names attributes in text.
var words = map[Attribute]string{
	aNumber: "the number on the label", aKind: "the kind of part", aPosition: "the position it was pulled from",
	aDriveSide: "the donor's drive side", aYear: "the donor's model year", aVIN: "the donor's VIN",
	aInterface: "the connection interface", aKeying: "the connector's keying", aCavities: "the connector's cavities",
	aClip: "the shorting clip", aPigtail: "the connector's lead", aStages: "the number of stages", aLoop: "the loop's resistance",
	aMarks: "signs of deployment", aCrash: "the donor's crash record", aCode: "the donor's deployment codes",
	aBelt: "use of the belt in a collision", aFlood: "a flood", aFire: "a fire", aRecallOpen: "open recalls",
	aLegible: "the label", aPulledBy: "who pulled the part", aRemedied: "the recall's remedy",
	aMaker: "the maker on the label", aCodes: "the donor's codes", aDamage: "damage", aCosmetic: "blemishes",
	aProgrammable: "setting up the module for another vehicle", aTheft: "the query of the theft bureau",
	aStatement: "the seller's signed statement", aMade: "the date of manufacture",
}

// askFor returns the row of the table for an attribute.
func (p Policy) askFor(attribute Attribute) Ask {
	asks := p.Asks
	if len(asks) == 0 {
		asks = defaultAsks
	}
	for _, a := range asks {
		if a.Attribute == attribute && a.Minutes >= 0 && a.Good >= 0 && a.Good <= 1 {
			return a
		}
	}
	return Ask{Attribute: attribute, Text: "Ask the yard for evidence about " + words[attribute] + ".", Minutes: otherMinutes, Good: otherGood}
}

var defaultAsks = DefaultAsks()

// What a yes-or-no attribute says.
const (
	saysYes = "yes"
	saysNo  = "no"
)

// other is a value of an attribute that speaks against the part.
func (q *Question) other(attribute Attribute) string {
	switch attribute {
	case aClip, aLegible, aProgrammable, aTheft, aStatement:
		return saysNo
	case aPulledBy:
		return "unknown"
	case aMade:
		return "1900"
	case aCodes:
		return "B0051"
	case aMaker:
		return "another maker"
	case aKind:
		if q.need.GetKind() == fitmentv1.Part_PIGTAIL {
			return fitmentv1.Part_CLOCK_SPRING.String()
		}
		return fitmentv1.Part_PIGTAIL.String()
	case aPosition:
		return "9 CENTRE"
	case aDriveSide:
		if q.want.driveSide == "LEFT" {
			return "RIGHT"
		}
		return "LEFT"
	case aNumber:
		return "NOSUCHNUMBER"
	case aInterface, aKeying, aVIN:
		return "another"
	case aYear, aCavities, aStages:
		return "65535"
	default:
		return saysYes
	}
}

// good is a value of an attribute that speaks for the part, empty where none is
// known.
func (c *Case) good(attribute Attribute) string {
	switch attribute {
	case aClip, aLegible, aProgrammable, aTheft, aStatement:
		return saysYes
	case aMade:
		return c.day
	case aCodes:
		return "none"
	case aMaker:
		_, maker := c.goodNumber()
		return maker
	case aKind:
		return c.want.kind
	case aPosition:
		return c.want.position
	case aDriveSide:
		return c.want.driveSide
	case aNumber:
		number, _ := c.goodNumber()
		if c.number.Proven() && c.number.Key == number {
			return "" // it is shown already
		}
		return number
	case aInterface:
		return c.want.interfaces.either()
	case aKeying:
		return c.want.keying.either()
	case aCavities:
		return c.want.cavities.either()
	case aStages:
		return c.want.stages.either()
	case aYear:
		if year, known := c.statedYear(); known {
			return count(year)
		}
		return count(c.need.GetVehicle().GetModelYear())
	case aVIN, aLoop, aPulledBy:
		return "assumed"
	case aRemedied:
		return ""
	default:
		return saysNo
	}
}

func (w want) either() string {
	if w.seen != "" {
		return w.seen
	}
	return w.common
}

// goodNumber is the number that is hoped for, and its maker where it is known: the
// one stated where it is right, otherwise the surest right one of the maker that is
// stated. A part that may not be taken from another vehicle is hoped for last.
func (c *Case) goodNumber() (number, maker string) {
	if c.right != nil && !c.hopeless(c.right.Part) {
		return c.number.Key, c.right.maker
	}
	if c.number.Known() && c.sameAsReplaced() {
		return c.number.Key, c.madeBy()
	}
	var best *rightPart
	for i := range c.rights {
		m := &c.rights[i]
		if c.seller != "" && c.seller != m.maker {
			continue
		}
		if best == nil || c.better(m, best) {
			best = m
		}
	}
	if best == nil {
		return c.replaced, c.replacedMaker
	}
	return best.number, best.maker
}

// better tells whether one right part is the one to hope for rather than another
// one, that comes before it in order.
func (c *Case) better(a, b *rightPart) bool {
	if hopeless := c.hopeless(a.Part); hopeless != c.hopeless(b.Part) {
		return !hopeless
	}
	stated := c.number.Known()
	if mine := stated && a.number == c.number.Key; mine != (stated && b.number == c.number.Key) {
		return mine
	}
	return a.Application == evidence.Yes && b.Application != evidence.Yes
}

// hopeless tells whether a part of this number can never be used again.
func (c *Case) hopeless(p *fitmentv1.Part) bool {
	return ruledOut(p) || (p.GetProgramming() == fitmentv1.Part_LOCKED && c.need.GetKind() == fitmentv1.Part_CONTROL_MODULE)
}
