package cli

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// FuzzFlagValues reads arbitrary text as the values of flags: it is understood, or
// it is a usage error that quotes what was not; numbers are finite.
func FuzzFlagValues(f *testing.F) {
	for _, seed := range []string{"kind=driver-air-bag,row=1,ohms=2.1", "ohms=NaN", "ohms=1e999", "ohms=0x1p4", "row=99999999999", "row=1,row=2", "=", ",", "kind", "kind=ᵏ", "ohms=", "over-range=maybe", "kind=KIND_UNSPECIFIED"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		allowed := []string{"kind", "row", "ohms", "over-range"}
		values, err := pairs("--reading", text, allowed...)
		usage(t, err)
		if err != nil {
			return
		}
		if len(values) != 1+strings.Count(text, ",") {
			t.Fatalf("%q has %d items, of which %d are read", text, 1+strings.Count(text, ","), len(values))
		}
		for name := range values {
			if !slices.Contains(allowed, name) {
				t.Fatalf("%q has %q", text, name)
			}
		}
		ohms, err := number("--reading", values, "ohms")
		usage(t, err)
		if _, stated := values["ohms"]; err == nil && ((ohms != nil) != stated || (stated && (math.IsNaN(*ohms) || math.IsInf(*ohms, 0)))) {
			t.Fatalf("%q has ohms %v", text, ohms)
		}
		_, err = whole("--reading", values, "row")
		usage(t, err)
		_, err = yesNo("--reading", values, "over-range")
		usage(t, err)
		kind, err := enum("--reading kind", values["kind"], fitmentv1.Part_KIND_UNSPECIFIED)
		usage(t, err)
		if err == nil && (kind == 0) != (values["kind"] == "") {
			t.Fatalf("%q is kind %d", values["kind"], kind)
		}
	})
}

// usage accepts success and a usage error.
func usage(t *testing.T, err error) {
	t.Helper()
	var wrong usageError
	if err != nil && !errors.As(err, &wrong) {
		t.Fatalf("%v is no usage error", err)
	}
}

// FuzzQuoteItems reads arbitrary text as an item of supplies, as a further need that
// is described, and as the number of a line.
func FuzzQuoteItems(f *testing.F) {
	for _, seed := range []string{"thread lock=3.00", "a=b=1.50", "=1", "x=", "x=-1", "x=1e3", "kind=clock-spring,fit-minutes=30", "kind=,row=1,side=left", "row=1,row=1", "fit-minutes=99999999999", "1", "0", "١"} {
		f.Add(seed)
	}
	first := &fitmentv1.Need{Vehicle: &fitmentv1.Vehicle{Make: "Tarvena"}, Jurisdiction: "US-WA"}
	f.Fuzz(func(t *testing.T, text string) {
		item, err := supply(text, "USD")
		usage(t, err)
		if err == nil && (item.GetAmount() < 0 || !strings.HasPrefix(text, item.GetLabel()) && strings.TrimSpace(text[:strings.LastIndex(text, "=")]) != item.GetLabel()) {
			t.Fatalf("%q is %v", text, item)
		}
		if !strings.HasPrefix(text, "needs/") {
			further, err := (&connection{}).furtherNeed(nil, first, text, 100)
			usage(t, err)
			if err == nil && (further.GetNeed().GetVehicle().GetMake() != "Tarvena" || further.GetNeed().GetJurisdiction() != "US-WA" || further.GetLabour().GetHourlyRate() != 100) {
				t.Fatalf("%q is %v", text, further)
			}
		}
		numbers, err := lineNumbers([]string{text})
		usage(t, err)
		if err == nil && (len(numbers) != 1 || numbers[0] < 1) {
			t.Fatalf("%q is line %v", text, numbers)
		}
	})
}
