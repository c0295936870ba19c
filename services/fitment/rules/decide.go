package rules

import (
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
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
	for i, rule := range registry {
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
	d.Cautions = cautions(q.need.GetKind())
	d.ArrivalChecks = arrivalChecks(q.need.GetKind())
	if d.GetVerdict() == fitmentv1.Decision_PROVE_FIRST {
		m := c.missing(&answers)
		d.MissingEvidence, d.ExpectedMinutes = m.list(), m.plan.Expected
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
func (c *Case) finding(rule Rule, r Result) *fitmentv1.Finding {
	return &fitmentv1.Finding{
		Rule: rule.ID, Family: rule.Family, Answer: r.Answer, Severity: rule.Severity,
		Reason: r.sentence(), Evidence: c.claims.Statements(rule.Reads...), Source: rule.Source,
		Remedy: c.remedy(rule, r),
	}
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
func (c *Case) remedy(rule Rule, r Result) string {
	switch {
	case r.Vehicle != "":
		return r.Vehicle
	case r.Answer == evidence.Unknown:
		return c.policy.askFor(rule.Reads[0]).Text
	case r.Answer == evidence.No:
		return "Only proof that what is stated about " + words[rule.Reads[0]] + " is wrong would change this."
	default:
		return "Evidence to the contrary about " + words[rule.Reads[0]] + " would change this."
	}
}
