package document

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/quote/quote"
)

// WordingError says that a document would charge for something under words that
// the law of a place forbids.
type WordingError struct {
	// Item is what is charged for.
	Item string
	// Source is where the law is published.
	Source string
}

// Error implements error.
func (e *WordingError) Error() string {
	return fmt.Sprintf("supplies: an item is called %q, which %s does not allow; revise the quote and name what it is", e.Item, e.Source)
}

// wording is what the law of the places asks of the words of a document. It is about
// sentences; names (of people, businesses, makers) stay as they are.
type wording struct {
	// banned are words that stand nowhere on it.
	banned []string
	// prescribed are words that stand on its face.
	prescribed []string
	// obligations are what the law asks, each once.
	obligations []*fitmentv1.Obligation
	// left is how many sentences were left out since they have banned words.
	left int
}

// wordingOf reads the obligations of all options of a quote. Words that are
// forbidden to whoever fits the part are forbidden on his document as a whole;
// those forbidden to a seller only describe his own part (see condition).
func wordingOf(q *quotev1.Quote) *wording {
	w := &wording{}
	seen := map[string]bool{}
	for _, option := range quote.AllOptions(q) {
		for _, o := range option.GetObligations() {
			id := o.GetJurisdiction() + "\x00" + o.GetType().String() + "\x00" + o.GetText()
			if seen[id] {
				continue
			}
			seen[id] = true
			w.obligations = append(w.obligations, o)
			switch {
			case o.GetParty() == fitmentv1.Obligation_SELLER:
			case o.GetType() == fitmentv1.Obligation_FORBIDDEN_WORDS:
				w.banned = append(w.banned, o.GetWords()...)
			case o.GetType() == fitmentv1.Obligation_INVOICE:
				w.prescribed = append(w.prescribed, o.GetWords()...)
			}
		}
	}
	slices.Sort(w.prescribed)
	w.prescribed = slices.Compact(w.prescribed)
	return w
}

// allows tells whether a text has no banned word.
func (w *wording) allows(text string) bool {
	return !quote.Says(text, w.banned)
}

// sentences keeps those without banned words, each once, and counts the others.
func (w *wording) sentences(all []string) []string {
	var kept []string
	for _, sentence := range all {
		switch {
		case sentence == "" || slices.Contains(kept, sentence):
		case w.allows(sentence):
			kept = append(kept, sentence)
		default:
			w.left++
		}
	}
	return kept
}

// leftOut says how many sentences the document lacks.
func (w *wording) leftOut(d *paper.Doc) {
	if w.left == 0 {
		return
	}
	d.Gap(2)
	switch w.left {
	case 1:
		d.Small("1 remark is left out, since its words may not stand on this document; the program shows it.")
	default:
		d.Small(fmt.Sprintf("%d remarks are left out, since their words may not stand on this document; the program shows them.", w.left))
	}
}

// text is a text without banned words, or nothing, which is counted.
func (w *wording) text(text string) string {
	return strings.Join(w.sentences([]string{text}), "")
}

// condition says what a part is: in the words that the law of the places wants,
// else in a term of 16 CFR 20.1(b). Words that are banned, or that its seller may
// not use of it, are never said.
func (w *wording) condition(o *quotev1.Option) string {
	choices := []string{o.GetConditionWords()}
	for _, each := range o.GetObligations() {
		if each.GetType() == fitmentv1.Obligation_INVOICE {
			choices = append(choices, each.GetWords()...)
		}
	}
	switch o.GetCondition() {
	case quotev1.Offer_USED:
		choices = append(choices, "used", "secondhand", "taken from another vehicle")
	case quotev1.Offer_REMANUFACTURED:
		choices = append(choices, "remanufactured", "reconditioned")
	case quotev1.Offer_NEW:
		choices = append(choices, "new")
	default:
	}
	for _, choice := range choices {
		if choice != "" && w.allows(choice) && sellerAllows(o, choice) {
			return w.disclosed(o, choice)
		}
	}
	return "condition not stated"
}

// disclosed adds the words by which the law wants a part's condition told to the
// vehicle's owner, such as R.I. Gen. Laws § 31-53-5(a)(3).
func (w *wording) disclosed(o *quotev1.Option, condition string) string {
	for _, each := range o.GetObligations() {
		if each.GetType() != fitmentv1.Obligation_DISCLOSE {
			continue
		}
		for _, word := range each.GetWords() {
			if !quote.Says(condition, []string{word}) && w.allows(word) && sellerAllows(o, word) {
				condition += ", " + word
			}
		}
	}
	return condition
}

func sellerAllows(o *quotev1.Option, text string) bool {
	return !slices.ContainsFunc(o.GetObligations(), func(each *fitmentv1.Obligation) bool {
		return each.GetType() == fitmentv1.Obligation_FORBIDDEN_WORDS &&
			quote.Says(text, each.GetWords())
	})
}

// told are the obligations that the document repeats, with their sources: all but
// the forbidden words themselves.
func (w *wording) told() []string {
	var all []string
	for _, o := range w.obligations {
		if o.GetType() == fitmentv1.Obligation_FORBIDDEN_WORDS {
			continue
		}
		text := fmt.Sprintf("%s: %s", o.GetJurisdiction(), o.GetText())
		if len(o.GetWords()) > 0 {
			text += " The words: " + strings.Join(o.GetWords(), "; ") + "."
		}
		if o.GetYears() > 0 {
			text += fmt.Sprintf(" For %d years.", o.GetYears())
		}
		all = append(all, text+" ("+o.GetSource()+")")
	}
	return w.sentences(all)
}

// consents are the obligations for which the customer's word is needed.
func (w *wording) consents() []*fitmentv1.Obligation {
	var all []*fitmentv1.Obligation
	for _, o := range w.obligations {
		if o.GetType() == fitmentv1.Obligation_CONSENT && w.allows(o.GetText()) {
			all = append(all, o)
		}
	}
	return all
}
