package code_test

import (
	"bytes"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/fitment/code"
)

func TestLayout(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
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
		{"a maker's service text on ISO 14229 codes", "P0110-1C-AF", "0110", []byte{0x01, 0x10, 0x1C, 0xAF}},
		{"computed by the layout", "B0058-1A", "8058", []byte{0x80, 0x58, 0x1A}},
	} {
		got, err := code.Parse(c.text)
		if err != nil || got.Hex() != c.hex || !bytes.Equal(got.Bytes(), c.bytes) || got.String() != c.text {
			t.Errorf("%s (%s): %v %s % X, %v", c.text, c.source, got, got.Hex(), got.Bytes(), err)
		}
		back, err := code.FromBytes(c.bytes)
		if err != nil || back != got {
			t.Errorf("% X (%s): %v, %v", c.bytes, c.source, back, err)
		}
	}
	for text, want := range map[string]string{"b007a:1b": "B007A-1B", "P0110:1C-AF": "P0110-1C-AF"} {
		if got, err := code.Parse(text); err != nil || got.String() != want {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
}

func TestWhatIsNoCode(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"", "B005", "B00580", "X0058", "B4058", "B0G58", "B0058-", "B0058-1", "B0058-1AF", "B0058-1A-", "B0058-1A-A",
		"B0058-1A-AF-00", "0053", "SRS-0012", "B0058-ſA", "Ｂ0058", strings.Repeat("B", 99),
	} {
		if got, err := code.Parse(text); err == nil {
			t.Errorf("%q was read as %v", text, got)
		}
	}
	for _, raw := range [][]byte{nil, {1}, {1, 2, 3, 4, 5}} {
		if got, err := code.FromBytes(raw); err == nil {
			t.Errorf("% X was read as %v", raw, got)
		}
	}
}

func TestEveryCodeComesBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := code.Code{Value: rapid.Uint16().Draw(t, "value"), HasFailure: rapid.Bool().Draw(t, "failure byte")}
		if want.HasFailure {
			want.Failure = rapid.Byte().Draw(t, "failure")
			want.HasStatus = rapid.Bool().Draw(t, "status byte")
		}
		if want.HasStatus {
			want.Status = rapid.Byte().Draw(t, "status")
		}
		if got, err := code.Parse(want.String()); err != nil || got != want {
			t.Fatalf("%v by its text: %v, %v", want, got, err)
		}
		if got, err := code.FromBytes(want.Bytes()); err != nil || got != want {
			t.Fatalf("%v by its bytes: %v, %v", want, got, err)
		}
	})
}

// AF is 1010 1111: ISO 14229-1 names the bits from the lowest up (from memory).
func TestStatusBits(t *testing.T) {
	t.Parallel()
	want := []string{"testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC", "testFailedSinceLastClear", "warningIndicatorRequested"}
	if diff := cmp.Diff(want, code.StatusBits(0xAF)); diff != "" {
		t.Error(diff)
	}
	if got := code.StatusBits(0); len(got) != 0 {
		t.Errorf("no bit is set, but %v", got)
	}
	if got := code.StatusBits(0xFF); len(got) != 8 {
		t.Errorf("all bits are set, but %v", got)
	}
}

func TestParseList(t *testing.T) {
	t.Parallel()
	list, err := code.ParseList("b0051, B0058:1A;  u0100")
	if err != nil || len(list) != 3 || list[1].String() != "B0058-1A" {
		t.Errorf("%v, %v", list, err)
	}
	if list, err := code.ParseList(" None "); err != nil || len(list) != 0 {
		t.Errorf("none: %v, %v", list, err)
	}
	for _, text := range []string{"", " , ", "B0051 none", "B0051, B00", strings.Repeat("B0051,", code.MaxList+1)} {
		if list, err := code.ParseList(text); err == nil {
			t.Errorf("%.40q was read as %v", text, list)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, text := range []string{"B0058-1A", "p0110:1c-af", "U0100", "B0058-1A-"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, err := code.Parse(text)
		if err != nil {
			return
		}
		again, err := code.Parse(c.String())
		if err != nil || again != c {
			t.Errorf("%q → %v → %v, %v", text, c, again, err)
		}
		raw, err := code.FromBytes(c.Bytes())
		if err != nil || raw != c {
			t.Errorf("%q → % X → %v, %v", text, c.Bytes(), raw, err)
		}
	})
}

func FuzzParseList(f *testing.F) {
	for _, text := range []string{"none", "B0051, B0058-1A", "b0051;U0100-13-2F", ",", "NONE B0051"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		list, err := code.ParseList(text)
		if err != nil {
			return
		}
		words := make([]string, len(list))
		for i, c := range list {
			words[i] = c.String()
		}
		joined := strings.Join(words, ", ")
		if len(words) == 0 {
			joined = "none"
		}
		again, err := code.ParseList(joined)
		if err != nil || !slices.Equal(again, list) {
			t.Errorf("%q → %v → %v, %v", text, list, again, err)
		}
	})
}
