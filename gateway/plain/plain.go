// Package plain writes a decision as a person would want to read it: the answer
// first, then why, what is not proven and how to prove it, what to ask the yard,
// what the law and the maker want, and what to check on arrival. It is text of
// eighty columns without colour, and says nothing that the decision does not.
package plain

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Decision writes a decision about a listing, by its name, for a need.
func Decision(listing string, need *fitmentv1.Need, d *fitmentv1.Decision) string {
	w := &writer{}
	w.answer(listing, need, d)
	w.why(d)
	w.missing(d)
	w.pairs(d)
	w.message(d)
	w.obligations(d)
	w.renew(d)
	w.arrival(d)
	w.listSources()
	w.basis(d.GetBasis())
	w.cautions(d)
	return w.text.String()
}

// verdicts say each verdict with a shape, so that nothing depends on colour, and
// what it means.
var verdicts = map[fitmentv1.Decision_Verdict]struct{ word, meaning string }{
	fitmentv1.Decision_FITS:         {"● FITS", "It matches the vehicle and may be used again: every fact that counts is proven."},
	fitmentv1.Decision_PROVE_FIRST:  {"◐ PROVE FIRST", "Nothing speaks against it, but not everything that counts is proven. Do not buy it on this."},
	fitmentv1.Decision_DOES_NOT_FIT: {"○ DOES NOT FIT", "It is not the part that this vehicle needs."},
	fitmentv1.Decision_BARRED:       {"✕ BARRED", "It may not be used again, whatever it costs and however well it matches."},
}

func (w *writer) answer(listing string, need *fitmentv1.Need, d *fitmentv1.Decision) {
	verdict, ok := verdicts[d.GetVerdict()]
	if !ok {
		verdict.word, verdict.meaning = "? NOT DECIDED", "There is no answer; nothing may be concluded."
	}
	w.line(strings.TrimSpace(verdict.word + "   " + listing))
	w.gap()
	w.paragraph("", verdict.meaning)
	if d.GetVerdict() != fitmentv1.Decision_VERDICT_UNSPECIFIED {
		w.paragraph("", fmt.Sprintf("Does it match: %s. May it be used again: %s.", word(d.GetFit()), word(d.GetReuse())))
	}
	w.paragraph("", "Asked for: "+wanted(need)+".")
}

// wanted says what a need is for.
func wanted(need *fitmentv1.Need) string {
	v := need.GetVehicle()
	var about []string
	about = append(about, v.GetBody())
	if side := v.GetDriveSide(); side != 0 {
		about = append(about, word(side)+"-hand drive")
	}
	if v.GetMarket() != "" {
		about = append(about, "for the market "+v.GetMarket())
	}
	text := word(need.GetKind())
	if need.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED {
		text = "a part of no stated kind"
	}
	if p := need.GetPosition(); p.GetRow() != 0 || p.GetSide() != 0 {
		text += fmt.Sprintf(", row %d %s", p.GetRow(), word(p.GetSide()))
	}
	vehicle := strings.TrimSpace(v.GetMake() + spaced(v.GetModel()))
	switch {
	case vehicle == "":
		text += " for a vehicle that is not stated"
	case v.GetModelYear() != 0:
		text += fmt.Sprintf(" for a %d %s", v.GetModelYear(), vehicle)
	default:
		text += " for a " + vehicle
	}
	if about = slices.DeleteFunc(about, func(s string) bool { return s == "" }); len(about) > 0 {
		text += " (" + strings.Join(about, ", ") + ")"
	}
	if v.GetVin() != "" {
		text += ", VIN " + v.GetVin()
	}
	if number := strings.TrimSpace(need.GetPartMaker() + spaced(need.GetPartNumber())); number != "" {
		text += ", in place of " + number
	}
	if need.GetJurisdiction() != "" {
		text += ", fitted in " + need.GetJurisdiction()
	}
	return text
}

func spaced(text string) string {
	if text == "" {
		return ""
	}
	return " " + text
}

// why lists the findings: what is against it in front, then what is open, then what
// is proven, and apart from them what only advises.
func (w *writer) why(d *fitmentv1.Decision) {
	if len(d.GetFindings()) == 0 {
		return
	}
	w.heading("WHY")
	for _, group := range groups {
		first := true
		for _, f := range d.GetFindings() {
			if !group.takes(f.GetSeverity() == fitmentv1.Finding_ADVICE, f.GetAnswer()) {
				continue
			}
			if first {
				w.paragraph("  ", group.title)
				first = false
			}
			w.finding(f)
		}
	}
}

// groups are how findings are put together. What is neither a yes nor a no is not
// proven.
var groups = []struct {
	title string
	takes func(advises bool, answer fitmentv1.Finding_Answer) bool
}{
	{"Speaks against it:", func(advises bool, answer fitmentv1.Finding_Answer) bool {
		return !advises && answer == fitmentv1.Finding_NO
	}},
	{"Not proven:", func(advises bool, answer fitmentv1.Finding_Answer) bool {
		return !advises && answer != fitmentv1.Finding_NO && answer != fitmentv1.Finding_YES
	}},
	{"Proven:", func(advises bool, answer fitmentv1.Finding_Answer) bool {
		return !advises && answer == fitmentv1.Finding_YES
	}},
	{"To know as well, without weight for the answer:", func(advises bool, _ fitmentv1.Finding_Answer) bool {
		return advises
	}},
}

func (w *writer) finding(f *fitmentv1.Finding) {
	text := f.GetRule() + ": "
	if f.GetSeverity() == fitmentv1.Finding_ADVICE {
		text += word(f.GetAnswer()) + ". "
	}
	text += Reason(f) + w.source(f.GetSource())
	if f.GetAnswer() == fitmentv1.Finding_UNKNOWN && f.GetRemedy() != "" && f.GetSeverity() != fitmentv1.Finding_ADVICE {
		text += " → " + f.GetRemedy()
	}
	w.item("  - ", text)
}

