package partnumber_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
	"pgregory.net/rapid"

	"beltwright.example/services/platform/partnumber"
)

// Every character there is, alone between two letters: its NFKC form (Unicode
// Standard Annex #15) decides, and nothing outside A–Z, a–z, 0–9 and the four
// separators is ever taken for one of them.
func TestEveryCharacterCountsAsItsNFKCFormOrNotAtAll(t *testing.T) {
	t.Parallel()
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	taken := 0
	for r := rune(0); r <= utf8.MaxRune; r++ {
		if plane := r >> 16; !utf8.ValidRune(r) || (plane > 3 && plane != 14) { // the others hold nothing, or private use
			continue
		}
		want, good := "X", true
		for _, c := range norm.NFKC.String("x" + string(r) + "y") {
			switch at := strings.IndexRune(strings.ToLower(letters), c); {
			case at >= 0:
				want += letters[at : at+1]
			case strings.ContainsRune(letters+"0123456789", c):
				want += string(c)
			case !strings.ContainsRune(" .-/", c):
				good = false
			}
		}
		want = want[1:]
		got, err := partnumber.Key("x" + string(r) + "y")
		if (err == nil) != good || (good && got != want) {
			t.Errorf("U+%04X: %q, %v; want %q, %t", r, got, err, want, good)
		}
		if good {
			taken++
		}
	}
	// 62 letters and digits and 4 separators at the least.
	if taken < 66 || taken > 3000 {
		t.Errorf("%d characters are taken", taken)
	}
}

// Letters and digits that look like others (Unicode Technical Standard #39,
// confusables) are refused, or two numbers would be one to the eye and not to us.
func TestLookAlikesAreRefused(t *testing.T) {
	t.Parallel()
	for alike, letter := range map[string]string{
		"А": "A", "В": "B", "Е": "E", "К": "K", "М": "M", "Н": "H", "О": "O", "Р": "P", "С": "C", "Т": "T", "Х": "X", // Cyrillic
		"Α": "A", "Β": "B", "Ε": "E", "Ζ": "Z", "Ι": "I", "Ο": "O", "Ρ": "P", "Τ": "T", "Υ": "Y", // Greek
		"ı": "i", "ǀ": "l", "߀": "0", "०": "0", "٥": "0", "Ӏ": "I", "Ꭺ": "A", "ꓐ": "B", "–": "-", "−": "-", "⁄": "/", "∕": "/",
		"\u00ad": "", "\u200b": "", "\u200d": "", "\ufeff": "", "\u202e": "", "\u0301": "",
	} {
		if key, err := partnumber.Key("7" + alike + "7"); err == nil {
			t.Errorf("7%s7, which looks like 7%s7, has the key %q", alike, letter, key)
		}
	}
	// What NFKC itself makes a letter, digit or dot of the set is one.
	for written, want := range map[string]string{"Ⅳ": "IV", "①": "1", "x²": "X2", "ﬁ": "FI", "K": "K", "ſ": "S", "７．７": "77", "７ ７": "77", "1․2": "12", "7‑7": ""} {
		if got, err := partnumber.Key(written); got != want || (err == nil) != (want != "") {
			t.Errorf("%q: %q, %v; want %q", written, got, err, want)
		}
	}
}

// However a number is written, in either case, with any separators, in full width
// or half, it has one key, and numbers that differ in a letter or digit have two.
func TestOneNumberHasOneKey(t *testing.T) {
	t.Parallel()
	wide := func(r rune) rune {
		if r > ' ' && r <= '~' {
			return r - '!' + '！'
		}
		return r
	}
	rapid.Check(t, func(t *rapid.T) {
		key := rapid.StringMatching(`[A-Z0-9]{1,40}`).Draw(t, "key")
		var written strings.Builder
		for _, r := range key {
			text := string(r)
			if rapid.Bool().Draw(t, "small") {
				text = strings.ToLower(text)
			}
			if rapid.Bool().Draw(t, "wide") {
				text = strings.Map(wide, text)
			}
			written.WriteString(rapid.SampledFrom([]string{"", "", "-", " ", ".", "/", " - ", "\u00a0"}).Draw(t, "between") + text)
		}
		got, err := partnumber.Key(written.String())
		if err != nil || got != key {
			t.Fatalf("%q: %q, %v; want %q", written.String(), got, err, key)
		}
		other := rapid.StringMatching(`[A-Z0-9]{1,40}`).Draw(t, "other")
		if again, err := partnumber.Key(other); err != nil || (again == got) != (other == key) {
			t.Fatalf("%q and %q: %q, %v", other, key, again, err)
		}
	})
}
