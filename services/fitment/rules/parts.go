package rules

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
)

// Parts lists the catalogue's parts for a need, in order of maker and number,
// with whether their application is proven and whether they are free of recalls:
// what may be bought new or remanufactured where both say yes. The number of a
// new part is as sure as the order, so it counts as confirmed. Each says what the
// law of the need's place asks of fitting it.
func Parts(need *fitmentv1.Need, cat *catalogue.Catalogue, policy Policy, today time.Time) []*fitmentv1.PartMatch {
	q := For(need, cat, policy, today)
	list := make([]*fitmentv1.PartMatch, 0, len(q.rights))
	obligations := policy.packs().Fitting(need.GetJurisdiction(), need.GetKind())
	for i := range q.rights {
		m := &q.rights[i]
		list = append(list, &fitmentv1.PartMatch{
			Part: m.Part, Via: m.Via, Path: m.Path, Application: q.newPart(m), Recall: q.newRecall(m),
			Obligations: obligations,
		})
	}
	return list
}

// newPart answers whether a part out of the box is right. Rules of its design
// that cannot say yes for want of data in the catalogue do not stand against its
// maker's own application; those that say no do.
func (q *Question) newPart(m *rightPart) *fitmentv1.Finding {
	c := caseOf(q, evidence.ClaimsOf(&fitmentv1.Listing{
		PartMaker: m.Part.GetMaker(),
		Evidence: []*fitmentv1.Evidence{
			{Attribute: aNumber, Value: m.Part.GetNumber(), Level: fitmentv1.Evidence_CONFIRMED},
			{Attribute: aMaker, Value: m.Part.GetMaker(), Level: fitmentv1.Evidence_CONFIRMED},
		},
	}))
	worst := Result{Answer: evidence.Yes, Why: m.Reason}
	for i := range q.table {
		rule := &q.table[i]
		if rule.Severity != fit || rule.ID == "provenance.label" {
			continue
		}
		r := rule.Check(c)
		if r.Answer == evidence.Unknown && (rule.Family == famConnector || rule.Family == famElectrical) {
			continue
		}
		if r.Answer == evidence.No || (r.Answer != evidence.Yes && worst.Answer == evidence.Yes) {
			worst = r
		}
		if r.Answer == evidence.No {
			break
		}
	}
	return &fitmentv1.Finding{
		Rule: "number.application", Family: famNumber, Severity: fit,
		Answer: worst.Answer, Reason: worst.sentence(), Source: fromInterchange, Remedy: worst.Vehicle,
	}
}

// newRecall answers whether a new part is free of recalls in the need's vehicle.
func (q *Question) newRecall(m *rightPart) *fitmentv1.Finding {
	state := q.cat.RecallState(catalogue.RecallQuery{
		Maker: m.Part.GetMaker(), Number: m.Part.GetNumber(), Kind: m.Part.GetKind(),
		Vehicle: q.need.GetVehicle(), Today: q.today, MaxAgeDays: q.policy.RecallMaxAgeDays,
	})
	result := Result{Answer: state.Free, Why: state.Reason}.comparing("", noticeNumbers(state.Notices))
	finding := &fitmentv1.Finding{
		Rule: "recall.open", Family: famRecall, Severity: reuse, Answer: state.Free, Reason: result.sentence(),
		Source: "49 CFR 573.12 and 49 USC 30120(j): no recalled equipment, new or used, may be sold unless remedied",
	}
	if state.Free == evidence.Unknown {
		finding.Remedy = "Load a recent set of recall notices that is stated to be complete for this part."
	}
	return finding
}
