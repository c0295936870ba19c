package rules

import (
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/names"
)

// noRecall: no open recall covers the part. A notice that covers what is only
// claimed bars already; only what is proven clears. A recall that is shown to be
// remedied may lawfully be sold under federal law (49 CFR 573.12) but not
// everywhere (Rhode Island § 31-53-5), so it stays unknown until the
// jurisdiction is weighed.
func noRecall(c *Case) Result {
	open, shown := c.claims.Bool(fitmentv1.Evidence_RECALL_OPEN)
	query := c.claims.Fact(fitmentv1.Evidence_RECALL_OPEN)
	stated := c.recallState(false)
	if stated.Free == evidence.No || open == evidence.Yes {
		remedied, proven := c.claims.Bool(fitmentv1.Evidence_RECALL_REMEDIED)
		if remedied == evidence.Yes && proven {
			return unknown("a recall that covers it is shown to be remedied: federal law allows its sale, some states do not").comparing("", noticeNumbers(stated.Notices))
		}
		if open == evidence.Yes {
			return no("a query by VIN found an open recall")
		}
		return no(stated.Reason).comparing("", noticeNumbers(stated.Notices))
	}
	proven := c.recallState(true)
	current := open == evidence.No && shown && catalogue.Recent(query.Date, c.today, c.policy.RecallMaxAgeDays)
	switch {
	case query.Conflict:
		return unknown("the statements about an open recall contradict each other or cannot be read")
	case proven.Free == evidence.Yes:
		return yes(proven.Reason).comparing("", "complete to "+proven.Coverage.GetAsOf())
	case current && c.vinOf().answer.Answer == evidence.Yes:
		return yes("a recent query by the donor's VIN found no open recall").comparing("", query.Date)
	case current:
		return unknown("a recent query by VIN found no open recall, but the donor's VIN itself is not proven")
	case open == evidence.No && shown:
		return unknown("the query by VIN that found no open recall has no date, or is too old")
	default:
		return unknown(proven.Reason).comparing("", noticeNumbers(proven.Notices))
	}
}

// recallState asks the catalogue with what is proven of part and donor, or with
// all that is stated.
func (c *Case) recallState(proven bool) catalogue.RecallAnswer {
	q := c.statedQuery()
	if proven {
		q = c.provenQuery()
	}
	if q.Maker == "" && c.identical {
		q.Maker = c.replacedMaker
	}
	if q.Maker == "" {
		return catalogue.RecallAnswer{Free: evidence.Unknown, Reason: "whose part it is, is not proven, so no set of recall notices can clear it"}
	}
	q.Kind, q.Today, q.MaxAgeDays = c.need.GetKind(), c.today, c.policy.RecallMaxAgeDays
	return c.cat.RecallState(q)
}

// statedQuery names part and donor by all that is stated.
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
	return q
}

// provenQuery names part and donor by what is proven. A proven VIN ties the
// donor's stated make and model to a vehicle.
func (c *Case) provenQuery() catalogue.RecallQuery {
	q := catalogue.RecallQuery{Vehicle: &fitmentv1.Vehicle{}}
	if c.number.Proven() {
		q.Number, q.Maker = c.number.Key, names.Fold(c.label.GetMaker())
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
