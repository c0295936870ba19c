package rules

import (
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/jurisdiction"
)

// law is what the places of seller and installer demand for the kind needed.
type law struct {
	jurisdiction.Weighed

	sale, reuse []*jurisdiction.Provision
}

// weighLaw works out the law for a seller's place.
func (q *Question) weighLaw(seller string) *law {
	l := &law{Weighed: q.policy.packs().For(seller, q.need.GetJurisdiction())}
	for _, pack := range l.Packs {
		for i := range pack.Provisions {
			switch p := &pack.Provisions[i]; {
			case !p.About(q.need.GetKind()):
			case p.Sale:
				l.sale = append(l.sale, p)
			default:
				l.reuse = append(l.reuse, p)
			}
		}
	}
	return l
}

// lawHere is the law of the listing's place and the need's, worked out once.
func (c *Case) lawHere() *law {
	if c.law == nil {
		c.law = c.lawAt(c.claims.Listing().GetJurisdiction())
	}
	return c.law
}

// maySell: what the law demands before the part is sold is shown.
func maySell(c *Case) Result { return c.obeys(c.lawHere().sale) }

// mayFit: what the law demands before the part is fitted is shown.
func mayFit(c *Case) Result { return c.obeys(c.lawHere().reuse) }

func partsOfSale(c *Case) []Part { return provisionParts(c.lawHere().sale) }
func partsOfUse(c *Case) []Part  { return provisionParts(c.lawHere().reuse) }

// obeys answers whether all provisions hold, with the one that decides.
func (c *Case) obeys(provisions []*jurisdiction.Provision) Result {
	if len(provisions) == 0 {
		return yes("no law on record here demands anything of such a part")
	}
	result := yes("what the law on record here demands is shown")
	for _, p := range provisions {
		switch r := c.provided(p); r.Answer {
		case evidence.Yes:
		case evidence.No:
			return r
		default:
			if result.Answer == evidence.Yes {
				result = r
			}
		}
	}
	return result
}

// provided answers whether one provision holds.
func (c *Case) provided(p *jurisdiction.Provision) Result {
	var result Result
	switch p.Condition {
	case jurisdiction.Forbidden:
		result = no("the law allows no such part")
	case jurisdiction.NeverRecalled:
		result = c.neverRecalled().about(aRecallOpen)
	case jurisdiction.Evidence:
		result = c.demanded(p).about(p.Attribute)
	default:
		result = unknown("the law demands what cannot be weighed here")
	}
	result.Law = p
	return result
}

// demanded answers whether a fact that the law demands is shown.
func (c *Case) demanded(p *jurisdiction.Provision) Result {
	fact := c.claims.Fact(p.Attribute)
	switch {
	case p.Value != "":
		result := c.proves(p.Attribute, evidence.Of(p.Value == saysYes), "what the law demands is shown", "what is stated is not what the law demands")
		if result.Answer == evidence.Yes && p.MaxAgeDays > 0 && !catalogue.Recent(fact.Date, c.today, p.MaxAgeDays) {
			return unknown("the evidence that the law demands has no date, or is too old").comparing("", fact.Date)
		}
		return result
	case p.Attribute == aVIN:
		return donorKnown(c)
	case p.Attribute == aPulledBy:
		return pulledBy(c)
	case fact.Conflict:
		return unknown("the statements about what the law demands contradict each other or cannot be read")
	case !fact.Known():
		return unknown("what the law demands is not known")
	case !fact.Proven():
		return unknown("what the law demands is only claimed")
	default:
		return yes("what the law demands is shown")
	}
}

// provisionParts splits provisions into conditions with what each depends on.
func provisionParts(provisions []*jurisdiction.Provision) []Part {
	parts := make([]Part, 0, len(provisions))
	for _, p := range provisions {
		reads := []Attribute{p.Attribute}
		switch {
		case p.Condition == jurisdiction.NeverRecalled:
			reads = recallReads
		case p.Condition != jurisdiction.Evidence:
			reads = nil
		case p.Attribute == aVIN:
			reads = vinReads
		}
		parts = append(parts, Part{Reads: reads, Check: func(c *Case) Result { return c.provided(p) }})
	}
	return parts
}
