package jurisdiction_test

import (
	"bytes"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/jurisdiction"
)

func places(packs []*jurisdiction.Pack) string {
	names := make([]string, len(packs))
	for i, p := range packs {
		names[i] = p.Jurisdiction
	}
	return strings.Join(names, " ")
}

const all = "EU GB-ENG GB-WLS NZ US US-CA US-CO US-NY US-RI US-TX US-WA"

func TestBothPlacesCount(t *testing.T) {
	t.Parallel()
	rows := []struct {
		seller, installer, packs string
		known                    bool
		says                     string // beside what is always said
	}{
		{"US-WA", "US-WA", "US US-WA", true, ""},
		{"US-WA", "US-RI", "US US-RI US-WA", true, ""},
		{"US-RI", "US-WA", "US US-RI US-WA", true, ""},
		{"NZ", "US-CO", "NZ US US-CO", true, ""},
		{"GB-ENG", "GB-WLS", "GB-ENG GB-WLS", true, ""},
		{"DE", "DE", "EU", true, "DE, where the seller stands, has no pack of its own"},
		{"DE-BY", "FR", "EU", true, "DE-BY, where the seller stands, has no pack of its own"},
		{"NZ-AUK", "NZ", "NZ", true, "NZ-AUK, where the seller stands, has no pack of its own"},
		{" US-WA ", "US-WA", "US US-WA", true, ""},
		// not stated
		{"", "US-WA", all, false, "It is not stated where the seller stands."},
		{"US-WA", "", all, false, "It is not stated where the installer stands."},
		{"", "", all, false, "It is not stated where the installer stands."},
		// state law that is not known
		{"US-OH", "US-WA", all, false, "The law of US-OH, where the seller stands, is not known here."},
		{"US", "US", all, false, "The seller stands in US, whose parts have law of their own"},
		{"GB", "GB-ENG", all, false, "The law of GB, where the seller stands, is not known here."},
		{"GB-SCT", "GB-ENG", all, false, "The law of GB-SCT"},
		{"JP", "NZ", all, false, "The law of JP"},
		{"us-wa", "US-WA", all, false, "The law of us-wa"}, // never guessed
	}
	for _, row := range rows {
		weighed := jurisdiction.Builtin().For(row.seller, row.installer)
		said := strings.Join(weighed.Notes, " ")
		if got := places(weighed.Packs); got != row.packs || weighed.Known != row.known {
			t.Errorf("For(%q, %q): %s, known %t; want %s, %t", row.seller, row.installer, got, weighed.Known, row.packs, row.known)
		}
		if !strings.Contains(said, row.says) || !strings.HasSuffix(said, jurisdiction.CheckLocalLaw) {
			t.Errorf("For(%q, %q) says %q, want %q", row.seller, row.installer, said, row.says)
		}
		if cautious := strings.Contains(said, "most cautious"); cautious == row.known {
			t.Errorf("For(%q, %q) says %q", row.seller, row.installer, said)
		}
		if row.known && row.says == "" && len(weighed.Notes) != 1 {
			t.Errorf("For(%q, %q) says %q", row.seller, row.installer, weighed.Notes)
		}
	}
}

// Whoever says less of where the parties stand never has fewer provisions to keep,
// and who is seller and who installer makes no difference to what counts.
func TestSayingLessAsksForMore(t *testing.T) {
	t.Parallel()
	known := append(strings.Fields(all), "DE", "NZ-AUK", "US-OH", "JP", "")
	rapid.Check(t, func(t *rapid.T) {
		set := jurisdiction.Builtin()
		a, b := rapid.SampledFrom(known).Draw(t, "seller"), rapid.SampledFrom(known).Draw(t, "installer")
		both := set.For(a, b)
		if other := set.For(b, a); places(other.Packs) != places(both.Packs) || other.Known != both.Known {
			t.Fatalf("For(%q, %q) and For(%q, %q) differ", a, b, b, a)
		}
		for _, less := range []jurisdiction.Weighed{set.For(a, ""), set.For("", b), set.For("", "")} {
			for _, p := range both.Packs {
				if less.Known || !slices.Contains(less.Packs, p) {
					t.Fatalf("For(%q, %q) asks for %s, but saying less does not", a, b, p.Jurisdiction)
				}
			}
		}
		if alone := set.For(a, a); both.Known {
			for _, p := range alone.Packs {
				if !slices.Contains(both.Packs, p) {
					t.Fatalf("For(%q, %q) leaves out %s", a, b, p.Jurisdiction)
				}
			}
		}
	})
}

