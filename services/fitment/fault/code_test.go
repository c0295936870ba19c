package fault

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func TestCodeLayout(t *testing.T) {
	t.Parallel()
	cases := []struct {
		source, text, hex string
		bytes             []byte
	}{
		{"ISO 15031-6, SAE J2012", "B1234", "9234", []byte{0x92, 0x34}},
		{"computed by the layout", "B0001", "8001", []byte{0x80, 0x01}},
		{"computed by the layout", "B0058", "8058", []byte{0x80, 0x58}},
		{"computed by the layout", "B0059", "8059", []byte{0x80, 0x59}},
		{"computed by the layout", "B007A", "807A", []byte{0x80, 0x7A}},
		{"computed by the layout", "B00D2", "80D2", []byte{0x80, 0xD2}},
		{"computed by the layout", "C0035", "4035", []byte{0x40, 0x35}},
		{"computed by the layout", "U0100", "C100", []byte{0xC1, 0x00}},
		{"computed by the layout", "P0420", "0420", []byte{0x04, 0x20}},
		{"a maker's service text on ISO 14229 codes, without the status byte", "P0110-1C", "0110", []byte{0x01, 0x10, 0x1C}},
		{"computed by the layout", "B0058-1A", "8058", []byte{0x80, 0x58, 0x1A}},
	}
	for _, c := range cases {
		code, err := ParseCode(c.text)
		if err != nil || code.Hex() != c.hex || !bytes.Equal(code.Bytes(), c.bytes) || code.String() != c.text {
			t.Errorf("%s (%s): %v %s % X, %v", c.text, c.source, code, code.Hex(), code.Bytes(), err)
		}
		back, err := CodeFromBytes(c.bytes)
		if err != nil || back != code {
			t.Errorf("% X (%s): %v, %v", c.bytes, c.source, back, err)
		}
	}
	if lower, err := ParseCode("b007a:1b"); err != nil || lower.String() != "B007A-1B" {
		t.Errorf("small letters: %v, %v", lower, err)
	}
	for _, text := range []string{"", "B005", "B00580", "X0058", "B4058", "B0G58", "B0058-", "B0058-1", "B0058-1AF", "B0058-1A-AF", "0053", "SRS-0012", "B0058-ſA", strings.Repeat("B", 99)} {
		if code, err := ParseCode(text); err == nil {
			t.Errorf("%q was read as %v", text, code)
		}
	}
	if _, err := CodeFromBytes([]byte{1}); err == nil {
		t.Error("one byte was read as a code")
	}
}

func TestEveryCodeComesBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := Code{Value: rapid.Uint16().Draw(t, "value"), HasFailure: rapid.Bool().Draw(t, "extended")}
		if want.HasFailure {
			want.Failure = rapid.Byte().Draw(t, "failure")
		}
		text, err := ParseCode(want.String())
		if err != nil || text != want {
			t.Fatalf("%v by its text: %v, %v", want, text, err)
		}
		raw, err := CodeFromBytes(want.Bytes())
		if err != nil || raw != want {
			t.Fatalf("%v by its bytes: %v, %v", want, raw, err)
		}
	})
}

func FuzzParseCode(f *testing.F) {
	f.Add("B0058-1A")
	f.Fuzz(func(t *testing.T, text string) {
		code, err := ParseCode(text)
		if err != nil {
			return
		}
		again, err := ParseCode(code.String())
		if err != nil || again != code {
			t.Errorf("%q → %v → %v, %v", text, code, again, err)
		}
	})
}

func TestMeaningTables(t *testing.T) {
	t.Parallel()
	for name, table := range map[string][]meaning{"standard": standardMeanings, "legacy": legacyMeanings} {
		seen := map[string]bool{}
		for _, m := range table {
			if m.part == "" || m.source == "" || m.dialect == "" || len(m.codes) == 0 {
				t.Errorf("%s: row %+v is incomplete", name, m)
			}
			for _, r := range m.codes {
				code, err := ParseCode(r.code)
				if err != nil || code.String() != r.code || seen[m.id(code)] {
					t.Errorf("%s: code %s of row %q is wrong or there twice", name, r.code, m.part)
				}
				seen[m.id(code)] = true
				if _, known := DefaultModel().Codes[r.condition]; !known {
					t.Errorf("%s: no likelihood for condition %q", name, r.condition)
				}
			}
		}
	}
	for failure, condition := range failureConditions {
		if _, known := DefaultModel().Codes[condition]; !known {
			t.Errorf("failure byte %02X: no likelihood for %q", failure, condition)
		}
		if _, clashes := makerFailureTexts[failure]; clashes {
			t.Errorf("failure byte %02X is used although makers disagree on it", failure)
		}
	}
}

// One number, several meanings: maker service data of 2000–2009 and 2003
// against the SAE J2012 list.
func TestOneNumberSeveralMeanings(t *testing.T) {
	t.Parallel()
	cases := map[string][]string{
		"B0058": {"standard.B0058", "legacy-a.B0058"},
		"B0051": {"standard.B0051", "legacy-a.B0051"},
		"B0100": {"standard.B0100", "legacy-d.B0100"},
		"B0072": {"standard.B0072"},
		"B1883": {"legacy-b.B1883"},
		"B3FFF": nil,
	}
	for text, want := range cases {
		code, err := ParseCode(text)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, m := range meaningsOf(code) {
			got = append(got, m.id(code))
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", text, got, want)
		}
	}
}

func TestSeatsFollowTheDriveSide(t *testing.T) {
	t.Parallel()
	cases := []struct {
		seat  seat
		drive fitmentv1.Vehicle_DriveSide
		want  fitmentv1.Position_Side
	}{
		{driverSeat, fitmentv1.Vehicle_LEFT, fitmentv1.Position_LEFT},
		{driverSeat, fitmentv1.Vehicle_RIGHT, fitmentv1.Position_RIGHT},
		{mateSeat, fitmentv1.Vehicle_LEFT, fitmentv1.Position_RIGHT},
		{mateSeat, fitmentv1.Vehicle_RIGHT, fitmentv1.Position_LEFT},
		{driverSeat, fitmentv1.Vehicle_DRIVE_SIDE_UNSPECIFIED, fitmentv1.Position_SIDE_UNSPECIFIED},
		{rightFront, fitmentv1.Vehicle_RIGHT, fitmentv1.Position_RIGHT},
	}
	for _, c := range cases {
		if got := c.seat.position(c.drive); got.GetRow() != 1 || got.GetSide() != c.want {
			t.Errorf("%+v in %v: %v", c.seat, c.drive, got)
		}
	}
}
