package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// noMarks: nothing on the part looks deployed.
func noMarks(c *Case) Result {
	return c.proves(fitmentv1.Evidence_DEPLOYMENT_MARKS, evidence.No,
		"no signs of deployment are shown", "it shows signs of deployment")
}

// noCrashRecord: the donor's module stores no deployment or crash.
func noCrashRecord(c *Case) Result {
	return c.afterCrash(fitmentv1.Evidence_CRASH_RECORD,
		"the donor's module is shown to store no deployment or crash", "the donor's module stores a deployment or crash")
}

// afterCrash bars what a recorded crash makes unfit for plain reuse: the module
// and sensors that stored or sensed it, and belts. Whether other parts of such a
// donor are still good is contested, so for them the answer stays unknown.
func (c *Case) afterCrash(attribute Attribute, fine, bad string) Result {
	result := c.proves(attribute, evidence.No, fine, bad)
	if result.Answer != evidence.No {
		return result
	}
	return c.barredByCrash(bad)
}

// barredByCrash is the answer for a part of a donor in which deployment was
// commanded or a crash stored.
func (c *Case) barredByCrash(bad string) Result {
	kind := c.need.GetKind()
	if isBelt(kind) || kind == fitmentv1.Part_CONTROL_MODULE || kind == fitmentv1.Part_CRASH_SENSOR || kind == fitmentv1.Part_KIND_UNSPECIFIED {
		return no(bad)
	}
	return unknown(contested).comparing("", bad)
}

const contested = "the donor had a crash that its module stored; whether a part of this kind that did not deploy is still good is contested"

// beltNotLoaded: the belt was not worn in a collision.
func beltNotLoaded(c *Case) Result {
	if !isBelt(c.need.GetKind()) && c.need.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
		return yes("it is no part of a belt")
	}
	return c.proves(fitmentv1.Evidence_BELT_IN_USE_COLLISION, evidence.No,
		"the belt is shown not to have been in use in a collision", "the belt was in use in a collision")
}

// noFlood: the donor stood in no flood.
func noFlood(c *Case) Result {
	return c.proves(fitmentv1.Evidence_FLOOD, evidence.No, "the donor is shown not to have stood in a flood", "the donor stood in a flood")
}

// noFire: the donor was in no fire.
func noFire(c *Case) Result {
	return c.proves(fitmentv1.Evidence_FIRE, evidence.No, "the donor is shown not to have been in a fire", "the donor was in a fire")
}
