package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// donorKnown: the donor is known by a VIN that can exist.
func donorKnown(c *Case) Result { return c.vinOf().answer }

// labelLegible: the part's own label can be read. Somebody other than the seller
// having read the number shows the same.
func labelLegible(c *Case) Result {
	read := c.number.Known() && c.number.Level >= fitmentv1.Evidence_CONFIRMED
	result := c.proves(fitmentv1.Evidence_LABEL_LEGIBLE, evidence.Yes,
		"the label is shown and legible", "the label cannot be read, so the part cannot be identified")
	conflict := c.claims.Fact(fitmentv1.Evidence_LABEL_LEGIBLE).Conflict
	switch {
	case read && result.Answer == evidence.No:
		return unknown("the label is stated to be illegible, but somebody has read the number on it")
	case read && !conflict:
		return yes("somebody other than the seller has read the label")
	default:
		return result
	}
}

// pulledBy: it is known who took the part out.
func pulledBy(c *Case) Result {
	fact := c.claims.Fact(fitmentv1.Evidence_PULLED_BY)
	switch {
	case fact.Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case !fact.Known():
		return unknown("nothing is known about it")
	case fact.Key == "unknown" || fact.Key == "not known":
		return no("the yard does not know who pulled it")
	case !fact.Proven():
		return unknown("it is only claimed").comparing("", fact.Value)
	default:
		return yes("it is shown who pulled it").comparing("", fact.Value)
	}
}
