package document

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/repair"
)

// told is the name of an order's step and what it says, a sentence each.
func told(r *quotev1.RepairOrder, q *quotev1.Quote, step *quotev1.RepairStep) (name string, said []string) {
	switch s := step.GetStep().(type) {
	case *quotev1.RepairStep_Diagnosis:
		return "Diagnosis", diagnosis(s.Diagnosis)
	case *quotev1.RepairStep_QuoteMade:
		return "Quote", []string{s.QuoteMade.GetQuote()}
	case *quotev1.RepairStep_Order:
		return "Order", ordered(s.Order, q)
	case *quotev1.RepairStep_ArrivalInspection:
		return "Arrival check", inspection(s.ArrivalInspection)
	case *quotev1.RepairStep_NextPurchase:
		return "Next purchase", []string{"Bought " + s.NextPurchase.GetSource() + ", as the plan says."}
	case *quotev1.RepairStep_ReturnSettled:
		return "Return settled", settled(r, s.ReturnSettled)
	case *quotev1.RepairStep_Fitting:
		return "Fitting", fitting(s.Fitting)
	case *quotev1.RepairStep_Disposal:
		return "Old part", disposal(r, s.Disposal)
	case *quotev1.RepairStep_Proof:
		return "Proof of repair", proof(s.Proof)
	case *quotev1.RepairStep_Closing:
		return "Closed", kept(
			fmt.Sprintf("Warranty of the shop: %s.", days(int64(s.Closing.GetWarrantyDays()))),
			s.Closing.GetWarrantyTerms(),
		)
	case *quotev1.RepairStep_Abandonment:
		return "Given up", kept(s.Abandonment.GetReason())
	default:
		return "A step that this program does not know", nil
	}
}

// ordered says what was accepted, and who allowed it.
func ordered(o *quotev1.Order, q *quotev1.Quote) []string {
	said := []string{"The quote " + o.GetQuote() + " was accepted and its parts were bought."}
	if a := q.GetAuthorization(); a.GetBy() != "" && q.GetName() == o.GetQuote() {
		said = append(said, "Allowed by "+prose.Joined("; ", person(a, q.GetCurrencyCode()), a.GetNote()))
	}
	return said
}

// settled says what a seller paid back.
func settled(r *quotev1.RepairOrder, s *quotev1.ReturnSettled) []string {
	for _, purchase := range r.GetPurchases() {
		if purchase.GetSource() == s.GetSource() {
			paid := cash(s.GetRefunded(), purchase.GetCurrencyCode())
			return kept(fmt.Sprintf("%s went back; the seller paid back %s of %s (%s).", s.GetSource(), paid, cash(purchase.GetRefundDue(), purchase.GetCurrencyCode()), repair.RefundName), s.GetNote())
		}
	}
	return kept(s.GetSource()+" went back.", s.GetNote())
}

// kept are the texts that are not empty.
func kept(texts ...string) []string {
	var all []string
	for _, text := range texts {
		if text != "" {
			all = append(all, text)
		}
	}
	return all
}

func diagnosis(d *quotev1.Diagnosis) []string {
	said := make([]string, 0, 8)
	for _, code := range d.GetAssessed().GetCodes() {
		meaning := "its meaning on this vehicle was not settled"
		for _, each := range code.GetMeanings() {
			if each.GetId() == code.GetApplied() {
				meaning = each.GetText()
			}
		}
		said = append(said, prose.Joined("; ", "Code "+code.GetCode()+": "+meaning, code.GetFailure()))
	}
	for i, reading := range d.GetRead().GetReadings() {
		class := ""
		if reports := d.GetAssessed().GetReadings(); i < len(reports) {
			class = words(reports[i].GetClass())
		}
		said = append(said, prose.Joined(": ", prose.Joined(", ", "Reading", partOf(reading.GetKind(), reading.GetPosition()), words(reading.GetMethod())), prose.Joined(", ", ohms(reading), class)))
	}
	for _, suspect := range d.GetAssessed().GetSuspects() {
		said = append(said, fmt.Sprintf("Suspect: %s, %s", prose.Joined(", ", words(suspect.GetComponent()), partOf(suspect.GetKind(), suspect.GetPosition())), percent(suspect.GetProbability())))
	}
	said = append(said, kept(
		prose.Joined(": ", labelled("Buying:", words(d.GetAssessed().GetPurchase())), d.GetAssessed().GetPurchaseReason()),
		labelled("To be replaced:", strings.Join(needs(d.GetNeeds()), "; ")),
		labelled("Reason:", d.GetReason()),
	)...)
	return said
}