func (w *writer) missing(d *fitmentv1.Decision) {
	if len(d.GetMissingEvidence()) == 0 {
		return
	}
	w.heading("WHAT IS NOT PROVEN, AND HOW TO PROVE IT")
	if d.GetExpectedMinutes() > 0 {
		w.paragraph("  ", fmt.Sprintf("In this order it takes about %s of work to know.", minutes(d.GetExpectedMinutes())))
	}
	for i, m := range d.GetMissingEvidence() {
		w.item(fmt.Sprintf("%3d. ", i+1), fmt.Sprintf("%s (%s) %s", m.GetAsk(), minutes(m.GetMinutes()), m.GetReason()))
	}
}

// pairs lists what is worth more together.
func (w *writer) pairs(d *fitmentv1.Decision) {
	if len(d.GetMissingPairs()) == 0 {
		return
	}
	w.heading("WORTH GETTING TOGETHER")
	for _, p := range d.GetMissingPairs() {
		w.item("  - ", fmt.Sprintf("%d and %d (%s): %s They settle it in %.0f of 100 cases.",
			p.GetFirst()+1, p.GetSecond()+1, minutes(p.GetMinutes()), p.GetReason(), p.GetSettles()*100))
	}
}

func (w *writer) message(d *fitmentv1.Decision) {
	if d.GetMessageToYard() == "" {
		return
	}
	w.heading("MESSAGE TO THE YARD")
	for line := range strings.Lines(d.GetMessageToYard()) {
		w.paragraph("  ", line)
	}
}

// duties say what an obligation asks, with who must do it.
var duties = map[fitmentv1.Obligation_Type]string{
	fitmentv1.Obligation_QUERY: "query", fitmentv1.Obligation_DISCLOSE: "say", fitmentv1.Obligation_CONSENT: "consent",
	fitmentv1.Obligation_INVOICE: "invoice", fitmentv1.Obligation_FORBIDDEN_WORDS: "words not to use",
	fitmentv1.Obligation_KEEP: "record", fitmentv1.Obligation_VERIFY: "verify", fitmentv1.Obligation_WHO: "who may",
}

func (w *writer) obligations(d *fitmentv1.Decision) {
	if len(d.GetObligations()) == 0 {
		return
	}
	w.heading("WHAT THE LAW ASKS BESIDE THAT")
	for _, o := range d.GetObligations() {
		party := "both"
		if o.GetParty() != fitmentv1.Obligation_PARTY_UNSPECIFIED {
			party = word(o.GetParty())
		}
		text := fmt.Sprintf("%s, %s", o.GetJurisdiction(), party)
		if duty := duties[o.GetType()]; duty != "" {
			text += ", " + duty
		}
		text += ": " + o.GetText()
		if len(o.GetWords()) > 0 {
			text += " The words: “" + strings.Join(o.GetWords(), "”, “") + "”."
		}
		if o.GetYears() > 0 {
			text += fmt.Sprintf(" Keep it for %s.", many(int(o.GetYears()), "year"))
		}
		w.item("  - ", text+w.source(o.GetSource()))
	}
}

func (w *writer) renew(d *fitmentv1.Decision) {
	if len(d.GetOneUse())+len(d.GetReplaceWith()) == 0 {
		return
	}
	w.heading("WHAT TO RENEW WITH IT")
	for _, one := range d.GetOneUse() {
		text := one.GetText()
		if one.GetQuantity() > 1 {
			text = fmt.Sprintf("%d × %s", one.GetQuantity(), text)
		}
		w.item("  - ", text+numbered(one.GetNumber())+": used once, fit a new one.")
	}
	for _, r := range d.GetReplaceWith() {
		text := word(r.GetKind()) + numbered(r.GetNumber())
		if r.GetAfterDeployment() {
			text += ", after a deployment"
		}
		w.item("  - ", strings.TrimSuffix(text+": "+r.GetText(), ": "))
	}
}

func numbered(number string) string {
	if number == "" {
		return ""
	}
	return " (" + number + ")"
}

func (w *writer) arrival(d *fitmentv1.Decision) {
	if len(d.GetArrivalChecks()) == 0 {
		return
	}
	w.heading("CHECK WHEN IT ARRIVES")
	for i, check := range d.GetArrivalChecks() {
		w.item(fmt.Sprintf("%3d. ", i+1), fmt.Sprintf("%s It passes if: %s%s", check.GetCheck(), check.GetPass(), w.source(check.GetSource())))
	}
}

func (w *writer) listSources() {
	if len(w.sources) == 0 {
		return
	}
	w.heading("SOURCES")
	for i, source := range w.sources {
		w.item(fmt.Sprintf("%4s ", fmt.Sprintf("[%d]", i+1)), source)
	}
}

func (w *writer) basis(b *fitmentv1.Basis) {
	if b == nil {
		return
	}
	w.heading("WHAT IT STANDS ON")
	for _, one := range []struct{ what, value string }{
		{"day", b.GetDay()},
		{"rules", b.GetRules()},
		{"law", strings.Join(b.GetPacks(), ", ")},
		{"codes", b.GetCodes()},
		{"VIN data", b.GetVinData()},
		{"digest of the facts", b.GetFacts()},
	} {
		if one.value != "" {
			w.item("  - ", one.what+": "+one.value)
		}
	}
}

func (w *writer) cautions(d *fitmentv1.Decision) {
	if len(d.GetCautions()) == 0 {
		return
	}
	w.heading("CAUTIONS")
	for _, caution := range d.GetCautions() {
		w.item("  ! ", caution)
	}
}
