package tax_test

import (
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/quote/tax"
)

// What the sources settle, and nothing else, is in the packs. California: Business
// Taxes Law Guide, annotations 315.0370 and 315.0400, and 16 CCR 3356(c). Ohio:
// information release of 22 March 1982 (29.95 and a core of 10.00 are taxed as
// 39.95; the 10.00 come back, no tax does). Colorado: GIL 17-017.
func TestBuiltinPacks(t *testing.T) {
	t.Parallel()
	taxed := map[string]bool{"part": true, "core": true}
	want := map[string]map[string]tax.Answer{
		"US-CA": {
			"used": tax.No, "new": tax.No, "reconditioned": tax.Yes,
			"percentage": tax.No, "itemised": tax.Yes,
		},
		"US-OH": {"used": tax.No, "new": tax.No, "reconditioned": tax.No},
		"US-CO": {"used": tax.No, "new": tax.No, "reconditioned": tax.No},
	}
	all := tax.Builtin().All()
	if len(all) != len(want) {
		t.Errorf("%d packs, want %d", len(all), len(want))
	}
	for _, pack := range all {
		answers, listed := want[pack.Place]
		if !listed {
			t.Errorf("%s is not in the table", pack.Place)
		}
		expect := func(what string, rule tax.Rule, answer tax.Answer) {
			if answer == "" {
				answer = tax.Unstated
			}
			if rule.Answer != answer || (rule.Source == "") != (answer == tax.Unstated) {
				t.Errorf("%s, %s: %+v, want %s", pack.Place, what, rule, answer)
			}
		}
		for _, line := range tax.Lines() {
			answer := tax.Unstated
			if taxed[string(line)] {
				answer = tax.Yes
			}
			expect(string(line), pack.Taxed[line], answer)
		}
		for _, condition := range tax.Conditions() {
			expect(string(condition), pack.CoreTaxReturned[condition], answers[string(condition)])
		}
		expect("percentage", pack.PercentageSupplies, answers["percentage"])
		expect("itemised", pack.Itemised, answers["itemised"])
		if pack.Rounding != (tax.RoundingRule{}) || pack.RoundsByLine() {
			t.Errorf("%s: rounding %+v", pack.Place, pack.Rounding)
		}
	}
}

func TestWhatIsUnstatedIsNotTaxedAndSaid(t *testing.T) {
	t.Parallel()
	ohio, known := tax.Builtin().For(" US-OH ")
	if !known {
		t.Fatal("Ohio is not known")
	}
	for _, line := range tax.Lines() {
		if got, want := ohio.Taxes(line), line == tax.Part || line == tax.Core; got != want {
			t.Errorf("%s is taxed: %t", line, got)
		}
	}
	if ohio.AllowsPercentage() || ohio.ReturnsCoreTax(tax.Used) {
		t.Error("what is unstated must be as Default has it")
	}
	said := strings.Join(ohio.Sentences(), "\n")
	for _, part := range []string{"whether Ohio allows supplies as a percentage", "where Ohio rounds tax is not settled", "Ohio taxes freight, handling of dangerous goods, labour of the arrival check, labour of fitting and supplies", "no tax advice"} {
		if !strings.Contains(said, part) {
			t.Errorf("%q is not in %q", part, said)
		}
	}
}

