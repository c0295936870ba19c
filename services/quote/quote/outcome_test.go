package quote_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/quote"
)

func fieldsOf(fields *check.Fields) []string {
	var names []string
	for _, v := range fields.Violations() {
		names = append(names, v.Field)
	}
	return names
}

func TestOutcomesAreCleaned(t *testing.T) {
	t.Parallel()
	var fields check.Fields
	got := quote.CleanOutcome(&quotev1.Outcome{Source: "listings/yard-a.77", Kind: buckle, Result: quotev1.Outcome_PASSED}, "r1", &fields)
	if err := fields.Err(); err != nil {
		t.Fatal(err)
	}
	if got.GetName() != "outcomes/listings.yard-a.77" || got.GetSeller() != "yard-a" || got.GetCondition() != quotev1.Offer_USED {
		t.Errorf("got %v", got)
	}
	got = quote.CleanOutcome(&quotev1.Outcome{
		Source: "offers/northline-supply.x", Seller: "Northline Supply", Condition: quotev1.Offer_NEW, Kind: buckle, Result: quotev1.Outcome_FAILED,
	}, "r1", &fields)
	if err := fields.Err(); err != nil || got.GetSeller() != "northline-supply" {
		t.Errorf("seller %q, %v", got.GetSeller(), err)
	}
}

// A listing is bought once; a supplier's item again and again.
func TestOutcomesAreNamedAfterThePurchase(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ source, quote, want string }{
		{"listings/yard-a.77", "", "outcomes/listings.yard-a.77"},
		{"listings/yard-a.77", "quotes/Q-2026-000001", "outcomes/listings.yard-a.77"},
		{"offers/northline.x", "", "outcomes/offers.northline.x.r1"},
		{"offers/northline.x", "quotes/Q-2026-000001", "outcomes/offers.northline.x.Q-2026-000001"},
	} {
		var fields check.Fields
		if got := quote.CleanOutcome(&quotev1.Outcome{Source: c.source, Quote: c.quote}, "r1", &fields).GetName(); got != c.want {
			t.Errorf("%s on %q is named %s, want %s", c.source, c.quote, got, c.want)
		}
	}
}

func TestOutcomesThatAreRefused(t *testing.T) {
	t.Parallel()
	good := func(alter func(*quotev1.Outcome)) *quotev1.Outcome {
		o := &quotev1.Outcome{Source: "offers/northline.1", Condition: quotev1.Offer_NEW, Kind: buckle, Result: quotev1.Outcome_PASSED}
		alter(o)
		return o
	}
	for name, test := range map[string]struct {
		outcome *quotev1.Outcome
		field   string
	}{
		"none":              {nil, "outcome"},
		"source":            {good(func(o *quotev1.Outcome) { o.Source = "parts/a.b" }), "outcome.source"},
		"seller":            {good(func(o *quotev1.Outcome) { o.Seller = "Southline" }), "outcome.seller"},
		"no condition":      {good(func(o *quotev1.Outcome) { o.Condition = 0 }), "outcome.condition"},
		"used offer":        {good(func(o *quotev1.Outcome) { o.Condition = quotev1.Offer_USED }), "outcome.condition"},
		"new listing":       {good(func(o *quotev1.Outcome) { o.Source = "listings/yard-a.1" }), "outcome.condition"},
		"no kind":           {good(func(o *quotev1.Outcome) { o.Kind = 0 }), "outcome.kind"},
		"kind out of range": {good(func(o *quotev1.Outcome) { o.Kind = 99 }), "outcome.kind"},
		"no result":         {good(func(o *quotev1.Outcome) { o.Result = 0 }), "outcome.result"},
		"note":              {good(func(o *quotev1.Outcome) { o.Note = "a\x00b" }), "outcome.note"},
		"quote":             {good(func(o *quotev1.Outcome) { o.Quote = "Q-1" }), "outcome.quote"},
	} {
		var fields check.Fields
		quote.CleanOutcome(test.outcome, "r1", &fields)
		if diff := cmp.Diff([]string{test.field}, fieldsOf(&fields)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestOutcomeAgainstItsQuote(t *testing.T) {
	t.Parallel()
	quoted := &quotev1.Quote{
		Name: "quotes/Q-2026-000001", Need: need(),
		Options: []*quotev1.Option{{Source: "offers/northline.1", Condition: quotev1.Offer_NEW}},
	}
	for name, test := range map[string]struct {
		outcome *quotev1.Outcome
		want    []string
	}{
		"as quoted":       {&quotev1.Outcome{Source: "offers/northline.1", Condition: quotev1.Offer_NEW, Kind: buckle}, nil},
		"not an option":   {&quotev1.Outcome{Source: "offers/northline.2", Condition: quotev1.Offer_NEW, Kind: buckle}, []string{"outcome.source"}},
		"other condition": {&quotev1.Outcome{Source: "offers/northline.1", Condition: quotev1.Offer_REMANUFACTURED, Kind: buckle}, []string{"outcome.condition"}},
		"other kind":      {&quotev1.Outcome{Source: "offers/northline.1", Condition: quotev1.Offer_NEW, Kind: fitmentv1.Part_PIGTAIL}, []string{"outcome.kind"}},
	} {
		var fields check.Fields
		quote.CheckOutcome(test.outcome, quoted, &fields)
		if diff := cmp.Diff(test.want, fieldsOf(&fields)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestSlug(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"Northline Supply": "northline-supply", "  A&B  Parts, Inc. ": "a-b-parts-inc", "ＡＢＣ": "abc", "x": "x", "---": "", "Ω": "",
		"Ölwerk": "", "lwerk": "lwerk", "Teile Müller": "", "O\u0308lwerk": "", "Nr. ٤": "", "\xff a": "", "café": "",
		"a very long name of a supplier that goes on": "",
	} {
		if got, err := quote.Slug(in); (err != nil) != (want == "") || (err == nil && got != want) {
			t.Errorf("Slug(%q) = %q, %v; want %q", in, got, err, want)
		}
	}
}
