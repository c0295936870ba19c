package catalogue

import (
	"slices"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
)

// RecallQuery asks whether a part is free of recalls. Empty fields mean: not
// known; a notice that depends on one is then neither excluded nor proven.
type RecallQuery struct {
	// Maker and Number name the part.
	Maker, Number string
	// Kind of the part.
	Kind fitmentv1.Part_Kind
	// Vehicle is the one the part came from, or, for a new part, goes into.
	Vehicle *fitmentv1.Vehicle
	// Today is the day of the question.
	Today time.Time
	// MaxAgeDays is the greatest age of a coverage statement that counts.
	MaxAgeDays int
}

// RecallAnswer says whether a part is free of recalls.
type RecallAnswer struct {
	// Free is No where a notice covers the part, Yes where none does or may and a
	// coverage statement that is recent enough says that the set of notices is
	// complete for it, otherwise Unknown. No notices at all is Unknown: absence
	// of notices proves nothing.
	Free evidence.Answer
	// Notices are those that cover the part, or may.
	Notices []*fitmentv1.Recall
	// Possible is true where a notice may cover the part but that cannot be told.
	Possible bool
	// Coverage is the latest coverage statement for the part, whatever its age.
	Coverage *fitmentv1.Recall
	// Reason says why, in words.
	Reason string
}

// RecallState answers whether a part is free of recalls (49 CFR 573.12: no
// recalled equipment, new or used, may be sold unless remedied).
func (c *Catalogue) RecallState(q RecallQuery) RecallAnswer {
	answer := RecallAnswer{Free: evidence.Unknown, Reason: "no dated set of recall notices covers this part"}
	covered, possible := false, false
	fresh := false
	for _, r := range c.recallsOf(q.Maker, q.Kind) {
		concerned := concerns(r, q)
		switch {
		case concerned == evidence.No:
		case r.GetType() == fitmentv1.Recall_NOTICE:
			answer.Notices = append(answer.Notices, r)
			covered = covered || concerned == evidence.Yes
			possible = possible || concerned != evidence.Yes
		case r.GetType() == fitmentv1.Recall_COVERAGE && concerned == evidence.Yes:
			if answer.Coverage == nil || r.GetAsOf() > answer.Coverage.GetAsOf() {
				answer.Coverage = r
			}
			fresh = fresh || Recent(r.GetAsOf(), q.Today, q.MaxAgeDays)
		}
	}
	answer.Possible = possible
	switch {
	case covered:
		answer.Free, answer.Reason = evidence.No, "a recall notice covers this part"
	case possible:
		answer.Reason = "a recall notice may cover this part: what decides it is not proven"
	case fresh:
		answer.Free, answer.Reason = evidence.Yes, "the set of notices is complete and recent, and none covers this part"
	case answer.Coverage != nil:
		answer.Reason = "the set of recall notices for this part is too old"
	}
	return answer
}

// recallsOf lists what may concern a part. Every record names its part's maker,
// so a part whose maker is not known can be neither covered nor cleared.
func (c *Catalogue) recallsOf(maker string, kind fitmentv1.Part_Kind) []*fitmentv1.Recall {
	maker = Fold(maker)
	if kind != fitmentv1.Part_KIND_UNSPECIFIED {
		own, all := c.recallsByPart[recallKey{maker, kind}], c.recallsByPart[recallKey{maker, fitmentv1.Part_KIND_UNSPECIFIED}]
		if len(all) == 0 {
			return own
		}
		return append(slices.Clone(own), all...)
	}
	var found []*fitmentv1.Recall
	for kind := range fitmentv1.Part_Kind(len(fitmentv1.Part_Kind_name)) {
		found = append(found, c.recallsByPart[recallKey{maker, kind}]...)
	}
	return found
}

// concerns tells whether a record is about the part asked for.
func concerns(r *fitmentv1.Recall, q RecallQuery) evidence.Answer {
	kind := evidence.Yes
	switch {
	case r.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED:
	case q.Kind == fitmentv1.Part_KIND_UNSPECIFIED:
		kind = evidence.Unknown
	default:
		kind = evidence.Of(r.GetKind() == q.Kind)
	}
	return evidence.And(
		kind,
		Same(r.GetPartMaker(), q.Maker),
		sameNumber(r.GetPartNumber(), q.Number),
		Same(r.GetMake(), q.Vehicle.GetMake()),
		Same(r.GetModel(), q.Vehicle.GetModel()),
		yearIn(r.GetYearFrom(), r.GetYearTo(), q.Vehicle.GetModelYear()),
	)
}

// sameNumber is Same for part numbers.
func sameNumber(limit, number string) evidence.Answer {
	if limit == "" {
		return evidence.Yes
	}
	left, err := NumberKey(limit)
	right, errRight := NumberKey(number)
	if err != nil || errRight != nil {
		return evidence.Unknown
	}
	return evidence.Of(left == right)
}

// Recent tells whether a day is not after today and at most maxAge days before.
func Recent(day string, today time.Time, maxAge int) bool {
	date, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return false
	}
	year, month, d := today.Date()
	age := time.Date(year, month, d, 0, 0, 0, 0, time.UTC).Sub(date).Hours() / 24
	return age >= 0 && age <= float64(maxAge)
}
