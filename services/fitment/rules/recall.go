package rules

import (
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
)

// noRecall: no open recall covers the part. A notice that covers what is only
// claimed bars already; only what is proven clears, and only while no notice may
// cover it: a query by VIN does not outweigh a notice, which may be younger. A
// part whose only recall is shown to be remedied may be sold (49 CFR 573.12); places
// that demand that none ever covered it are the jurisdiction rules' matter.
func noRecall(c *Case) Result {
	open, _ := c.claims.Bool(fitmentv1.Evidence_RECALL_OPEN)
	stated, proven := c.recallState(c.statedQuery()), c.recallState(c.provenQuery())
	if open == evidence.Yes || stated.Free == evidence.No || proven.Free == evidence.No {
		return c.recalled(open, &stated, &proven)
	}
	switch query := c.claims.Fact(fitmentv1.Evidence_RECALL_OPEN); {
	case query.Conflict:
		return unknown("the statements about an open recall contradict each other or cannot be read")
	case proven.Free == evidence.Yes:
		return yes(proven.Reason).comparing("", "complete to "+proven.Coverage.GetAsOf())
	case proven.Possible:
		return unknown(proven.Reason).comparing("", noticeNumbers(proven.Notices))
	case stated.Possible:
		return unknown(stated.Reason).comparing("", noticeNumbers(stated.Notices))
	default:
		return c.byQuery(query, proven)
	}
}

// recalled answers for a part that a notice covers or a query found under recall.
// A remedy is of one recall. So it clears a part only where its maker is proven,
// exactly one notice covers it or may, and no query says that a recall is open,
// which may be another or a younger one.
func (c *Case) recalled(open evidence.Answer, stated, proven *catalogue.RecallAnswer) Result {
	remedied, shown := c.claims.Bool(fitmentv1.Evidence_RECALL_REMEDIED)
	covering := stated
	if stated.Free != evidence.No {
		covering = proven
	}
	notices := noticeNumbers(covering.Notices)
	switch sole := oneNotice(stated.Notices, proven.Notices); {
	case remedied == evidence.Yes && shown && open == evidence.Yes:
		return unknown("a remedy is shown, but a query by VIN found an open recall: whether it is the one that was remedied is not known").comparing("", notices)
	case remedied == evidence.Yes && shown && c.provenQuery().Maker == "":
		return unknown("a remedy is shown, but whose part it is, is not proven, so other recalls may cover it").comparing("", notices)
	case remedied == evidence.Yes && shown && !sole:
		return unknown("a remedy is shown, but more than one recall covers the part or may: which of them was remedied is not known").comparing("", notices)
	case remedied == evidence.Yes && shown:
		return yes("the only recall that covers it or may is shown to be remedied").comparing("", notices)
	case open == evidence.Yes:
		return no("a query by VIN found an open recall")
	default:
		return no(covering.Reason).comparing("", notices)
	}
}

// oneNotice tells whether the lists hold one notice between them.
func oneNotice(lists ...[]*fitmentv1.Recall) bool {
	var only *fitmentv1.Recall
	for _, list := range lists {
		for _, r := range list {
			if only != nil && only != r {
				return false
			}
			only = r
		}
	}
	return only != nil
}

// byQuery answers from a query by the donor's VIN, where the notices neither
// cover the part nor may, nor clear it. A query clears only a part whose maker is
// proven: of another's, notices may be loaded that were not looked at.
func (c *Case) byQuery(query evidence.Fact, state catalogue.RecallAnswer) Result {
	clean := query.Proven() && query.Key == "no"
	switch {
	case !clean:
		return unknown(state.Reason)
	case !catalogue.Recent(query.Date, c.today, c.policy.RecallMaxAgeDays):
		return unknown("the query by VIN that found no open recall has no date, or is too old")
	case c.vinOf().answer.Answer != evidence.Yes:
		return unknown("a recent query by VIN found no open recall, but the donor's VIN itself is not proven")
	case c.provenQuery().Maker == "":
		return unknown("a recent query by VIN found no open recall, but whose part it is, is not proven")
	default:
		return yes("a recent query by the donor's VIN found no open recall").comparing("", query.Date)
	}
}

// neverRecalled: no recall has ever covered the part, remedied or not. One that is
// only stated bars already.
func (c *Case) neverRecalled() Result {
	open, _ := c.claims.Bool(aRecallOpen)
	remedied, _ := c.claims.Bool(aRemedied)
	if open == evidence.Yes || remedied == evidence.Yes || c.recallState(c.statedQuery()).Free == evidence.No || c.recallState(c.provenQuery()).Free == evidence.No {
		return no("a recall covers the part, or did")
	}
	answer := noRecall(c)
	if answer.Answer == evidence.Yes && c.claims.Fact(aRemedied).Conflict {
		return unknown("the statements about a recall's remedy contradict each other or cannot be read")
	}
	return answer
}

// recallState asks the catalogue.
func (c *Case) recallState(q catalogue.RecallQuery) catalogue.RecallAnswer {
	q.Kind, q.Today, q.MaxAgeDays = c.need.GetKind(), c.today, c.policy.RecallMaxAgeDays
	return c.cat.RecallState(q)
}

// statedQuery names part and donor by all that is stated. A part that bears the
// number of the one it replaces is taken to be of its maker.
func (c *Case) statedQuery() catalogue.RecallQuery {
	donor := c.claims.Listing().GetDonor()
	year, _ := c.statedYear()
	q := catalogue.RecallQuery{
		Maker:   c.madeBy(),
		Vehicle: &fitmentv1.Vehicle{Make: donor.GetMake(), Model: donor.GetModel(), ModelYear: year},
	}
	if c.number.Known() {
		q.Number = c.number.Key
	}
	if q.Maker == "" && c.identical {
		q.Maker = c.replacedMaker
	}
	return q
}

// provenQuery names part and donor by what is proven. A proven VIN ties the
// donor's stated make and model to a vehicle.
func (c *Case) provenQuery() catalogue.RecallQuery {
	q := catalogue.RecallQuery{Vehicle: &fitmentv1.Vehicle{}}
	if c.numbered {
		q.Number, q.Maker = c.number.Key, names.Fold(c.label.GetMaker())
	}
	if q.Maker == "" && c.identical {
		q.Maker = c.replacedMaker
	}
	q.Vehicle.ModelYear, _ = c.provenYear()
	if c.vinOf().answer.Answer == evidence.Yes {
		donor := c.claims.Listing().GetDonor()
		q.Vehicle.Make, q.Vehicle.Model = donor.GetMake(), donor.GetModel()
	}
	return q
}

// noticeNumbers lists the numbers of notices.
func noticeNumbers(notices []*fitmentv1.Recall) string {
	numbers := make([]string, 0, len(notices))
	for _, r := range notices {
		numbers = append(numbers, r.GetNumber())
	}
	return strings.Join(numbers, ", ")
}
