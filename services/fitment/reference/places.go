package reference

import (
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Condition is what a provision demands.
type Condition int

// The conditions.
const (
	// Forbidden allows nothing.
	Forbidden Condition = iota
	// NeverRecalled demands that no recall has ever covered the part.
	NeverRecalled
	// Evidenced demands a fact.
	Evidenced
)

// Provision is a rule of a place's law.
type Provision struct {
	// Sale is true for a rule on selling, false for one on fitting.
	Sale bool
	// Kinds are those that it is about; none for all.
	Kinds []fitmentv1.Part_Kind
	// Condition is what it demands; Attribute, Value and MaxAgeDays say which
	// fact, where it demands one. No value means that it must be known.
	Condition  Condition
	Attribute  fitmentv1.Evidence_Attribute
	Value      string
	MaxAgeDays int
}

// Place is the law of a place.
type Place struct {
	// Code is the place's code, and Within that of a place whose law holds there
	// too.
	Code, Within string
	// Divided is true where its parts have law of their own, so that its code alone
	// does not say what holds.
	Divided bool
	// Also are places in it that have no law of their own.
	Also []string
	// Provisions are its rules.
	Provisions []Provision
}

// inForce lists the places whose law counts for a code; known is false where it is
// not known which law that is.
func (q *Question) inForce(code string) (codes []string, known bool) {
	country, _, _ := strings.Cut(code, "-")
	// in this order: its own law, that of which it is a part, that of its country
	for _, speaks := range []func(p *Place) bool{
		func(p *Place) bool { return p.Code == code },
		func(p *Place) bool { return slices.Contains(p.Also, code) || slices.Contains(p.Also, country) },
		func(p *Place) bool { return p.Code == country },
	} {
		for at := range q.facts.Places {
			p := &q.facts.Places[at]
			if !speaks(p) {
				continue
			}
			known = !p.Divided
			for p != nil {
				codes = append(codes, p.Code)
				p = q.placeAt(p.Within)
			}
			return codes, known
		}
	}
	return nil, false
}

// placeAt finds the law of a code; nil where there is none.
func (q *Question) placeAt(code string) *Place {
	for i := range q.facts.Places {
		if q.facts.Places[i].Code == code {
			return &q.facts.Places[i]
		}
	}
	return nil
}

// law asks the provisions on sale or on fitting of both places. All must hold, so
// the stricter one wins; where a place's law is not known, every place's counts.
func (c *item) law(sale bool, recalled Answer) Answer {
	seller, knowSeller := c.inForce(strings.TrimSpace(c.listing.GetJurisdiction()))
	installer, knowInstaller := c.inForce(strings.TrimSpace(c.need.GetJurisdiction()))
	answer := Yes
	for _, p := range c.facts.Places {
		if knowSeller && knowInstaller && !slices.Contains(seller, p.Code) && !slices.Contains(installer, p.Code) {
			continue
		}
		for _, rule := range p.Provisions {
			if rule.Sale == sale && (len(rule.Kinds) == 0 || slices.Contains(rule.Kinds, c.need.GetKind())) {
				answer = both(answer, c.obeys(rule, recalled))
			}
		}
	}
	return answer
}

// obeys answers whether the part satisfies a provision.
func (c *item) obeys(p Provision, recalled Answer) Answer {
	fact := listen(c.listing, p.Attribute)
	switch {
	case p.Condition == Forbidden:
		return No
	case p.Condition == NeverRecalled:
		open, remedied := listen(c.listing, aOpen), listen(c.listing, aRemedied)
		if c.covered() || (open.said() && open.value == yes) || (remedied.said() && remedied.value == yes) {
			return No
		}
		if recalled == Yes && remedied.torn { // somebody may have said that there was one
			return Unknown
		}
		return recalled
	case p.Value == "" && p.Attribute == aVIN:
		return c.donorVIN()
	case p.Value == "" && p.Attribute == aPulledBy:
		return c.pulledBy() // that nobody knows who it was is stated too
	case p.Value == "":
		if fact.sure() {
			return Yes
		}
		return Unknown
	}
	answer := fact.equals(p.Value, "")
	if answer == Yes && p.MaxAgeDays > 0 && !c.recent(fact.day, p.MaxAgeDays) {
		return Unknown
	}
	return answer
}
