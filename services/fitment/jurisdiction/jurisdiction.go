// Package jurisdiction holds what is known of the law of places on used restraint
// parts: what must hold before a part may be sold or fitted there, and what must
// be said, written down and kept beside that.
//
// The law is data. A pack is a JSON file about one place, and every line of it
// names where the law is published; packs/ holds those that the program brings,
// and a deployment may replace them or add its own. A pack is a flag with a
// source. It is no legal advice: check local law.
//
// Two rules keep doubt on the cautious side. Seller and installer may stand in
// different places: the provisions of both must hold, so the stricter one wins.
// And where a place is not stated, or its law is not known here, the provisions of
// every pack must hold.
package jurisdiction

import (
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// CheckLocalLaw is the remark that stands beside everything said about law.
const CheckLocalLaw = "This is a flag with its source and no legal advice: check local law."

// Condition is the kind of demand that a provision makes.
type Condition string

// The conditions.
const (
	// Forbidden allows no such part at all.
	Forbidden Condition = "forbidden"
	// NeverRecalled allows a part only if no recall has ever covered it, remedied
	// or not.
	NeverRecalled Condition = "never_recalled"
	// Evidence asks that a fact about the part is shown.
	Evidence Condition = "evidence"
)

// Provision is something that must hold before a part may be sold or fitted.
type Provision struct {
	// ID is the place, a dot and a word or two for what it is about
	// ("US-NY.theft-query").
	ID string
	// Sale is true for a provision about selling, false for one about fitting.
	Sale bool
	// Kinds are the kinds of part that it is about; none means every kind.
	Kinds []fitmentv1.Part_Kind
	// Condition says what must hold. Only Evidence uses the next three fields.
	Condition Condition
	// Attribute is the fact that must be shown, one of Attributes.
	Attribute fitmentv1.Evidence_Attribute
	// Value is what the fact must be, "yes" or "no"; empty where it must only be
	// known.
	Value string
	// MaxAgeDays is how old the evidence may be; 0 where its age does not matter.
	MaxAgeDays int
	// Text says in a sentence what must hold, Source where the law is published.
	Text, Source string
}

// About tells whether the provision is about a kind of part.
func (p *Provision) About(kind fitmentv1.Part_Kind) bool { return about(p.Kinds, kind) }

// Obligation is something that the law asks beside the provisions.
type Obligation struct {
	*fitmentv1.Obligation

	// Kinds are the kinds of part that it is about; none means every kind.
	Kinds []fitmentv1.Part_Kind
	// UsedOnly is true where it is about parts as they came out of another vehicle,
	// and not about a new one or one that was rebuilt since.
	UsedOnly bool
}

// About tells whether the obligation is about a kind of part. A kind that is not
// stated may be any.
func (o *Obligation) About(kind fitmentv1.Part_Kind) bool {
	return kind == fitmentv1.Part_KIND_UNSPECIFIED || about(o.Kinds, kind)
}

func about(kinds []fitmentv1.Part_Kind, kind fitmentv1.Part_Kind) bool {
	return len(kinds) == 0 || slices.Contains(kinds, kind)
}

// Pack is what is known of the law of one place.
type Pack struct {
	// Jurisdiction is the place by ISO 3166 ("US", "US-WA", "GB-ENG", "NZ"; "EU" is
	// reserved there for the European Union), Place its name.
	Jurisdiction, Place string
	// Version is the day on which the pack was last changed, YYYY-MM-DD.
	Version string
	// Within is a place whose law holds here too; empty for none.
	Within string
	// Divided is true where the parts of the place have law of their own, so that
	// naming the place alone does not say what holds.
	Divided bool
	// Also are places that lie in this one and whose own law this pack stands for
	// as long as they have no pack of their own.
	Also []string
	// Provisions must all hold.
	Provisions []Provision
	// Obligations are what the law asks beside that; each names the pack's place.
	Obligations []Obligation
	// Notes are remarks, each a sentence.
	Notes []string
}

// Attributes lists what an Evidence provision may ask about.
func Attributes() []fitmentv1.Evidence_Attribute { return slices.Clone(attributes) }

var attributes = []fitmentv1.Evidence_Attribute{
	fitmentv1.Evidence_THEFT_QUERY_CLEAR,
	fitmentv1.Evidence_SELLER_STATEMENT,
	fitmentv1.Evidence_DONOR_VIN,
	fitmentv1.Evidence_PART_NUMBER,
	fitmentv1.Evidence_PULLED_BY,
	fitmentv1.Evidence_LABEL_LEGIBLE,
	fitmentv1.Evidence_FLOOD,
	fitmentv1.Evidence_DEPLOYMENT_MARKS,
}

// yesOrNo tells whether an attribute is answered by yes or no, so that a provision
// may ask for one of them.
func yesOrNo(attribute fitmentv1.Evidence_Attribute) bool {
	switch attribute {
	case fitmentv1.Evidence_DONOR_VIN, fitmentv1.Evidence_PART_NUMBER, fitmentv1.Evidence_PULLED_BY:
		return false
	default:
		return slices.Contains(attributes, attribute)
	}
}
