package rules

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

func sameInterface(c *Case) Result {
	return c.design(fitmentv1.Evidence_CONNECTOR_INTERFACE, c.want.interfaces, interfaceOf)
}

func sameKeying(c *Case) Result {
	return c.design(fitmentv1.Evidence_CONNECTOR_KEYING, c.want.keying, keyingOf)
}

func sameCavities(c *Case) Result {
	return c.design(fitmentv1.Evidence_CONNECTOR_CAVITIES, c.want.cavities, cavitiesOf)
}

func sameStages(c *Case) Result {
	if !HasSquib(c.need.GetKind()) {
		return yes("a part of this kind has no squib of its own")
	}
	return c.design(fitmentv1.Evidence_STAGES, c.want.stages, stagesOf)
}

// design compares a feature that follows from the part's design: what the vehicle
// wants with what is stated and with what a proven number stands for.
func (c *Case) design(attribute Attribute, w want, of func(*fitmentv1.Part) string) Result {
	stated := c.claims.Fact(attribute)
	implied := ""
	if c.label != nil {
		implied = of(c.label)
	}
	wanted := w.seen
	switch {
	case wanted != "":
	case c.proven != nil:
		wanted = implied
	default:
		wanted = w.common
	}
	if c.identical && !stated.Conflict {
		against := stated.Known() && (wanted == "" || stated.Key != wanted)
		if !against && (implied == "" || wanted == "" || implied == wanted) {
			return yes("it bears the number of the part it replaces").comparing(wanted, stated.Value)
		}
		return unknown("it bears the number of the part it replaces, but what is known of its design contradicts that").comparing(wanted, stated.Value)
	}
	return compare(wanted, stated, implied)
}

// wholeClip: the shorting clip that protects an unplugged squib is there.
func wholeClip(c *Case) Result {
	if !HasSquib(c.need.GetKind()) {
		return yes("a part of this kind has no squib of its own")
	}
	return c.proves(fitmentv1.Evidence_SHORTING_CLIP_PRESENT, evidence.Yes,
		"the shorting clip is shown to be there", "the shorting clip is missing or damaged")
}

// wholePigtail: the part's own lead is not cut.
func wholePigtail(c *Case) Result {
	if c.need.GetKind() == fitmentv1.Part_PIGTAIL {
		return yes("a pigtail is cut from its harness by nature")
	}
	return c.proves(fitmentv1.Evidence_PIGTAIL_CUT, evidence.No,
		"connector and lead are shown to be whole", "the connector's lead was cut")
}
