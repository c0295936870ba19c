package inquiry

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
)

// elsewhere are the attributes that the shop finds out without the yard.
var elsewhere = []fitmentv1.Evidence_Attribute{
	fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED, fitmentv1.Evidence_RECALL_OPEN, fitmentv1.Evidence_PROGRAMMABLE,
}

// missing is what a decision lacks and a yard can give, in the decision's order.
func missing(d *fitmentv1.Decision) []fitmentv1.Evidence_Attribute {
	var list []fitmentv1.Evidence_Attribute
	for _, m := range d.GetMissingEvidence() {
		if a := m.GetAttribute(); !slices.Contains(elsewhere, a) && !slices.Contains(list, a) && len(list) < MaxAttributes {
			list = append(list, a)
		}
	}
	return list
}

// message writes a question. What the decision has written to the yard already is
// taken, where it asks for the same.
func message(l *fitmentv1.Listing, attributes []fitmentv1.Evidence_Attribute, d *fitmentv1.Decision) string {
	if text := d.GetMessageToYard(); text != "" && slices.Equal(attributes, missing(d)) && len([]rune(text)) <= MaxText {
		return text
	}
	var text strings.Builder
	fmt.Fprintf(&text, "About your part %s:", l.GetStockNumber())
	for i, attribute := range attributes {
		line := fmt.Sprintf("\n%d. %s", i+1, please(ask(attribute, d)))
		if len([]rune(text.String()))+len([]rune(line)) > MaxText {
			break // the attributes say it all the same
		}
		text.WriteString(line)
	}
	return text.String()
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

// please turns what a shop is told to ask into the question itself.
func please(ask string) string {
	if rest, ok := strings.CutPrefix(ask, "Ask the yard for "); ok {
		return "Please send " + rest
	}
	if rest, ok := strings.CutPrefix(ask, "Ask the yard "); ok {
		return "Please tell us " + rest
	}
	return ask
}
