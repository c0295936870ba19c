package listing_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/identity"
)

func TestWhoSeesWhat(t *testing.T) {
	t.Parallel()
	serial := "042788"
	stated := said()
	stated.CostNote = &fitmentv1.CostNote{Cost: 4242, Note: "out of lot 7"}
	free := listing.New(stated, noon)
	held := must(t)(listing.Hold(free, "shop-a", 0, noon.Add(time.Hour), noon))
	sold := must(t)(listing.Sell(held, "shop-a", 1, noon))
	yard := identity.Principal{Tenant: "hill-yard", Roles: []identity.Role{identity.Yard}}
	admin := identity.Principal{Tenant: "office", Roles: []identity.Role{identity.Yard, identity.Admin}}
	operator := identity.Principal{Tenant: "office", Roles: []identity.Role{identity.Admin, identity.Operator}}
	holder := identity.Principal{Tenant: "shop-a", Roles: []identity.Role{identity.Shop}}
	other := identity.Principal{Tenant: "shop-b", Roles: []identity.Role{identity.Shop, identity.Yard, identity.Books}}
	nobody := identity.Principal{}
	for _, c := range []struct {
		name             string
		l                *fitmentv1.Listing
		viewer           identity.Principal
		now              time.Time
		state            fitmentv1.Listing_State
		vin, hold, buyer bool
	}{
		{"yard, free", free, yard, noon, fitmentv1.Listing_AVAILABLE, true, false, false},
		{"other, free", free, other, noon, fitmentv1.Listing_AVAILABLE, false, false, false},
		{"nobody, free", free, nobody, noon, fitmentv1.Listing_AVAILABLE, false, false, false},
		{"yard, held", held, yard, noon, fitmentv1.Listing_HELD, true, true, false},
		{"another's admin, held", held, admin, noon, fitmentv1.Listing_HELD, false, false, false},
		{"operator, held", held, operator, noon, fitmentv1.Listing_HELD, false, true, false},
		{"operator, sold", sold, operator, noon, fitmentv1.Listing_SOLD, false, true, true},
		{"holder, held", held, holder, noon, fitmentv1.Listing_HELD, true, true, false},
		{"other, held", held, other, noon, fitmentv1.Listing_HELD, false, false, false},
		{"holder, run out", held, holder, noon.Add(time.Hour), fitmentv1.Listing_AVAILABLE, false, true, false},
		{"buyer, sold", sold, holder, noon.Add(time.Hour), fitmentv1.Listing_SOLD, true, true, true},
		{"yard, sold", sold, yard, noon, fitmentv1.Listing_SOLD, true, true, true},
		{"other, sold", sold, other, noon, fitmentv1.Listing_SOLD, false, false, false},
	} {
		before := proto.Clone(c.l)
		v := listing.View(c.l, c.viewer, c.now)
		raw, err := protojson.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		if v.GetState() != c.state || strings.Contains(string(raw), serial) != c.vin || (v.GetHold() != nil) != c.hold || (v.GetBuyer() != "") != c.buyer {
			t.Errorf("%s: got %s", c.name, raw)
		}
		if !c.vin && v.GetDonor().GetVin() != "1M8GDM9AXKP******" {
			t.Errorf("%s: VIN %q", c.name, v.GetDonor().GetVin())
		}
		if sees := v.GetCostNote() != nil; sees != (c.viewer.Tenant == "hill-yard") {
			t.Errorf("%s sees what the part cost: %v", c.name, sees)
		}
		if !proto.Equal(before, c.l) {
			t.Errorf("%s: the stored listing was changed", c.name)
		}
	}
}

func TestDecisionsDoNotTellTheVIN(t *testing.T) {
	t.Parallel()
	l := listing.New(said(), noon)
	decision := func() *fitmentv1.Decision {
		return &fitmentv1.Decision{
			Findings: []*fitmentv1.Finding{{
				Reason: "the VIN 1m8GDM9AXKP042788 is well formed (1M8GDM9AXKP042788)", Remedy: "compare 1M8GDM9AXKP042788",
				Evidence: []*fitmentv1.Evidence{proto.Clone(l.GetEvidence()[1]).(*fitmentv1.Evidence)},
			}},
			MissingEvidence: []*fitmentv1.MissingEvidence{{Ask: "photo of 1M8GDM9AXKP042788", Reason: "1M8GDM9AXKP042788"}},
			ArrivalChecks:   []*fitmentv1.ArrivalCheck{{Check: "1M8GDM9AXKP042788", Pass: "1M8GDM9AXKP042788"}},
			Cautions:        []string{"1M8GDM9AXKP042788"},
		}
	}
	l.Donor.Vin = "1m8GDM9AXKP042788"
	full := decision()
	masked := listing.MaskDecision(full, l, identity.Principal{Tenant: "shop-b"}, noon)
	raw, err := protojson.Marshal(masked)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(raw), "042788") {
		t.Errorf("the serial shows: %s", raw)
	}
	if !proto.Equal(full, decision()) {
		t.Error("the decision itself was masked")
	}
	if !proto.Equal(listing.MaskDecision(full, l, identity.Principal{Tenant: "hill-yard"}, noon), decision()) {
		t.Errorf("the yard sees its own: %v", full)
	}
}

