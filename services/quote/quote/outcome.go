package quote

import (
	"cmp"
	"fmt"
	"regexp"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/trust"
)

var sourceName = regexp.MustCompile(`^(listings|offers)/([a-z0-9-]{1,32})\.[A-Za-z0-9_-]{1,40}$`)

// Tally counts the outcomes of one seller, condition and kind.
type Tally struct {
	// Passed and Failed count arrival checks by their result.
	Passed int `json:"passed"`
	Failed int `json:"failed"`
	// Bought counts parts that were bought on quotes, and Answered those of them
	// whose outcome was reported. Outcomes may also be reported of parts that no
	// quote bought: they say nothing about those that one did.
	Bought   int `json:"bought,omitempty"`
	Answered int `json:"answered,omitempty"`
}

// Record is the tally as trust reads it. Parts that were bought and of which
// nobody said how they fared are unreported.
func (t Tally) Record() trust.Record {
	return trust.Record{Passed: t.Passed, Failed: t.Failed, Unreported: max(t.Bought-t.Answered, 0)}
}

// CleanOutcome checks an outcome, reported by the request of this id, and returns
// it as it is to be stored: with the name that outcomeName gives it, the seller
// as the source's name spells it, and without a time.
func CleanOutcome(outcome *quotev1.Outcome, requestID string, fields *check.Fields) *quotev1.Outcome {
	if outcome == nil {
		fields.Add("outcome", "is missing", "an outcome with source, condition, kind and result")
		return nil
	}
	clean := proto.CloneOf(outcome)
	clean.CreateTime = nil
	parts := sourceName.FindStringSubmatch(outcome.GetSource())
	if parts == nil {
		fields.Add("outcome.source", fmt.Sprintf("%.80q is neither a listing nor an offer", outcome.GetSource()),
			"a name such as listings/yard-a.1001 or offers/supplier.77")
		parts = []string{"", "", ""}
	}
	clean.Name = outcomeName(outcome, requestID)
	clean.Seller = cleanSeller(outcome.GetSeller(), parts[2], fields)
	clean.Condition = cleanCondition(outcome.GetCondition(), parts[1], fields)
	if _, known := fitmentv1.Part_Kind_name[int32(outcome.GetKind())]; !known || outcome.GetKind() == 0 {
		fields.Add("outcome.kind", "is missing or unknown", "the kind of part, such as BUCKLE_PRETENSIONER")
	}
	if r := outcome.GetResult(); r != quotev1.Outcome_PASSED && r != quotev1.Outcome_FAILED {
		fields.Add("outcome.result", "is missing or unknown", "PASSED or FAILED")
	}
	fields.Text("outcome.note", outcome.GetNote(), 1000, false)
	if q := outcome.GetQuote(); q != "" && !strings.HasPrefix(q, "quotes/") {
		fields.Add("outcome.quote", fmt.Sprintf("%.80q is no quote", q), "a name such as quotes/Q-2026-000001, or nothing")
	}
	return clean
}

// outcomeName names an outcome after the purchase that it is about, of which
// there is one outcome. A listing is one part and is bought once. A supplier's
// item is bought again and again: the quote tells one purchase from another, or,
// where there is none, the report.
func outcomeName(outcome *quotev1.Outcome, requestID string) string {
	return OutcomeName(outcome.GetSource(), cmp.Or(strings.TrimPrefix(outcome.GetQuote(), "quotes/"), requestID), 1)
}

// OutcomeName names the outcome of a part that a quote bought: the nth of this
// source, from 1, since two lines of a quote may buy the same item.
func OutcomeName(source, quoteName string, nth int) string {
	name := "outcomes/" + strings.Replace(source, "/", ".", 1)
	if !strings.HasPrefix(source, "offers/") {
		return name
	}
	name += "." + strings.TrimPrefix(quoteName, "quotes/")
	if nth > 1 {
		name += fmt.Sprintf(".%d", nth)
	}
	return name
}

// cleanSeller is the seller as the source's name spells it; one that is stated
// must be the same.
func cleanSeller(seller, owner string, fields *check.Fields) string {
	if seller == "" || owner == "" {
		return owner
	}
	if slug, err := Slug(seller); seller != owner && (err != nil || slug != owner) {
		fields.Add("outcome.seller", fmt.Sprintf("%.80q is not the source's seller", seller), owner+", or nothing")
	}
	return owner
}

// cleanCondition is the condition; a listing's is always used.
func cleanCondition(condition quotev1.Offer_Condition, collection string, fields *check.Fields) quotev1.Offer_Condition {
	switch {
	case collection == "listings" && (condition == quotev1.Offer_USED || condition == quotev1.Offer_CONDITION_UNSPECIFIED):
		return quotev1.Offer_USED
	case collection == "offers" && (condition == quotev1.Offer_NEW || condition == quotev1.Offer_REMANUFACTURED):
		return condition
	case collection == "listings":
		fields.Add("outcome.condition", "a listing is a used part", "USED, or nothing")
	case collection == "offers":
		fields.Add("outcome.condition", "is missing or does not suit an offer", "NEW or REMANUFACTURED")
	}
	return condition
}

// CheckOutcome compares a clean outcome with the quote that it names: a line of
// the quote must offer its source, for that kind and in that condition.
func CheckOutcome(outcome *quotev1.Outcome, quoted *quotev1.Quote, fields *check.Fields) {
	var kind, offered bool
	var condition quotev1.Offer_Condition
	for _, line := range Lines(quoted) {
		same := line.GetNeed().GetKind() == outcome.GetKind()
		kind = kind || same
		for _, option := range line.GetOptions() {
			if option.GetSource() != outcome.GetSource() {
				continue
			}
			if same && option.GetCondition() == outcome.GetCondition() {
				return
			}
			offered, condition = true, option.GetCondition()
		}
	}
	if !kind {
		fields.Add("outcome.kind", "is not the kind that the quote is for", Lines(quoted)[0].GetNeed().GetKind().String())
	}
	switch {
	case !offered:
		fields.Add("outcome.source", "is no option of "+quoted.GetName(), "a source that the quote offers")
	case condition != outcome.GetCondition():
		fields.Add("outcome.condition", "is not the condition in which the quote offers it", condition.String())
	case kind:
		fields.Add("outcome.kind", "is not the kind for which the quote offers it", "the kind of the line that offers "+outcome.GetSource())
	}
}