func TestOwnPacksReplaceAndAdd(t *testing.T) {
	t.Parallel()
	forbid := jurisdiction.Provision{ID: "DE.none", Sale: true, Condition: jurisdiction.Forbidden, Text: "None may be sold.", Source: "invented"}
	german := &jurisdiction.Pack{Jurisdiction: "DE", Place: "Germany", Version: "2026-11-26", Within: "EU", Provisions: []jurisdiction.Provision{forbid}}
	washington := &jurisdiction.Pack{Jurisdiction: "US-WA", Place: "Washington", Version: "2026-12-01", Within: "US"}
	set, err := jurisdiction.Builtin().With(german, washington)
	if err != nil {
		t.Fatal(err)
	}
	// Germany stands in the EU's list too; its own pack comes first.
	for _, place := range []string{"DE", "DE-BY"} {
		if got := set.For(place, "US-WA"); places(got.Packs) != "DE EU US US-WA" || !got.Known || got.Packs[3] != washington {
			t.Errorf("For(%s): %s, known %t", place, places(got.Packs), got.Known)
		}
	}
	if before := jurisdiction.Builtin().For("DE", "US-WA"); places(before.Packs) != "EU US US-WA" || before.Packs[2] == washington {
		t.Errorf("the set that the program brings has changed: %s", places(before.Packs))
	}
	if got := len(set.All()); got != len(jurisdiction.Builtin().All())+1 {
		t.Errorf("%d packs", got)
	}
}

func TestUnsoundSetsAreRefused(t *testing.T) {
	t.Parallel()
	sound := func(place, within string) *jurisdiction.Pack {
		return &jurisdiction.Pack{Jurisdiction: place, Place: "Somewhere", Version: "2026-11-25", Within: within}
	}
	rows := map[string]struct {
		packs []*jurisdiction.Pack
		says  string
	}{
		"none":             {[]*jurisdiction.Pack{nil}, "pack 1: there is none"},
		"twice":            {[]*jurisdiction.Pack{sound("JP", ""), sound("JP", "")}, "pack 2: a second pack about JP"},
		"unknown within":   {[]*jurisdiction.Pack{sound("JP-13", "JP")}, "pack JP-13: within: there is no pack about JP"},
		"in each other":    {[]*jurisdiction.Pack{sound("JP", "KR"), sound("KR", "JP")}, "the place lies in itself"},
		"not sound itself": {[]*jurisdiction.Pack{sound("Japan", "")}, "jurisdiction"},
	}
	for name, row := range rows {
		if _, err := jurisdiction.Builtin().With(row.packs...); err == nil || !strings.Contains(err.Error(), row.says) {
			t.Errorf("%s: %v, want %q", name, err, row.says)
		}
	}
}

func TestLoadReadsAFolder(t *testing.T) {
	t.Parallel()
	file := func(place string) *fstest.MapFile {
		return &fstest.MapFile{Data: fmt.Appendf(nil, `{"jurisdiction":%q,"place":"P","version":"2026-11-25"}`, place)}
	}
	folder := fstest.MapFS{"b.json": file("JP"), "a/c.json": file("KR"), "README": {Data: []byte("not a pack")}}
	packs, err := jurisdiction.Load(folder)
	if err != nil || places(packs) != "KR JP" {
		t.Errorf("%s, %v", places(packs), err)
	}
	folder["bad.json"] = &fstest.MapFile{Data: []byte(`{}`)}
	if _, err := jurisdiction.Load(folder); err == nil || !strings.Contains(err.Error(), "bad.json") {
		t.Errorf("a bad file: %v", err)
	}
	folder["bad.json"] = &fstest.MapFile{Data: bytes.Repeat([]byte(" "), 1<<20)}
	if _, err := jurisdiction.Load(folder); err == nil || !strings.Contains(err.Error(), "at most") {
		t.Errorf("a large file: %v", err)
	}
	if _, err := jurisdiction.Load(os.DirFS(t.TempDir() + "/none")); err == nil {
		t.Error("a folder that is not there is no error")
	}
	if packs, err := jurisdiction.Load(fstest.MapFS{}); err != nil || len(packs) != 0 {
		t.Errorf("an empty folder: %v, %v", packs, err)
	}
}

// The files are written as Bytes writes them, so that a change of a pack is a
// change of these lines alone.
func TestFilesAreWrittenAsBytesWritesThem(t *testing.T) {
	t.Parallel()
	folder := os.DirFS("packs")
	for _, p := range jurisdiction.Builtin().All() {
		file, err := fs.ReadFile(folder, p.Jurisdiction+".json")
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(file, p.Bytes()) {
			t.Errorf("packs/%s.json is not as Bytes writes it", p.Jurisdiction)
		}
	}
}

// What is to be said, asked and kept is told of the places that are stated: a
// stranger's duties would only hide one's own. Only where a place is not stated at
// all may it be any place's law.
func TestDutiesAreThoseOfTheStatedPlaces(t *testing.T) {
	t.Parallel()
	set := jurisdiction.Builtin()
	every := places(set.All())
	for _, c := range []struct{ seller, installer, weighed, asking string }{
		{"US-WA", "US-CO", "US US-CO US-WA", "US US-CO US-WA"},
		{"US-MT", "US-WA", every, "US US-WA"},
		{"US", "US-WA", every, "US US-WA"},
		{"US-MT", "US-ID", every, "US"},
		{"XX", "NZ", every, "NZ"},
		{"XX", "XY", every, ""},
		{"", "US-WA", every, every},
		{"US-WA", "", every, every},
	} {
		got := set.For(c.seller, c.installer)
		if places(got.Packs) != c.weighed || places(got.Asking) != c.asking {
			t.Errorf("%q, %q: weighed %s, asking %s; want %s, %s", c.seller, c.installer, places(got.Packs), places(got.Asking), c.weighed, c.asking)
		}
	}
}

