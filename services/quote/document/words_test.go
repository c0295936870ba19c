package document_test

import (
	"regexp"
	"strings"
	"testing"

	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/paper/papertest"
)

// Whatever the free texts of a quote say, forbidden words stand nowhere on it (C.R.S.
// 42-9-109.5(1)(b)), and sentences without them are all there.
func TestNoTextBringsAForbiddenWord(t *testing.T) {
	t.Parallel()
	forbidden := regexp.MustCompile(`(?i)\b(used|as\W+is)\b`)
	sentence := rapid.Custom(func(t *rapid.T) string {
		return strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{
			"bag", "misused", "unused", "oasis", "seat", "used", "USED", "(used)", "as is", "As-Is", "as\u00a0is", "Ω", "42-9",
		}), 1, 4).Draw(t, "words"), " ")
	})
	rapid.Check(t, func(rt *rapid.T) {
		draw := func(label string) string { return sentence.Draw(rt, label) }
		q := inColorado()
		q.Reference, q.DeclineReason, q.Plan.Words = draw("reference"), draw("decline"), draw("plan")
		q.Notices = []string{draw("notice"), draw("second notice"), "A part that has not fired is live."}
		q.Differences = []*quotev1.Difference{{What: draw("what"), Before: draw("before"), After: draw("after")}}
		q.TradeOff.Points[0].Words = draw("choice")
		q.Basket = &quotev1.Basket{Notes: []string{draw("basket")}}
		q.Authorization = &quotev1.Authorization{By: "R. Fen", Method: quotev1.Authorization_SPOKEN, Note: draw("note"), UsedPart: true}
		for _, o := range q.GetOptions() {
			o.ConditionWords, o.Transport, o.OneUse, o.ReplaceWith = draw("condition"), []string{draw("transport")}, []string{draw("one use")}, []string{draw("with")}
			o.ArrivalChecks = []*fitmentv1.ArrivalCheck{{Check: draw("check"), Pass: draw("pass")}}
		}
		text := papertest.Flat(t, pdf(t, q, paper.A4))
		if found := forbidden.FindAllString(text, -1); found != nil {
			rt.Fatalf("forbidden words %q in\n%s", found, text)
		}
		for _, notice := range q.GetNotices() {
			// Without spaces: pdftotext takes a narrow one beside a Greek letter for none.
			if !forbidden.MatchString(notice) && !strings.Contains(squeezed(text), squeezed(notice)) {
				rt.Fatalf("%q is left out for no reason of\n%s", notice, text)
			}
		}
	})
}

// squeezed is a text without white space.
func squeezed(text string) string { return strings.Join(strings.Fields(text), "") }