func ohms(r *fitmentv1.Reading) string {
	if r.GetOverRange() {
		return "over range"
	}
	if r.Ohms == nil {
		return ""
	}
	return fmt.Sprintf("%g Ω", r.GetOhms())
}

func inspection(a *quotev1.ArrivalInspection) []string {
	said := make([]string, 0, 1+len(a.GetResults())+len(a.GetEvidence()))
	said = append(said, a.GetSource())
	for _, result := range a.GetResults() {
		verdict := "failed"
		switch {
		case result.GetNotDone():
			verdict = "not done"
		case result.GetPassed():
			verdict = "passed"
		}
		said = append(said, prose.Joined(" Noted: ", verdict+": "+result.GetCheck(), result.GetNote()))
	}
	for _, each := range a.GetEvidence() {
		said = append(said, "Seen: "+prose.Joined(", ", prose.Joined(": ", words(each.GetAttribute()), each.GetValue()), each.GetHow()))
	}
	return said
}

func fitting(f *quotev1.Fitting) []string {
	said := kept(
		labelled("Fitted:", strings.Join(f.GetSources(), "; ")),
		labelled("By the vehicle maker's procedure", f.GetProcedure()),
		labelled("Renewed:", strings.Join(f.GetRenewed(), "; ")),
		labelled("Replaced together:", strings.Join(f.GetReplacedTogether(), "; ")),
	)
	if f.GetMinutesBatteryOff() > 0 {
		said = append(said, fmt.Sprintf("The battery had been off for %d minutes.", f.GetMinutesBatteryOff()))
	}
	return append(said, kept(labelled("Reason:", f.GetReason()))...)
}

// ways say in words where an old part went.
var ways = map[quotev1.Disposal_Way]string{
	quotev1.Disposal_FIRED:         "had fired: waste without a live charge",
	quotev1.Disposal_CORE_RETURNED: "went back to the seller by a lawful shipment",
	quotev1.Disposal_COLLECTED:     "went to a collection facility for air-bag waste",
	quotev1.Disposal_TO_OWNER:      "was given to the vehicle's owner, who was told that it is live",
	quotev1.Disposal_STORED:        "is stored in the shop",
}

func disposal(r *quotev1.RepairOrder, d *quotev1.Disposal) []string {
	said := kept(
		prose.Joined(" ", partOf(d.GetKind(), d.GetPosition()), ways[d.GetWay()]),
		labelled("Papers:", d.GetPapers()),
		labelled("Core of", d.GetCoreOf()),
	)
	if d.GetWay() == quotev1.Disposal_STORED {
		said = append(said, fmt.Sprintf("%d modules and inflators are stored, the oldest since %s.", d.GetStored(), d.GetStoredSince()), repair.Storing(r, d))
	}
	return said
}

func proof(p *quotev1.Proof) []string {
	said := make([]string, 0, 5+len(p.GetLoops()))
	for _, check := range []struct {
		text string
		ok   bool
	}{
		{"the lamp came on at key-on", p.GetLampOnAtKeyOn()},
		{"it went out after its check", p.GetLampOutAfterCheck()},
		{"it stayed out with the engine running", p.GetLampOutRunning()},
		{"the codes were cleared", p.GetCodesCleared()},
		{"they stayed clear", p.GetCodesStayedClear()},
	} {
		answer := "no"
		if check.ok {
			answer = "yes"
		}
		said = append(said, check.text+": "+answer)
	}
	for _, loop := range p.GetLoops() {
		text := "loop of " + partOf(loop.GetKind(), loop.GetPosition()) + ": "
		switch {
		case loop.Ohms != nil:
			text += fmt.Sprintf("%g Ω as the module reports it", loop.GetOhms())
			if window := loop.GetWindow(); window != nil {
				text += fmt.Sprintf(", window %g to %g Ω", window.GetLowOhms(), window.GetHighOhms())
			}
		default:
			text += "cannot be read: " + loop.GetUnreadable()
		}
		said = append(said, text)
	}
	return said
}
