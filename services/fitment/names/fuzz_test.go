package names_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"beltwright.example/services/fitment/names"
)

// FuzzParsePosition: what reads as a position is a row from 1 to 9 and a side,
// written in ASCII, and reads the same once it is written our way.
func FuzzParsePosition(f *testing.F) {
	for _, seed := range []string{"1 RIGHT", "2 left", " 3\tCentre ", "01 LEFT", "1 RıGHT", "１ LEFT", "10 LEFT", "-1 LEFT", "1 SIDE_UNSPECIFIED", "1\u00a0LEFT", ""} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		position, err := names.ParsePosition(text)
		if err != nil {
			if position != nil {
				t.Fatalf("%q: %v beside %v", text, position, err)
			}
			return
		}
		for word := range strings.FieldsSeq(text) {
			if strings.ContainsFunc(word, func(r rune) bool { return r >= utf8.RuneSelf }) {
				t.Fatalf("%q reads as %v", text, position)
			}
		}
		written := names.PositionText(position)
		again, err := names.ParsePosition(written)
		if err != nil || again.GetRow() != position.GetRow() || again.GetSide() != position.GetSide() || again.GetRow() < 1 || again.GetRow() > 9 {
			t.Fatalf("%q reads as %v, which is written %q and reads as %v, %v", text, position, written, again, err)
		}
		if !strings.EqualFold(strings.TrimLeft(strings.Join(strings.Fields(text), " "), "0"), written) {
			t.Fatalf("%q reads as %q", text, written)
		}
	})
}
