package inquiry

import (
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
)

// missing is what a decision lacks and a yard can give, in the decision's order.
func missing(d *fitmentv1.Decision) []fitmentv1.Evidence_Attribute {
	var list []fitmentv1.Evidence_Attribute
	for _, m := range d.GetMissingEvidence() {
		if a := m.GetAttribute(); rules.FromYard(a) && !slices.Contains(list, a) && len(list) < MaxAttributes {
			list = append(list, a)
		}
	}
	return list
}

// message writes a question. What the decision has written to the yard already is
// taken, where it asks for the same.
func message(l *fitmentv1.Listing, attributes []fitmentv1.Evidence_Attribute, d *fitmentv1.Decision) string {
	if text := d.GetMessageToYard(); text != "" && slices.Equal(attributes, missing(d)) {
		return text
	}
	wanted := make([]*fitmentv1.MissingEvidence, 0, len(attributes))
	for _, attribute := range attributes {
		wanted = append(wanted, &fitmentv1.MissingEvidence{Attribute: attribute, Ask: ask(attribute, d)})
	}
	return rules.MessageToYard(l, wanted)
}

// ask is how evidence about an attribute is asked for: as the decision says it, or
// as the table does.
func ask(attribute fitmentv1.Evidence_Attribute, d *fitmentv1.Decision) string {
	for _, m := range d.GetMissingEvidence() {
		if m.GetAttribute() == attribute && m.GetAsk() != "" {
			return m.GetAsk()
		}
	}
	for _, row := range rules.DefaultAsks() {
		if row.Attribute == attribute {
			return row.Text
		}
	}
	return "Ask the yard for evidence about: " + strings.ToLower(strings.ReplaceAll(attribute.String(), "_", " ")) + "."
}
