package document_test

import (
	"bytes"
	"errors"
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/document"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/paper/papertest"
	"beltwright.example/services/platform/transport"
)

var now = time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC)

const vin = "1J9RP1A36A1644345"

func part(kind fitmentv1.Part_Kind) *fitmentv1.Listing {
	return &fitmentv1.Listing{
		Name: "listings/kettlewick.SOLANE-1", Yard: "kettlewick", StockNumber: "SOLANE-1", Kind: kind, Jurisdiction: "US-WA",
		Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, PartMaker: "Korrin", PartNumber: "KB-40118",
		Donor: &fitmentv1.Vehicle{Vin: vin, Make: "Tarvena", Model: "Solane", ModelYear: 2006, Body: "saloon"},
		Evidence: []*fitmentv1.Evidence{
			{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: vin, Level: fitmentv1.Evidence_SHOWN, How: "photo of the plate", By: "kettlewick", Date: "2026-06-01"},
			{Attribute: fitmentv1.Evidence_LOOP_RESISTANCE, Value: "2.1", Level: fitmentv1.Evidence_SHOWN, Reading: &fitmentv1.Reading{Method: fitmentv1.Reading_MODULE_REPORTED}},
			{Attribute: fitmentv1.Evidence_FLOOD, Value: "no", Level: fitmentv1.Evidence_CLAIMED},
		},
		Note: "from " + vin, CurrencyCode: "USD", Price: 185_00, UpdateTime: timestamppb.New(now), ReturnOf: "listings/kettlewick.SOLANE-0",
		Terms: &fitmentv1.Terms{UnNumber: "UN3268", WeightGrams: 1_250},
	}
}

func says(t *testing.T, text string, wanted ...string) {
	t.Helper()
	for _, want := range wanted {
		if !strings.Contains(text, want) {
			t.Errorf("the document lacks %q; it says\n%s", want, text)
		}
	}
}

// TestTagOfAReturnedPart: the tag of a part that failed on arrival says so.
func TestTagOfAReturnedPart(t *testing.T) {
	t.Parallel()
	back := part(fitmentv1.Part_BUCKLE_PRETENSIONER)
	back.State = fitmentv1.Listing_RETURNING
	back.ReturnReport = &fitmentv1.ReturnReport{FailedChecks: []string{"Look into the connector for the shorting clip."}}
	raw, err := document.Tag(back, "https://example.org:8443/beltwright", now, paper.A4)
	if err != nil {
		t.Fatal(err)
	}
	says(t, papertest.Flat(t, raw), "not on sale: on its way back", "failed on arrival", "Look into the connector for the shorting clip.")
}

func TestTag(t *testing.T) {
	t.Parallel()
	for name, size := range map[string]paper.Size{"a4": paper.A4, "letter": paper.Letter} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			raw, err := document.Tag(part(fitmentv1.Part_BUCKLE_PRETENSIONER), "https://example.org:8443/beltwright", now, size)
			if err != nil {
				t.Fatal(err)
			}
			const link = "https://example.org:8443/beltwright/v1/listings/kettlewick.SOLANE-1"
			text := papertest.Flat(t, raw)
			says(t, text, "SOLANE-1", "buckle pretensioner", "row 1 right", link, "used part, taken from another vehicle", "Korrin KB-40118",
				"2006 Tarvena Solane saloon, VIN 1J9RP1A36A1******", "kettlewick, US-WA", "listings/kettlewick.SOLANE-0", "from 1J9RP1A36A1******",
				"Live part: it can fire.", "The shorting clip stays", "40 CFR 261.4(j)",
				"donor VIN: 1J9RP1A36A1******; loop resistance: 2.1 Ω module reported", "flood: no")
			for _, beside := range []string{`shown +donor VIN`, `claimed by the yard +flood: no`} {
				if !regexp.MustCompile(beside).MatchString(papertest.Text(t, raw)) {
					t.Errorf("nothing matches %s in\n%s", beside, papertest.Text(t, raw))
				}
			}
			if strings.Contains(text, vin) {
				t.Error("the donor's VIN stands on the tag in full")
			}
			pages := papertest.Pages(t, "tag-"+name, raw)
			if got := papertest.Codes(t, pages[0]); len(got) != 1 || got[0] != link {
				t.Errorf("the code reads %q, want %q", got, link)
			}
			again, err := document.Tag(part(fitmentv1.Part_BUCKLE_PRETENSIONER), "https://example.org:8443/beltwright", now, size)
			if err != nil || !bytes.Equal(raw, again) {
				t.Errorf("other bytes for the same listing, %v", err)
			}
		})
	}
}