// Every rule that a pack states is told with its source, once; then what is open.
func TestStatements(t *testing.T) {
	t.Parallel()
	ohio, _ := tax.Builtin().For("US-OH")
	got := ohio.Statements()
	release := ohio.Taxed[tax.Part].Source
	want := []tax.Statement{
		{Text: "The price of the part is taxed.", Source: release},
		{Text: "Tax is charged on the price with the core charge in it.", Source: release},
		{Text: "When the core comes back, the core charge is given back and the tax on it is not.", Source: release},
	}
	for _, sentence := range ohio.Sentences() {
		want = append(want, tax.Statement{Text: sentence})
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if got := tax.Default("").Statements(); len(got) != 1 || got[0].Source != "" {
		t.Errorf("the default says %+v", got)
	}
	if got := invented("AQ").Statements(); len(got) != 1 { // all in one text and source
		t.Errorf("%+v", got)
	}
}

func TestUnknownPlaces(t *testing.T) {
	t.Parallel()
	for place, says := range map[string]string{"": "no place is stated", "US-ZZ": "rules of US-ZZ are not kept", "us-ca": "rules of us-ca are not kept", "US": "rules of US are not kept"} {
		pack, known := tax.Builtin().For(place)
		if known || !cmp.Equal(pack, tax.Default(place)) {
			t.Errorf("%q: %+v, known %t", place, pack, known)
		}
		if got := pack.Sentences(); len(got) != 1 || !strings.Contains(got[0], says) || !strings.Contains(got[0], "rounded once") {
			t.Errorf("%q: %q", place, got)
		}
		if !pack.Taxes(tax.Part) || !pack.Taxes(tax.Core) || pack.Taxes(tax.Freight) || pack.Taxes(tax.FitLabour) ||
			pack.ReturnsCoreTax(tax.Reconditioned) || pack.AllowsPercentage() || pack.RoundsByLine() {
			t.Errorf("%q does not follow the default: %+v", place, pack)
		}
	}
}

// A percentage is allowed only where a pack says so, and a refusal says why.
func TestPercentageOnlyWhereAllowed(t *testing.T) {
	t.Parallel()
	for place, says := range map[string]string{
		"":      "no place is stated, so whether supplies may be a percentage of the labour is not known",
		"US-ZZ": "the rules of US-ZZ are not kept here, so whether",
		"US-OH": "the sources kept here for Ohio do not settle it, so whether",
		"US-CO": "the sources kept here for Colorado do not settle it, so whether",
		"US-CA": "California does not allow a percentage of the labour (16 CCR 3356(c)",
	} {
		pack, _ := tax.Builtin().For(place)
		if got := pack.NoPercentage(); pack.AllowsPercentage() || !strings.HasPrefix(got, says) {
			t.Errorf("%q: %q, want %q", place, got, says)
		}
	}
	if pack := invented("AQ"); !pack.AllowsPercentage() || pack.NoPercentage() != "" {
		t.Errorf("a pack that allows it: %q", pack.NoPercentage())
	}
}

// invented is a pack in which everything is stated.
func invented(place string) tax.Pack {
	law := tax.Rule{Answer: tax.Yes, Text: "T", Source: "S"}
	pack := tax.Pack{
		Place: place, Name: "Ice", Version: "2026-11-25", Taxed: map[tax.Line]tax.Rule{}, CoreTaxReturned: map[tax.Condition]tax.Rule{},
		PercentageSupplies: law, Itemised: law, Rounding: tax.RoundingRule{Boundary: tax.ByLine, Text: "T", Source: "S"},
	}
	for _, line := range tax.Lines() {
		pack.Taxed[line] = law
	}
	for _, condition := range tax.Conditions() {
		pack.CoreTaxReturned[condition] = law
	}
	return pack
}

func TestAPackThatStatesAll(t *testing.T) {
	t.Parallel()
	set, err := tax.Builtin().With(invented("AQ"))
	if err != nil {
		t.Fatal(err)
	}
	pack, known := set.For("AQ")
	if !known || !pack.Taxes(tax.Freight) || !pack.ReturnsCoreTax(tax.Used) || !pack.RoundsByLine() || len(pack.Sentences()) != 0 {
		t.Errorf("%+v, %q", pack, pack.Sentences())
	}
	pack.Taxed[tax.Part] = tax.Rule{Answer: tax.No, Text: "T", Source: "S"}
	if pack.Taxes(tax.Part) {
		t.Error("a part that the law frees is taxed")
	}
	if _, known := tax.Builtin().For("AQ"); known {
		t.Error("With changed the set that it was asked of")
	}
}

func TestWithRefuses(t *testing.T) {
	t.Parallel()
	sound := invented("AQ")
	nameless := sound
	nameless.Name = ""
	extra := invented("AQ")
	extra.Taxed["tips"] = tax.Rule{Answer: tax.Yes, Text: "T", Source: "S"}
	for says, packs := range map[string][]tax.Pack{
		"a second pack about AQ": {sound, sound},
		"name: empty":            {nameless},
		"place: \"\"":            {{}},
		"more than there are":    {extra},
	} {
		if _, err := (&tax.Set{}).With(packs...); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v; want %q", err, says)
		}
	}
	// a replaced place
	other := invented("US-OH")
	set, err := tax.Builtin().With(other)
	if err != nil {
		t.Fatal(err)
	}
	if got, _ := set.For("US-OH"); got.Name != "Ice" || len(set.All()) != len(tax.Builtin().All()) {
		t.Errorf("%+v", got)
	}
}

func TestLoad(t *testing.T) {
	t.Parallel()
	folder := fstest.MapFS{
		"b.json":     {Data: invented("AQ").Bytes()},
		"sub/a.json": {Data: invented("BV").Bytes()},
		"README.md":  {Data: []byte("no pack")},
	}
	packs, err := tax.Load(folder)
	if err != nil || len(packs) != 2 || !slices.ContainsFunc(packs, func(p tax.Pack) bool { return p.Place == "BV" }) {
		t.Errorf("%+v, %v", packs, err)
	}
	folder["c.json"] = &fstest.MapFile{Data: []byte(`{"place":"AQ"}`)}
	if _, err := tax.Load(folder); err == nil || !strings.Contains(err.Error(), "c.json") {
		t.Errorf("a file that is no pack: %v", err)
	}
}
