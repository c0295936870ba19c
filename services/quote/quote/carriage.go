package quote

import (
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/transport"
)

// Sentences on an option's transport.
const (
	handlingUnstated = "No charge for handling dangerous goods is stated; ask the seller whether one comes on top."
	handlingExempt   = "A charge for handling dangerous goods is stated, although a device inside a completed component goes by road without it; ask the seller."
	coreUnstated     = "The deposit is not counted as coming back: what sending the old part back lawfully costs is not stated, and it is live unless it has fired."
)

// Pyrotechnic tells whether parts of a kind hold a charge, so that a part that
// has not fired is dangerous goods (common practice, no source).
func Pyrotechnic(kind fitmentv1.Part_Kind) bool {
	switch kind {
	case fitmentv1.Part_CLOCK_SPRING, fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CRASH_SENSOR, fitmentv1.Part_OCCUPANT_SENSOR, fitmentv1.Part_PIGTAIL:
		return false
	default:
		return true
	}
}

// coreReturns tells whether the old part is expected to go back for its deposit:
// one that holds a charge only where the lawful freight of that is stated.
func (g *gate) coreReturns(c *candidate) bool {
	return c.option.GetCoreDeposit() > 0 && (c.coreReturn > 0 || !Pyrotechnic(g.in.Need.GetKind()))
}

// carriage says what must be known of a candidate's transport to the shop, which
// goes by road where nothing else is agreed; nothing for parts without a charge.
func (g *gate) carriage(c *candidate) []string {
	if !Pyrotechnic(g.in.Need.GetKind()) {
		return nil
	}
	inComponent, neverInstalled := transport.No, transport.No
	if c.inComponent {
		inComponent = transport.Yes
	}
	if c.option.GetCondition() == quotev1.Offer_NEW {
		neverInstalled = transport.Yes
	}
	ruling, err := transport.Decide(transport.Consignment{
		UN: c.unNumber, InComponent: inComponent, Mode: transport.Road, GrossGrams: c.grams,
		ToRecycler: transport.No, NeverInstalled: neverInstalled,
	})
	if err != nil {
		return []string{"How it may be sent cannot be told: " + err.Error() + "."}
	}
	var sentences []string
	for _, reason := range ruling.Reasons {
		sentences = append(sentences, capital(reason.Text)+" ("+reason.Source+").")
	}
	switch {
	case ruling.Handling && c.option.GetHandling() == 0:
		sentences = append(sentences, handlingUnstated)
	case c.unNumber == transport.UN3268 && c.inComponent && c.option.GetHandling() > 0:
		sentences = append(sentences, handlingExempt)
	}
	if c.option.GetCoreDeposit() > 0 && !g.coreReturns(c) {
		sentences = append(sentences, coreUnstated)
	}
	return sentences
}

// capital begins a sentence; its texts are ours and begin with a letter of ASCII.
func capital(text string) string {
	if text == "" {
		return text
	}
	return strings.ToUpper(text[:1]) + text[1:]
}