// The longest address and name that are allowed still make a code that is read.
func TestTheLongestCodeIsRead(t *testing.T) {
	t.Parallel()
	l := part(fitmentv1.Part_CURTAIN_AIR_BAG)
	l.Yard, l.StockNumber = strings.Repeat("y", 32), strings.Repeat("8", 40)
	l.Name = "listings/" + l.GetYard() + "." + l.GetStockNumber()
	address := "https://" + strings.Repeat("a", 192)
	raw, err := document.Tag(l, address, now, paper.Letter)
	if err != nil {
		t.Fatal(err)
	}
	if got := papertest.Codes(t, papertest.Pages(t, "tag-long", raw)[0]); len(got) != 1 || got[0] != address+"/v1/"+l.GetName() {
		t.Errorf("the code reads %q", got)
	}
}

func TestAKindWithoutAChargeIsNotCalledLive(t *testing.T) {
	t.Parallel()
	raw, err := document.Tag(part(fitmentv1.Part_CLOCK_SPRING), "http://127.0.0.1:8080", now, paper.A4)
	if err != nil {
		t.Fatal(err)
	}
	if text := papertest.Flat(t, raw); strings.Contains(text, "Live part") {
		t.Errorf("a clock spring is called live: %s", text)
	}
	if _, err := document.Tag(part(fitmentv1.Part_CLOCK_SPRING), "http://127.0.0.1:8080", now, 9); !errors.Is(err, paper.ErrSize) {
		t.Errorf("a size of paper that there is not: %v", err)
	}
}

// What each case must say is in 49 CFR 172.101 (entry UN3268: class 9, 25 kg a
// package on passenger aircraft), 49 CFR 173.166(d)(1) (inside a completed
// component), 173.166(d)(4) ("Recycled") and PHMSA interpretation 25-0159.
func TestShipping(t *testing.T) {
	t.Parallel()
	buckle := fitmentv1.Part_BUCKLE_PRETENSIONER
	for name, c := range map[string]struct {
		kind     fitmentv1.Part_Kind
		change   func(*fitmentv1.Terms)
		mode     transport.Mode
		recycler bool
		want     []string
	}{
		"loose by road": {
			buckle, nil, transport.Road, false,
			[]string{"is not settled", "1.250 kg", "Safety devices, electrically initiated", "CLASS 9", "not written: it does not go to a recycling facility", "whether the shipper has the training", "UN3268"},
		},
		"26 kg on passenger aircraft": {
			buckle, func(t *fitmentv1.Terms) { t.WeightGrams = 26_000 }, transport.PassengerAircraft, false,
			[]string{"It may not be shipped so.", "at most 25 kg", "26.000 kg"},
		},
		"to a recycling facility": {
			buckle, nil, transport.Road, true, []string{"a recycling facility", "right after the basic description"},
		},
		"an explosive": {
			buckle, func(t *fitmentv1.Terms) { t.UnNumber = "UN0503" }, transport.Road, false, []string{"1.4G", "EX number or product code"},
		},
		"in a seat": {
			buckle, func(t *fitmentv1.Terms) { t.InComponent = true }, transport.Road, false, []string{"inside a completed component", "173.166(d)(1)"},
		},
		"not classified": {
			buckle, func(t *fitmentv1.Terms) { t.UnNumber, t.WeightGrams = "", 0 }, transport.Sea, false,
			[]string{"is not settled", "what it is classified as is not known", "not stated"},
		},
		"without a charge": {
			fitmentv1.Part_CRASH_SENSOR, func(t *fitmentv1.Terms) { t.UnNumber = "" }, transport.Road, false, []string{"holds no charge"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			l := part(c.kind)
			if c.change != nil {
				c.change(l.GetTerms())
			}
			raw, err := document.Shipping(l, c.mode, c.recycler, now, paper.A4)
			if err != nil {
				t.Fatal(err)
			}
			papertest.Look(t, "shipping-"+strings.ReplaceAll(name, " ", "-"), raw)
			text := papertest.Flat(t, raw)
			says(t, text, append(c.want, "listings/kettlewick.SOLANE-1", string(c.mode), "no legal advice", "VIN 1J9RP1A36A1******")...)
			if strings.Contains(text, vin) {
				t.Error("the donor's VIN is printed in full")
			}
			if strings.Contains(text, "It may be shipped so.") {
				t.Error("a shipment is allowed though nobody said who ships it")
			}
		})
	}
	wrong := part(buckle)
	wrong.Terms.UnNumber = "UN9999"
	if _, err := document.Shipping(wrong, transport.Road, false, now, paper.A4); err == nil {
		t.Error("an unknown UN number is judged")
	}
}

func TestReadMode(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]transport.Mode{
		"": transport.Road, "road": transport.Road, "ROAD": transport.Road, "passenger aircraft": transport.PassengerAircraft,
		"cargo-aircraft": transport.CargoAircraft, "PASSENGER_AIRCRAFT": transport.PassengerAircraft, "sea": transport.Sea, "hand over": transport.HandOver, "HAND_OVER": transport.HandOver,
	} {
		if got, ok := document.ReadMode(text); !ok || got != want {
			t.Errorf("%q reads as %q, %v", text, got, ok)
		}
	}
	for _, text := range []string{"air", " ", "roads", "-"} {
		if got, ok := document.ReadMode(text); ok {
			t.Errorf("%q reads as %q", text, got)
		}
	}
}
