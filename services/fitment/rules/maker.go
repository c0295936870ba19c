package rules

import (
	"slices"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// programmable: a module that holds data can be set up for another vehicle.
func programmable(c *Case) Result {
	if c.need.GetKind() != fitmentv1.Part_CONTROL_MODULE {
		return yes("a part of this kind holds no data of its vehicle")
	}
	const contradicts = "what is stated contradicts what the part number stands for"
	said, _ := c.claims.Bool(aProgrammable)
	programming := c.label.GetProgramming()
	free := programming == fitmentv1.Part_NONE || programming == fitmentv1.Part_SETUP
	switch {
	case c.claims.Fact(aProgrammable).Conflict:
		return unknown("the statements about it contradict each other or cannot be read")
	case programming == fitmentv1.Part_LOCKED && said == evidence.Yes, free && said == evidence.No:
		return unknown(contradicts)
	case programming == fitmentv1.Part_LOCKED:
		return no("a module of this number stays bound to the vehicle that it was first set up for").about(aNumber)
	case free:
		return yes("a module of this number can serve another vehicle; set it up by the vehicle maker's procedure").about(aNumber)
	default:
		return c.proves(aProgrammable, evidence.Yes,
			"it is shown that the module can be set up for another vehicle", "the module cannot be set up for another vehicle")
	}
}

// donorAllowed: the vehicle's maker does not rule out such a part from another
// vehicle. Where no number is proven it may be the listed part or any right one.
func donorAllowed(c *Case) Result {
	const forbids = "the vehicle's maker rules out such a part from another vehicle"
	if c.label != nil {
		if ruledOut(c.label) {
			return no(forbids)
		}
		return yes("the catalogue knows of no rule of the vehicle maker's against such a part from another vehicle")
	}
	all, out := len(c.rights), c.forbidden
	if c.listed != nil && c.right == nil {
		all++
		if ruledOut(c.listed) {
			out++
		}
	}
	switch out {
	case 0:
		return yes("the catalogue knows of no rule of the vehicle maker's against such a part from another vehicle")
	case all:
		return no(forbids)
	default:
		return unknown("the vehicle's maker rules out some of these parts from another vehicle: the number on the label decides")
	}
}

func ruledOut(p *fitmentv1.Part) bool { return p.GetDonorPolicy() == fitmentv1.Part_FORBIDDEN }

// usedAgain: what fastens the part may be used again.
func usedAgain(c *Case) Result {
	return c.fitting(len(c.label.GetOneUse()),
		"the maker wants fasteners or locks renewed when it is fitted", "the maker lists no fastener or lock that is used once")
}

// replacedAlone: the part may be replaced without others.
func replacedAlone(c *Case) Result {
	return c.fitting(len(c.label.GetReplaceWith()),
		"the maker wants other parts replaced together with it", "the maker lists no part that is replaced together with it")
}

// fitting answers from the length of a list of what fitting the part takes.
func (c *Case) fitting(listed int, bad, fine string) Result {
	switch {
	case listed > 0:
		return no(bad)
	case c.label.GetFittingKnown():
		return yes(fine)
	case c.label != nil:
		return unknown("the catalogue does not say what fitting it takes")
	default:
		return unknown("which part it is, is not proven")
	}
}

// fittingLists is what fitting the part takes beside it: of the proven part, and
// where none is proven, of every right one.
func (c *Case) fittingLists() (once []*fitmentv1.Part_OneUse, others []*fitmentv1.Part_Related) {
	if c.label != nil {
		return c.label.GetOneUse(), c.label.GetReplaceWith()
	}
	for i := range c.rights {
		once = union(once, c.rights[i].Part.GetOneUse())
		others = union(others, c.rights[i].Part.GetReplaceWith())
	}
	return once, others
}

// union adds the messages that are not there yet.
func union[M proto.Message](list, more []M) []M {
	for _, m := range more {
		if !slices.ContainsFunc(list, func(other M) bool { return proto.Equal(m, other) }) {
			list = append(list, m)
		}
	}
	return list
}