// TestTheVINIsMaskedWhereverTheYardWroteIt: in every text of the listing, in any
// letters, for View and for decisions that quote the evidence.
func TestTheVINIsMaskedWhereverTheYardWroteIt(t *testing.T) {
	t.Parallel()
	const vin = "1M8GDM9AXKP042788"
	stranger, yard := identity.Principal{Tenant: "shop-b", Roles: []identity.Role{identity.Shop}}, identity.Principal{Tenant: "hill-yard"}
	l := listing.New(said(), noon)
	l.PartMaker, l.Donor.Body = "out of "+vin, "saloon "+vin
	l.Note = "pulled from " + vin + ", also known as 1m8gdm9axkp042788"
	l.Evidence = append(l.GetEvidence(),
		&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_RECALL_OPEN, Value: "no", How: "maker's query for " + vin, By: "dealer, for " + vin},
		&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_PULLED_BY, Value: "J. Field (" + vin + ")"},
		&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_VIN, Value: "2M8GDM9AXKP055555", How: "door label"},
		&fitmentv1.Evidence{Attribute: fitmentv1.Evidence_DONOR_DRIVE_SIDE, Value: "LEFT", How: "photo of 2M8GDM9AXKP055555"})
	before := proto.Clone(l)
	decision := &fitmentv1.Decision{Findings: []*fitmentv1.Finding{{Rule: "recall.open", Evidence: l.GetEvidence()}}}
	for name, m := range map[string]proto.Message{
		"view": listing.View(l, stranger, noon), "decision": listing.MaskDecision(decision, l, stranger, noon),
	} {
		raw, err := protojson.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		for _, serial := range []string{"042788", "055555"} {
			if strings.Contains(string(raw), serial) {
				t.Errorf("%s shows %s: %s", name, serial, raw)
			}
		}
		if !strings.Contains(string(raw), "maker's query for 1M8GDM9AXKP******") {
			t.Errorf("%s: more than the serial is gone: %s", name, raw)
		}
	}
	if !proto.Equal(before, l) {
		t.Error("the stored listing was changed")
	}
	if !proto.Equal(listing.View(l, yard, noon), l) {
		t.Error("the yard does not see its own")
	}
}

// TestAShortVINIsNoWord: what is no longer than the serial might be any word, so
// it is masked in its own place only, and names stay.
func TestAShortVINIsNoWord(t *testing.T) {
	t.Parallel()
	l := said()
	l.StockNumber, l.Donor.Vin, l.Note = "B-17-1M8GDM9AXKP042788", "no", "no rust, no dents"
	l.Evidence[1].Value = "1M8GDM9AXKP042788"
	l = listing.New(l, noon)
	v := listing.View(l, identity.Principal{Tenant: "shop-b"}, noon)
	if v.GetDonor().GetVin() != "**" || v.GetNote() != "no rust, no dents" || v.GetEvidence()[1].GetValue() != "1M8GDM9AXKP******" {
		t.Errorf("got %v", v)
	}
	if v.GetName() != l.GetName() || v.GetStockNumber() != l.GetStockNumber() || v.GetYard() != l.GetYard() {
		t.Errorf("the listing cannot be found by %s", v.GetName())
	}
}

func TestMaskVIN(t *testing.T) {
	t.Parallel()
	for vin, want := range map[string]string{"": "", "ABC": "***", "ABCDEF": "******", "ABCDEFG": "A******", "1M8GDM9AXKP042788": "1M8GDM9AXKP******"} {
		if got := listing.MaskVIN(vin); got != want {
			t.Errorf("MaskVIN(%q) = %q, want %q", vin, got, want)
		}
	}
}

func TestNames(t *testing.T) {
	t.Parallel()
	yard, stock, ok := listing.ParseName(listing.Name("hill-yard", "B_17-x"))
	if !ok || yard != "hill-yard" || stock != "B_17-x" {
		t.Errorf("got %q, %q, %t", yard, stock, ok)
	}
	for _, bad := range []string{"", "listings/", "listings/a", "listings/a.", "listings/.b", "listings/A.b", "listings/a.b.c", "listings/a.b:c", "parts/a.b", "listings/a.b ", "listings/a.b\x00"} {
		if _, _, ok := listing.ParseName(bad); ok {
			t.Errorf("%q was taken for a name", bad)
		}
	}
}
