package catalogue

import (
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
	// of notices proves nothing. Where the maker is not known, nothing clears the
	// part.
	Free evidence.Answer
	// Notices are those that cover the part, and the first MaxPossible of those
	// that may. Where the maker is not known, they are those of any maker that
	// name the part's number.
	Notices []*fitmentv1.Recall
	// Possible is true where a notice may cover the part but that cannot be told.
	Possible bool
	// Coverage is the latest coverage statement for the part, whatever its age.
	Coverage *fitmentv1.Recall
	// Reason says why, in words.
	Reason string
}

// MaxPossible bounds the notices listed that only may cover a part.
const MaxPossible = 20

// notice is a notice or coverage statement with its fields in the form in which
// they are compared.
type notice struct {
	*fitmentv1.Recall

	maker, number, vehicle, model string

	// put counts the records put in before this one: lists are in this order.
	put int64
}

// noticeOf prepares a record; the number is empty where it names none.
func noticeOf(r *fitmentv1.Recall) (*notice, error) {
	n := &notice{Recall: r, maker: Fold(r.GetPartMaker()), vehicle: Fold(r.GetMake()), model: Fold(r.GetModel())}
	if r.GetPartNumber() == "" {
		return n, nil
	}
	number, err := NumberKey(r.GetPartNumber())
	n.number = number
	return n, err
}

// asked is a query with its fields in the form in which they are compared.
type asked struct {
	RecallQuery

	maker, number, vehicle, model string
}

func askedOf(q RecallQuery) asked {
	number, _ := NumberKey(q.Number) // what is no number is none that is known
	return asked{q, Fold(q.Maker), number, Fold(q.Vehicle.GetMake()), Fold(q.Vehicle.GetModel())}
}

// RecallState answers whether a part is free of recalls (49 CFR 573.12: no
// recalled equipment, new or used, may be sold unless remedied).
func (c *Catalogue) RecallState(query RecallQuery) RecallAnswer {
	q := askedOf(query)
	answer := RecallAnswer{Free: evidence.Unknown}
	covered, fresh, possible := false, false, 0
	for _, list := range c.recallsOf(q) {
		for _, n := range list {
			concerned := concerns(n, q)
			switch {
			case concerned == evidence.No:
			case n.GetType() == fitmentv1.Recall_COVERAGE && concerned == evidence.Yes:
				if answer.Coverage == nil || n.GetAsOf() > answer.Coverage.GetAsOf() {
					answer.Coverage = n.Recall
				}
				fresh = fresh || Recent(n.GetAsOf(), q.Today, q.MaxAgeDays)
			case n.GetType() != fitmentv1.Recall_NOTICE:
			case concerned == evidence.Yes:
				covered = true
				answer.Notices = append(answer.Notices, n.Recall)
			default:
				if possible++; possible <= MaxPossible {
					answer.Notices = append(answer.Notices, n.Recall)
				}
			}
		}
	}
	answer.Possible = possible > 0
	answer.conclude(covered, fresh, q.maker != "")
	return answer
}

// conclude answers from what was found.
func (a *RecallAnswer) conclude(covered, fresh, known bool) {
	switch {
	case covered:
		a.Free, a.Reason = evidence.No, "a recall notice covers this part"
	case a.Possible:
		a.Reason = "a recall notice may cover this part: what decides it is not proven"
	case !known:
		a.Reason = "whose part it is, is not proven, so no set of recall notices can clear it"
	case fresh:
		a.Free, a.Reason = evidence.Yes, "the set of notices is complete and recent, and none covers this part"
	case a.Coverage != nil:
		a.Reason = "the set of recall notices for this part is too old"
	default:
		a.Reason = "no dated set of recall notices covers this part"
	}
}

// recallsOf lists what may concern a part, in lists of which none shares a
// record with another: what names the part's number, whoever made it, and what
// names only its maker. Where the number is not known, every number of the maker
// may be it.
func (c *Catalogue) recallsOf(q asked) [][]*notice {
	if q.maker == "" {
		return [][]*notice{c.recallsByNumber[q.number]}
	}
	lists := ofKind(nil, c.recallsOfAll, q)
	if q.number != "" {
		return append(lists, c.recallsByNumber[q.number])
	}
	return ofKind(lists, c.recallsOfSome, q)
}

// ofKind adds a maker's records of the kind asked for and of every kind.
func ofKind(lists [][]*notice, index map[recallKey][]*notice, q asked) [][]*notice {
	if q.Kind != fitmentv1.Part_KIND_UNSPECIFIED {
		return append(lists, index[recallKey{q.maker, q.Kind}], index[recallKey{q.maker, fitmentv1.Part_KIND_UNSPECIFIED}])
	}
	for kind := range fitmentv1.Part_Kind(len(fitmentv1.Part_Kind_name)) {
		lists = append(lists, index[recallKey{q.maker, kind}])
	}
	return lists
}

// concerns tells whether a record is about the part asked for.
func concerns(n *notice, q asked) evidence.Answer {
	kind := evidence.Yes
	switch {
	case n.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED:
	case q.Kind == fitmentv1.Part_KIND_UNSPECIFIED:
		kind = evidence.Unknown
	default:
		kind = evidence.Of(n.GetKind() == q.Kind)
	}
	return evidence.And(
		kind,
		folded(n.maker, q.maker),
		folded(n.number, q.number),
		folded(n.vehicle, q.vehicle),
		folded(n.model, q.model),
		yearIn(n.GetYearFrom(), n.GetYearTo(), q.Vehicle.GetModelYear()),
	)
}

// folded is Same for words in the form in which they are compared.
func folded(limit, value string) evidence.Answer {
	switch limit {
	case "", value:
		return evidence.Yes
	}
	if value == "" {
		return evidence.Unknown
	}
	return evidence.No
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
