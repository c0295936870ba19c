package rules

import (
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/jurisdiction"
	"beltwright.example/services/fitment/vindata"
)

// Decide decides a listing for a need, with every rule's finding, what is missing
// in the order worth getting, the checks due on arrival, and cautions.
func Decide(need *fitmentv1.Need, listing *fitmentv1.Listing, cat *catalogue.Catalogue, policy Policy, today time.Time) *fitmentv1.Decision {
	return For(need, cat, policy, today).Decide(listing)
}

// Decide decides a listing.
func (q *Question) Decide(listing *fitmentv1.Listing) *fitmentv1.Decision {
	c := caseOf(q, evidence.ClaimsOf(listing))
	d := &fitmentv1.Decision{Fit: evidence.Yes, Reuse: evidence.Yes}
	var answers [len(registry)]evidence.Answer
	for i := range c.table {
		rule := &c.table[i]
		finding := c.finding(rule, rule.Check(c))
		answers[i] = finding.GetAnswer()
		d.Findings = append(d.Findings, finding)
		switch rule.Severity {
		case fit:
			d.Fit = evidence.And(d.GetFit(), finding.GetAnswer())
		case reuse:
			d.Reuse = evidence.And(d.GetReuse(), finding.GetAnswer())
		default:
		}
	}
	d.Verdict = Verdict(d.GetFit(), d.GetReuse())
	places := c.lawHere()
	d.Cautions = slices.Concat(cautions(q.need.GetKind()), places.Notes, cameBack(listing))
	d.ArrivalChecks = arrivalChecks(q.need.GetKind())
	d.Obligations = places.Obligations(q.need.GetKind())
	d.OneUse, d.ReplaceWith = c.fittingLists()
	d.Basis = q.basis(places)
	if d.GetVerdict() == fitmentv1.Decision_PROVE_FIRST {
		m := c.missing(&answers)
		d.MissingEvidence, d.ExpectedMinutes = m.list(), m.plan.Expected
		d.MissingPairs = m.pairs()
		d.MessageToYard = MessageToYard(listing, d.GetMissingEvidence())
		if m.caution != "" {
			d.Cautions = append(d.Cautions, m.caution)
		}
	}
	return d
}

// Rank returns Decide's verdict and its expected minutes to a decision (0 but for
// PROVE_FIRST) without the rest: what ordering many listings needs.
func (q *Question) Rank(listing *fitmentv1.Listing) (verdict fitmentv1.Decision_Verdict, minutes float64) {
	c := caseOf(q, evidence.ClaimsOf(listing))
	var answers [len(registry)]evidence.Answer
	if verdict = c.weigh(&answers); verdict == fitmentv1.Decision_PROVE_FIRST {
		minutes = c.missing(&answers).plan.Expected
	}
	return verdict, minutes
}

// finding writes a rule's result for people.
func (c *Case) finding(rule *Rule, r Result) *fitmentv1.Finding {
	finding := &fitmentv1.Finding{
		Rule: rule.ID, Family: rule.Family, Answer: r.Answer, Severity: rule.Severity,
		Reason: r.sentence(), Evidence: c.claims.Statements(c.reads(rule)...), Source: rule.Source,
		Remedy: c.remedy(rule, r),
	}
	if r.Law != nil {
		finding.Reason += " " + r.Law.ID + ": " + r.Law.Text
		finding.Source = r.Law.Source
	}
	return finding
}

// reads lists the attributes of the listing that a rule depends on in this case.
func (c *Case) reads(rule *Rule) []Attribute {
	if rule.Parts == nil {
		return rule.Reads
	}
	var list []Attribute
	for _, part := range rule.Parts(c) {
		for _, attribute := range part.Reads {
			if !slices.Contains(list, attribute) {
				list = append(list, attribute)
			}
		}
	}
	return list
}

// sentence writes the reason with the values compared.
func (r Result) sentence() string {
	text := strings.TrimSuffix(r.Why, ".")
	if text == "" {
		return ""
	}
	var values []string
	if r.Want != "" {
		values = append(values, "wanted: "+r.Want)
	}
	if r.Have != "" {
		values = append(values, "found: "+r.Have)
	}
	if len(values) > 0 {
		text += " (" + strings.Join(values, "; ") + ")"
	}
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

// remedy says what would change an answer.
func (c *Case) remedy(rule *Rule, r Result) string {
	about := rule.Reads[0]
	if r.About != 0 {
		about = r.About
	}
	switch {
	case r.Vehicle != "":
		return r.Vehicle
	case r.Law != nil && r.Law.Condition == jurisdiction.Forbidden:
		return "Nothing about the part would change this."
	case r.Answer == evidence.Unknown:
		return c.policy.askFor(about).Text
	case r.Answer == evidence.No:
		return "Only proof that what is stated about " + words[about] + " is wrong would change this."
	default:
		return "Evidence to the contrary about " + words[about] + " would change this."
	}
}

// basis says which versions of what a decision stands on; the digest of the facts
// is for whoever holds them whole.
func (q *Question) basis(places *law) *fitmentv1.Basis {
	basis := &fitmentv1.Basis{
		Rules: Version, VinData: vindata.Version(), Codes: q.policy.tables().Version(), Day: q.day,
	}
	for _, pack := range places.Packs {
		basis.Packs = append(basis.Packs, pack.Jurisdiction+" "+pack.Version)
	}
	return basis
}
