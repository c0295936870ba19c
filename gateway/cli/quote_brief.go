package cli

import (
	"fmt"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// after shows what a step made of a quote in a few lines, and with --why or --all the
// whole quote.
func (v *quoteView) after(p *printer, q *quotev1.Quote) {
	if v.why || v.all {
		v.show(p, q)
		return
	}
	p.linef("%s", quoteTitle(q))
	if q.GetState() == quotev1.Quote_OPEN { // told as the version is made, not as it is closed
		showDifferences(p, q)
	}
	if q.GetDeclineReason() != "" {
		p.linef("declined because: %s", q.GetDeclineReason())
	}
	lines := quote.Lines(q)
	for i, line := range lines {
		text := standing(q, line)
		if len(lines) > 1 {
			text = fmt.Sprintf("line %d: %s", i+1, strings.Join(nonEmpty(words(line.GetNeed().GetKind()), lineState(line), text), ", "))
		}
		if text != "" {
			p.linef("%s", text)
		}
	}
	if q.GetTotal() != nil {
		p.linef("%s", totalWords(q))
	}
	switch a := q.GetAuthorization(); {
	case a != nil:
		text := "the customer's authorisation: " + allowedBy(a)
		if a.GetUpTo() > 0 {
			text += ", up to " + cash(a.GetUpTo(), q.GetCurrencyCode())
		}
		p.linef("%s", text)
	case len(quote.Accepted(q)) > 0:
		p.linef("the customer's authorisation: none is recorded")
	}
	p.linef("next: %s", nextStep(q))
	p.linef("the rest: beltwright quote show %s", q.GetName())
}

func allowedBy(a *quotev1.Authorization) string {
	return fmt.Sprintf("%s, %s, %s", a.GetBy(), words(a.GetMethod()), localTime(a.GetTime().AsTime()))
}

// nextStep says what may be done with a quote now.
func nextStep(q *quotev1.Quote) string {
	switch q.GetState() {
	case quotev1.Quote_DRAFT:
		return "beltwright quote issue " + q.GetName()
	case quotev1.Quote_OPEN:
		return fmt.Sprintf("beltwright quote accept %s, or quote decline", q.GetName())
	case quotev1.Quote_ACCEPTED, quotev1.Quote_PARTLY_ACCEPTED:
		return "check each part on arrival and say so: on a repair order with beltwright repair inspect, else with beltwright outcome record"
	case quotev1.Quote_SUPERSEDED:
		return "beltwright quote show " + q.GetSupersededBy()
	default:
		return "beltwright quote revise " + q.GetName() + " makes a new version"
	}
}
