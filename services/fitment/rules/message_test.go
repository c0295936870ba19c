package rules_test

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
)

func missingOf(asks ...*fitmentv1.MissingEvidence) []*fitmentv1.MissingEvidence { return asks }

func lacks(attribute rules.Attribute, ask string) *fitmentv1.MissingEvidence {
	return &fitmentv1.MissingEvidence{Attribute: attribute, Ask: ask}
}

func TestMessageToYard(t *testing.T) {
	t.Parallel()
	listing := &fitmentv1.Listing{StockNumber: "AB-12_c"}
	vin, flood := fitmentv1.Evidence_DONOR_VIN, fitmentv1.Evidence_FLOOD
	cases := map[string]struct {
		missing []*fitmentv1.MissingEvidence
		want    string
	}{
		"nothing missing": {nil, ""},
		"nothing that a yard could give": {missingOf(
			lacks(fitmentv1.Evidence_ATTRIBUTE_UNSPECIFIED, "State the vehicle's body."),
			lacks(fitmentv1.Evidence_RECALL_OPEN, "Query the donor's VIN."),
			lacks(fitmentv1.Evidence_PROGRAMMABLE, "Ask the dealer."),
		), ""},
		"one thing": {missingOf(lacks(vin, "Ask the yard for a photo of the donor's VIN plate.")), `Hello, before we can decide on your part with stock number AB-12_c, we need to know one thing about it:
1. Please send us a photo of the donor's VIN plate.
Please put no meter on a live squib: a photo, a document or the value that a restraint module reported is enough.
Thank you.`},
		"several, the vehicle's left out, one asked twice": {missingOf(
			lacks(fitmentv1.Evidence_PULLED_BY, "Ask the yard who pulled the part."),
			lacks(0, "State the vehicle's body."),
			lacks(flood, "Get evidence about a flood\nthat settles this:  it is claimed."),
			lacks(vin, "Ask the yard who pulled the part."),
			lacks(vin, "Wash the plate and photograph it."),
		), `Hello, before we can decide on your part with stock number AB-12_c, we need to know more about it. In order of use to us:
1. Please tell us who pulled the part.
2. Please send us evidence about a flood that settles this: it is claimed.
3. Wash the plate and photograph it.
Please put no meter on a live squib: a photo, a document or the value that a restraint module reported is enough.
Thank you.`},
	}
	for name, c := range cases {
		if got := rules.MessageToYard(listing, c.missing); got != c.want {
			t.Errorf("%s:\n%s\nwant\n%s", name, got, c.want)
		}
	}
	for _, number := range []string{"", "A B", "A\n2. Send money", strings.Repeat("9", 41), "Ä1"} {
		if got := rules.MessageToYard(&fitmentv1.Listing{StockNumber: number}, missingOf(lacks(vin, "Ask the yard for it."))); !strings.HasPrefix(got, "Hello, before we can decide on your part, we") {
			t.Errorf("stock number %q: %s", number, got)
		}
	}
}

func TestMessageHasRoom(t *testing.T) {
	t.Parallel()
	var missing []*fitmentv1.MissingEvidence
	for i := range 30 {
		missing = append(missing, lacks(fitmentv1.Evidence_FLOOD, fmt.Sprintf("Ask the yard for item %d %s.", i, strings.Repeat("ä", 90))))
	}
	got := rules.MessageToYard(&fitmentv1.Listing{StockNumber: "1"}, missing)
	if n := utf8.RuneCountInString(got); n > rules.MaxMessage || n < rules.MaxMessage-130 {
		t.Errorf("%d characters", n)
	}
	if !strings.Contains(got, "\nThere is more to ask once we have these.\n") || strings.Contains(got, "item 29") || !strings.Contains(got, "item 10") {
		t.Error(got)
	}
	if fits := rules.MessageToYard(&fitmentv1.Listing{}, missing[:3]); strings.Contains(fits, "more to ask") {
		t.Error(fits)
	}
}

// Whatever is missing, the message names the stock number, asks for every thing
// that the yard could give in the list's order, tells nothing of the vehicle, and
// asks for no meter on a live squib.
func TestMessagesOfDecisions(t *testing.T) {
	t.Parallel()
	numbered := regexp.MustCompile(`(?m)^\d+\. `)
	written, silent := 0, 0
	inScenes(t, 7e6, func(_ die, one *trial, q *rules.Question, l *fitmentv1.Listing) {
		d := q.Decide(l)
		wanted := map[string]bool{}
		for _, m := range d.GetMissingEvidence() {
			if rules.FromYard(m.GetAttribute()) {
				wanted[m.GetAsk()] = true
			}
		}
		text := d.GetMessageToYard()
		if (text == "") != (len(wanted) == 0) {
			t.Errorf("%d things to ask for and the message %q", len(wanted), text)
		}
		if text == "" {
			silent++
			return
		}
		written++
		if utf8.RuneCountInString(text) > rules.MaxMessage || (len(numbered.FindAllString(text, -1)) != len(wanted) && !strings.Contains(text, "more to ask")) {
			t.Errorf("%d things to ask for and the message %q", len(wanted), text)
		}
		if vin := one.need.GetVehicle().GetVin(); vin != "" && strings.Contains(text, vin) {
			t.Errorf("the vehicle's VIN stands in %q", text)
		}
		if !regexp.MustCompile(`(Please put no|Nobody should put a) meter on a live squib`).MatchString(text) {
			t.Errorf("no word about meters in %q", text)
		}
		if n := l.GetStockNumber(); n != "" && !strings.Contains(text, n) {
			t.Errorf("stock number %s does not stand in %q", n, text)
		}
	})
	if written < 100 || silent < 100 {
		t.Errorf("%d messages, %d decisions without one: the scenes show too little", written, silent)
	}
}

func FuzzMessageToYard(f *testing.F) {
	f.Fuzz(func(t *testing.T, stock, first, second string, attribute int32) {
		if !utf8.ValidString(first) || !utf8.ValidString(second) {
			return // no message holds such a text
		}
		text := rules.MessageToYard(&fitmentv1.Listing{StockNumber: stock}, missingOf(lacks(fitmentv1.Evidence_DONOR_VIN, first), lacks(rules.Attribute(attribute), second)))
		lines := strings.Split(text, "\n")
		if text != "" && (len(lines) < 3 || len(lines) > 6 || !strings.HasSuffix(text, "\nThank you.")) {
			t.Errorf("%q", text)
		}
		if !utf8.ValidString(text) || utf8.RuneCountInString(text) > rules.MaxMessage {
			t.Errorf("%d characters: %q", utf8.RuneCountInString(text), text)
		}
	})
}