// Each party is told of its own duties, and only about the kind of part that they
// are about (C.R.S. 42-9-109.5 and RCW 46.37.660 are about air bags). Colorado's
// record of three years is read as asked of either.
func TestObligationsBindTheirParty(t *testing.T) {
	t.Parallel()
	const bag, belt = fitmentv1.Part_SIDE_AIR_BAG, fitmentv1.Part_BUCKLE_PRETENSIONER
	for name, c := range map[string]struct {
		seller, installer string
		kind              fitmentv1.Part_Kind
		place             string
		want              []fitmentv1.Obligation_Party
	}{
		"seller in Colorado":        {"US-CO", "US-WA", bag, "US-CO", []fitmentv1.Obligation_Party{fitmentv1.Obligation_PARTY_UNSPECIFIED, fitmentv1.Obligation_SELLER}},
		"installer in Washington":   {"US-CO", "US-WA", bag, "US-WA", []fitmentv1.Obligation_Party{fitmentv1.Obligation_INSTALLER}},
		"installer in Colorado":     {"US-WA", "US-CO", bag, "US-CO", []fitmentv1.Obligation_Party{fitmentv1.Obligation_PARTY_UNSPECIFIED, fitmentv1.Obligation_INSTALLER}},
		"both in Colorado":          {"US-CO", "US-CO", bag, "US-CO", []fitmentv1.Obligation_Party{fitmentv1.Obligation_PARTY_UNSPECIFIED, fitmentv1.Obligation_SELLER, fitmentv1.Obligation_INSTALLER}},
		"a pretensioner":            {"US-CO", "US-CO", belt, "US-CO", nil},
		"a kind that is not stated": {"US-CO", "US-CO", 0, "US-CO", []fitmentv1.Obligation_Party{fitmentv1.Obligation_PARTY_UNSPECIFIED, fitmentv1.Obligation_SELLER, fitmentv1.Obligation_INSTALLER}},
		"seller not stated":         {"", "US-WA", bag, "US-CO", []fitmentv1.Obligation_Party{fitmentv1.Obligation_PARTY_UNSPECIFIED, fitmentv1.Obligation_SELLER}},
		"installer not stated":      {"US-CO", "", bag, "US-WA", []fitmentv1.Obligation_Party{fitmentv1.Obligation_INSTALLER}},
		"either":                    {"US-RI", "US-WA", bag, "US-RI", []fitmentv1.Obligation_Party{fitmentv1.Obligation_PARTY_UNSPECIFIED}},
		"the country of both":       {"US-CO", "US-WA", belt, "US", []fitmentv1.Obligation_Party{fitmentv1.Obligation_SELLER, fitmentv1.Obligation_INSTALLER}},
	} {
		weighed := jurisdiction.Builtin().For(c.seller, c.installer)
		var got []fitmentv1.Obligation_Party
		for _, o := range weighed.Obligations(c.kind) {
			if o.GetJurisdiction() == c.place && !slices.Contains(got, o.GetParty()) {
				got = append(got, o.GetParty())
			}
		}
		slices.Sort(got)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: %s asks something of %v, want %v", name, c.place, got, c.want)
		}
	}
}

// What is asked of fitting a part that is not from another vehicle: California's
// rules on estimates and invoices are about every part (16 CCR 3353, 3356 and
// 3358), Washington's about air bags new or salvaged (RCW 46.37.660), Colorado's
// about salvaged ones only (C.R.S. 42-9-109.5); what a seller owes is not asked
// (16 CFR 20.1).
func TestFittingANewPart(t *testing.T) {
	t.Parallel()
	const bag, belt = fitmentv1.Part_SIDE_AIR_BAG, fitmentv1.Part_BUCKLE_PRETENSIONER
	const california = "US WHO, US-CA CONSENT, US-CA INVOICE, US-CA FORBIDDEN_WORDS, US-CA KEEP"
	for _, c := range []struct {
		place string
		kind  fitmentv1.Part_Kind
		want  string
	}{
		{"US-CA", belt, california},
		{"US-CA", bag, california},
		{"US-WA", bag, "US WHO, US-WA VERIFY, US-WA WHO"},
		{"US-WA", belt, "US WHO"},
		{"US-CO", bag, "US WHO"},
		{"US-NY", bag, "US WHO"},
		{"US-RI", bag, "US WHO, US-RI DISCLOSE, US-RI VERIFY"},
		{"US-TX", bag, "US WHO, US-TX WHO"},
		{"NZ", bag, ""},
		{"GB-ENG", bag, ""},
		{"XX", bag, ""},
		{"", belt, california},
	} {
		var got []string
		for _, o := range jurisdiction.Builtin().Fitting(c.place, c.kind) {
			got = append(got, o.GetJurisdiction()+" "+o.GetType().String())
		}
		if all := strings.Join(got, ", "); all != c.want {
			t.Errorf("%q, %s: asked is %s; want %s", c.place, c.kind, all, c.want)
		}
	}
}
