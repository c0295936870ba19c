package build

import (
	"bytes"
	"compress/gzip"
	"io"
	"strings"
	"testing"

	"beltwright.example/services/fitment/vindata"
)

// sample is the data that package vindata's test of the reader holds by hand.
func sample() *Set {
	return &Set{
		Source: "S", Date: "D",
		WMIs: []WMI{{Code: "WWW", Type: vindata.PassengerCar, Makes: []string{"M"}, Uses: []Use{{Schema: 0, From: 1982}}}},
		Schemas: [][]Pattern{{
			{Key: "A*C", Element: vindata.Model, Value: "O", Make: "M"},
			{Key: "A*C", Element: vindata.Body, Value: "B"},
			{Key: "AB", Element: vindata.Model, Value: "N", Make: "M"},
		}},
	}
}

func TestEncodedBytesAreTheDocumentedFormat(t *testing.T) {
	t.Parallel()
	packed, err := Encode(sample())
	if err != nil {
		t.Fatal(err)
	}
	z, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(z)
	if err != nil {
		t.Fatal(err)
	}
	want := vindata.Magic + "\x01S\x01D" + // source, date
		"\x04\x01B\x01M\x01N\x01O" + // texts
		"\x02\x03A*C\x02AB" + // keys
		"\x02\x01\x02\x01\x03" + // models M N, M O
		"\x01\x02\x00\x02\x00\x01\x01\x00\x01\x01\x00\x00" + // schema: A*C → O, body B; AB → N
		"\x01\x03WWW\x01\x01\x01\x01\x00\xbe\x0f\x00" // WWW, car, make M, schema 0 from 1982
	if string(got) != want {
		t.Errorf("got  %q\nwant %q", got, want)
	}
	again, err := Encode(sample())
	if err != nil || !bytes.Equal(again, packed) {
		t.Errorf("the same set gives other bytes (%v)", err)
	}
}

func TestPruneMergesSchemasThatSayTheSame(t *testing.T) {
	t.Parallel()
	set := sample()
	turned := []Pattern{set.Schemas[0][2], set.Schemas[0][0], set.Schemas[0][1], set.Schemas[0][0]}
	set.Schemas = append(set.Schemas, turned, nil)
	set.WMIs[0].Uses = append(set.WMIs[0].Uses, Use{Schema: 1, From: 1990}, Use{Schema: 2, From: 1991})
	(&reader{set: set}).prune()
	uses := set.WMIs[0].Uses
	if len(set.Schemas) != 2 || uses[0].Schema != 0 || uses[1].Schema != 0 || uses[2].Schema != 1 || len(set.Schemas[0]) != 3 {
		t.Errorf("schemas %v, uses %v", set.Schemas, uses)
	}
}

func TestSampleHoldsItsPatternsAndCanBeMadeAgain(t *testing.T) {
	t.Parallel()
	text, err := Sample(sample(), 20, 7)
	if err != nil {
		t.Fatal(err)
	}
	numbers := strings.Fields(string(text))
	if len(numbers) != 20 {
		t.Errorf("%d VINs, want 20", len(numbers))
	}
	for _, number := range numbers {
		if !strings.HasPrefix(number, "WWWA") || (!matches("AB", number) && !matches("A*C", number)) {
			t.Errorf("%s holds no pattern", number)
		}
		if number[check] != digit([length]byte([]byte(number))) {
			t.Errorf("%s has a wrong check digit", number)
		}
	}
	again, err := Sample(sample(), 20, 7)
	if err != nil || !bytes.Equal(again, text) {
		t.Errorf("another sample from the same seed (%v)", err)
	}
	if _, err := Sample(&Set{WMIs: []WMI{{Code: "WWW"}}}, 1, 7); err == nil {
		t.Error("a sample from nothing")
	}
}

// 49 CFR part 565, sample calculation: sum 411, remainder 4.
func TestDigit(t *testing.T) {
	t.Parallel()
	if got := digit([length]byte([]byte("1G4AH59H45G118341"))); got != '4' {
		t.Errorf("%c, want 4", got)
	}
}

func TestShareOfAKey(t *testing.T) {
	t.Parallel()
	for key, want := range map[string]float64{"*": 0.5, "AB": 1, "***ZD": 0.7, "[AB]*": 0.65, "[A-C]": 0.7} {
		if got := share(key); got < want-1e-9 || got > want+1e-9 {
			t.Errorf("%q: %g, want %g", key, got, want)
		}
	}
}

func TestExplainRefusesWhatItCannotExplain(t *testing.T) {
	t.Parallel()
	const unknown = "WWWABX11111111111"
	if _, err := Explain(sample(), unknown+"\tM\tN\t1982\n"); err == nil || !strings.Contains(err.Error(), unknown) {
		t.Errorf("a difference without a reason: %v", err)
	}
	for _, bad := range []string{"a\tb\n", unknown + "\tM\tN\tlate\n"} {
		if _, err := Explain(sample(), bad); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
	// An identifier that the embedded data does not have has no answer.
	got, err := Explain(sample(), unknown+"\t\t\t1982\n")
	if err != nil || string(got) != unknown+"\t\t\t1982\t\n" {
		t.Errorf("%q, %v", got, err)
	}
}

func TestReasons(t *testing.T) {
	t.Parallel()
	model := func(key, maker, value string) Pattern {
		return Pattern{Key: key, Element: vindata.Model, Value: value, Make: maker}
	}
	patterns := []Pattern{
		model("*", "M", "Wild"), model("X****|*[AB]", "M", "Set"), model("YZZZZ|*C", "M", "Far"), model("Y", "M", "Near"),
		model("G", "M", "Short"), model("***ZD", "M", "Long"), model("K", "M", "Own"), model("K", "L", "Other"),
	}
	set := &Set{WMIs: []WMI{{Code: "WWW", Uses: []Use{{From: 1981}}}}, Schemas: [][]Pattern{patterns}}
	tie := []vindata.Name{{Make: "M", Model: "N"}, {Make: "M", Model: "O"}}
	for name, c := range map[string]struct {
		d    difference
		want string
	}{
		"same":    {difference{number: "WWWG1ZZ11A1111111", make: "M", model: "Short", ours: vindata.Record{Make: "M", Model: "Short"}}, ""},
		"weak":    {difference{number: "WWWQ1ZZ11A1111111", make: "M", ours: vindata.Record{Make: "M", Model: "Wild"}}, Weak},
		"bar-set": {difference{number: "WWWX1ZZ111A111111", make: "M", ours: vindata.Record{Make: "M", Model: "Set"}}, BarSet},
		"bar":     {difference{number: "WWWY1ZZ111C111111", make: "M", model: "Far", ours: vindata.Record{Make: "M", Model: "Near"}}, Bar},
		"tie":     {difference{number: "WWWY1ZZ111C111111", make: "M", model: "N", ours: vindata.Record{Make: "M", Candidates: tie}}, Tie},
		"share":   {difference{number: "WWWG1UZD1A1111111", make: "M", model: "Short", ours: vindata.Record{Make: "M", Model: "Long"}}, Share},
		"make":    {difference{number: "WWWK1ZZ11A1111111", make: "L", model: "Own", ours: vindata.Record{Make: "M", Model: "Own"}}, Make},
		"none":    {difference{number: "WWWG1ZZ11A1111111", make: "M", model: "Own", ours: vindata.Record{Make: "M", Model: "Short"}}, ""},
	} {
		c.d.set, c.d.year = set, 1999
		if got := c.d.reason(); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}
