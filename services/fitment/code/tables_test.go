package code_test

import (
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
)

func parse(t *testing.T, text string) code.Code {
	t.Helper()
	c, err := code.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// said is what tests compare of a meaning.
func said(list []code.Meaning) []string {
	var out []string
	for _, m := range list {
		out = append(out, m.ID+" = "+m.Text())
	}
	return out
}

// One number, several meanings: makers' service data of about 2000 to 2009, of
// one coupe of 2006 and of 2003 against the SAE J2012 list.
func TestOneNumberSeveralMeanings(t *testing.T) {
	t.Parallel()
	for text, want := range map[string][]string{
		"B0058": {"standard.B0058 = third-row right belt-buckle sensor", "legacy-a.B0058 = right front pretensioner loop: open or high"},
		"B0051": {"standard.B0051 = a belt-buckle sensor", "legacy-a.B0051 = deployment commanded"},
		"B0053": {
			"standard.B0053 = a belt-buckle sensor", "legacy-a.B0053 = deployment commanded, with a loop fault present",
			"legacy-a-bare.B0053 = left front pretensioner loop: open or high",
		},
		"B0100": {"standard.B0100 = a front crash sensor", "legacy-d.B0100 = driver squib: low or shorted"},
		"B0072": {"standard.B0072 = passenger pretensioner A"},
		"B1883": {"legacy-b.B1883 = passenger pretensioner (lamp flash code 18): short to ground"},
		"B3FFF": nil,
	} {
		if diff := cmp.Diff(want, said(code.Builtin().Meanings(parse(t, text)))); diff != "" {
			t.Errorf("%s: %s", text, diff)
		}
	}
}

// The failure bytes of SAE J2012DA (public lists agree; one page that gives 15 as
// open alone is wrong), a maker's service data of about 2010 on, and one
// corporation's byte in which 01 is battery, 02 ground and 04 open.
func TestAFailureByteIsReadInItsDialect(t *testing.T) {
	t.Parallel()
	tables := code.Builtin()
	for _, c := range []struct {
		dialect         string
		b               byte
		text, condition string
		known           bool
	}{
		{"standard", 0x11, "short to ground", code.ToGround, true},
		{"standard", 0x12, "short to battery", code.ToBattery, true},
		{"standard", 0x13, "open circuit", code.OpenOrHigh, true},
		{"standard", 0x15, "short to battery or open", code.BatteryOrOpen, true},
		{"standard", 0x19, "current above threshold", "", true},
		{"standard", 0x1A, "resistance below threshold", code.LowOrShorted, true},
		{"standard", 0x1B, "resistance above threshold", code.OpenOrHigh, true},
		{"standard", 0x4A, "incorrect component installed", "", true},
		{"legacy-c", 0x19, "shorted to another loop", "", true},
		{"legacy-c", 0x1A, "resistance below threshold", code.LowOrShorted, true},
		{"legacy-c", 0x15, "", "", false},
		{"legacy-f", 0x01, "short to battery", code.ToBattery, true},
		{"legacy-f", 0x02, "short to ground", code.ToGround, true},
		{"legacy-f", 0x04, "open circuit", code.OpenOrHigh, true},
		{"legacy-f", 0x11, "", "", false},
		{"legacy-a", 0x13, "", "", false},
		{"", 0x13, "", "", false},
	} {
		text, condition, known := tables.Failure(c.dialect, c.b)
		if text != c.text || condition != c.condition || known != c.known {
			t.Errorf("%s %02X: %q, %q, %v; want %q, %q, %v", c.dialect, c.b, text, condition, known, c.text, c.condition, c.known)
		}
	}
	for text, want := range map[string]string{"B0072-1A": code.LowOrShorted, "B0072-01": "", "B0072-19": "", "B0072-15": code.BatteryOrOpen} {
		got := tables.Meanings(parse(t, text))
		if len(got) != 1 || got[0].Condition != want {
			t.Errorf("%s without a dialect: %v, want condition %q", text, said(got), want)
		}
	}
	for text, want := range map[string]string{"B0072-04": code.OpenOrHigh, "B0072-1A": ""} {
		got := tables.In("legacy-f", parse(t, text))
		if len(got) != 1 || got[0].Condition != want || got[0].ID != "legacy-f.B0072" {
			t.Errorf("%s in legacy-f: %v", text, said(got))
		}
	}
}

// B0051 and B0053 say "deployment commanded" in a maker's legacy dialect and name
// a buckle sensor in SAE J2012.
func TestCommanded(t *testing.T) {
	t.Parallel()
	const yes, no, unknown = fitmentv1.Finding_YES, fitmentv1.Finding_NO, fitmentv1.Finding_UNKNOWN
	for _, c := range []struct {
		codes, dialect string
		want           fitmentv1.Finding_Answer
	}{
		{"none", "", no},
		{"none", "legacy-a", no},
		{"B0072", "", no},
		{"B0051", "", unknown},
		{"B0051", "no dialect of ours", unknown},
		{"B0051", "legacy-a", yes},
		{"B0051", "standard", no},
		{"B0051", "legacy-d", unknown}, // its list does not have it
		{"B0100", "legacy-d", no},
		{"B1FFF", "standard", unknown},
		{"B1FFF", "", unknown},
		{"B1FFF, B0051", "legacy-a", yes},
		{"U0100, C0035, P0420", "legacy-a", no},
		{"U0100", "", no},
		{"B0058, B0053-1A", "legacy-a", yes},
		{"B0053", "legacy-a-bare", no},
		{"B0051", "legacy-a-bare", unknown},
		{"B0051", "legacy-c", no},
		{"B0051", "legacy-e", unknown}, // no code of it is on record, so it clears none
		{"B0072", "legacy-e", no},
	} {
		codes, err := code.ParseList(c.codes)
		if err != nil {
			t.Fatal(err)
		}
		if got := code.Builtin().Commanded(codes, c.dialect); got != c.want {
			t.Errorf("%s in %q: %v, want %v", c.codes, c.dialect, got, c.want)
		}
	}
}

// Driver and passenger change sides with the steering wheel; left and right do
// not. The allocation is that of SAE J2012.
func TestSeatsFollowTheDriveSide(t *testing.T) {
	t.Parallel()
	const left, right, none = fitmentv1.Position_LEFT, fitmentv1.Position_RIGHT, fitmentv1.Position_SIDE_UNSPECIFIED
	for text, want := range map[string][3]fitmentv1.Position_Side{ // unknown, left-hand, right-hand drive
		"B0001": {none, left, right},
		"B0010": {none, right, left},
		"B0020": {left, left, left},
		"B0028": {right, right, right},
	} {
		for drive, side := range want {
			m := code.Builtin().In(code.Standard, parse(t, text))
			if got := m[0].Position(fitmentv1.Vehicle_DriveSide(drive)); got.GetRow() != 1 || got.GetSide() != side {
				t.Errorf("%s, drive side %d: %v, want %v", text, drive, got, side)
			}
		}
	}
	if got := code.Builtin().In(code.Standard, parse(t, "B00D2"))[0].Position(fitmentv1.Vehicle_LEFT); got != nil {
		t.Errorf("the warning lamp has the place %v", got)
	}
}

func TestDialects(t *testing.T) {
	t.Parallel()
	var ids []string
	for _, d := range code.Builtin().Dialects() {
		ids = append(ids, d.ID)
		if d.Text == "" || d.Source == "" || (d.Codes == 0) != (d.ID == "legacy-e") {
			t.Errorf("%+v", d)
		}
	}
	want := []string{"legacy-a", "legacy-a-bare", "legacy-b", "legacy-c", "legacy-d", "legacy-d-2019", "legacy-e", "legacy-f", "standard"}
	if diff := cmp.Diff(want, ids); diff != "" {
		t.Error(diff)
	}
	if !strings.HasPrefix(code.Builtin().Version(), code.Day+" ") {
		t.Errorf("version %q", code.Builtin().Version())
	}
}

const (
	goodDialects = "id,like,text,source\nstandard,,words,book\nother,standard,words,book\n"
	goodMeanings = "dialect,code,kinds,row,side,part,condition,deployed,source\nstandard,B0001,DRIVER_AIR_BAG,1,driver,bag,,,book\n"
	goodFailures = "dialect,byte,text,condition,source\nstandard,13,open circuit,open or high,book\n"
)

func folder(dialects, meanings, failures string) fstest.MapFS {
	return fstest.MapFS{
		"dialects.csv": {Data: []byte(dialects)}, "meanings.csv": {Data: []byte(meanings)}, "failures.csv": {Data: []byte(failures)},
	}
}

func TestLoadNamesWhatIsWrong(t *testing.T) {
	t.Parallel()
	tables, err := code.Load(folder(goodDialects, goodMeanings, goodFailures))
	if err != nil || len(tables.In("other", parse(t, "B0001"))) != 1 {
		t.Fatalf("sound tables: %v", err)
	}
	for want, files := range map[string]fstest.MapFS{
		"dialects.csv: row 1: the columns":                   folder("id,like,text,words\n", goodMeanings, goodFailures),
		"dialects.csv: line 4: dialect other stands":         folder(goodDialects+"other,,words,book\n", goodMeanings, goodFailures),
		"dialects.csv: line 4: like \"other\"":               folder(goodDialects+"third,other,words,book\n", goodMeanings, goodFailures),
		"dialects.csv: line 4: id \"A B\"":                   folder(goodDialects+"A B,,words,book\n", goodMeanings, goodFailures),
		"dialects.csv: line 4: id, text and source":          folder(goodDialects+"third,,words,\n", goodMeanings, goodFailures),
		"dialects.csv: has no dialect standard":              folder("id,like,text,source\nx,,words,book\n", "dialect,code,kinds,row,side,part,condition,deployed,source\n", "dialect,byte,text,condition,source\n"),
		"meanings.csv: line 3: B0001 stands twice":           folder(goodDialects, goodMeanings+"standard,B0001,,,,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: dialect \"third\"":            folder(goodDialects, goodMeanings+"third,B0002,,,,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: dialect other has":            folder(goodDialects, goodMeanings+"other,B0002,,,,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: code \"b0002\"":               folder(goodDialects, goodMeanings+"standard,b0002,,,,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: kinds: \"AIRBAG\"":            folder(goodDialects, goodMeanings+"standard,B0002,AIRBAG,,,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: row \"10\"":                   folder(goodDialects, goodMeanings+"standard,B0002,,10,,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: side \"front\"":               folder(goodDialects, goodMeanings+"standard,B0002,,,front,bag,,,book\n", goodFailures),
		"meanings.csv: line 3: condition \"opened\"":         folder(goodDialects, goodMeanings+"standard,B0002,,,,bag,opened,,book\n", goodFailures),
		"meanings.csv: line 3: deployed is \"no\"":           folder(goodDialects, goodMeanings+"standard,B0002,,,,bag,,no,book\n", goodFailures),
		"meanings.csv: line 3: part and source":              folder(goodDialects, goodMeanings+"standard,B0002,,,,bag,,,\n", goodFailures),
		"failures.csv: line 3: byte 13 stands twice":         folder(goodDialects, goodMeanings, goodFailures+"standard,13,open,,book\n"),
		"failures.csv: line 3: byte \"1\"":                   folder(goodDialects, goodMeanings, goodFailures+"standard,1,open,,book\n"),
		"failures.csv: line 3: dialect \"third\"":            folder(goodDialects, goodMeanings, goodFailures+"third,14,open,,book\n"),
		"failures.csv: line 3: condition \"opened\"":         folder(goodDialects, goodMeanings, goodFailures+"standard,14,open,opened,book\n"),
		"failures.csv: line 3: text and source":              folder(goodDialects, goodMeanings, goodFailures+"standard,14,,,book\n"),
		"failures.csv: record on line 3: wrong number":       folder(goodDialects, goodMeanings, goodFailures+"standard\n"),
		"tables of trouble codes: open failures.csv: file d": {"dialects.csv": {Data: []byte(goodDialects)}, "meanings.csv": {Data: []byte(goodMeanings)}},
	} {
		if _, err := code.Load(files); err == nil || !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%v; want %s…", err, want)
		}
	}
}

func FuzzLoad(f *testing.F) {
	f.Add(goodDialects, goodMeanings, goodFailures)
	f.Add(goodDialects, goodMeanings+"standard,B0002,\"a\n\",,,bag,,,book\n", goodFailures)
	f.Fuzz(func(t *testing.T, dialects, meanings, failures string) {
		tables, err := code.Load(folder(dialects, meanings, failures))
		if err != nil {
			return
		}
		for _, d := range tables.Dialects() {
			if d.Text == "" || d.Source == "" {
				t.Errorf("dialect %q without words or source", d.ID)
			}
		}
		if again, err := code.Load(folder(dialects, meanings, failures)); err != nil || again.Version() != tables.Version() {
			t.Errorf("loaded again: %v", err)
		}
	})
}
