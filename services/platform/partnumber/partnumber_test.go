package partnumber_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/platform/partnumber"
)

func TestKey(t *testing.T) {
	t.Parallel()
	same := map[string]string{
		"AB-12.34/5 6":           "AB123456",
		"ab123456":               "AB123456",
		"ＡＢ１２":                   "AB12", // full width, NFKC
		strings.Repeat("A", 40):  strings.Repeat("A", 40),
		strings.Repeat("A-", 40): strings.Repeat("A", 40),
	}
	for number, want := range same {
		if got, err := partnumber.Key(number); got != want || err != nil {
			t.Errorf("%q: %q, %v; want %q", number, got, err, want)
		}
	}
	for _, number := range []string{"", "-", " ./", "AB_1", "AB:1", "Ä1", "АВ1" /* Cyrillic */, "A\x001", "\xff", strings.Repeat("A", 41)} {
		if got, err := partnumber.Key(number); err == nil {
			t.Errorf("%q is accepted as %q", number, got)
		}
	}
}

func TestFold(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]string{
		"": "", "  ": "", "kestrel": "kestrel", " Kestrel\t GT ": "kestrel gt", "ＫＥＳＴＲＥＬ": "kestrel", "a  b": "a b", "Å": "å",
	} {
		if got := partnumber.Fold(name); got != want {
			t.Errorf("%q: %q, want %q", name, got, want)
		}
	}
}

func TestFoldingTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		once := partnumber.Fold(name)
		if twice := partnumber.Fold(once); twice != once {
			t.Fatalf("%q: %q, then %q", name, once, twice)
		}
	})
}

func FuzzKey(f *testing.F) {
	for _, seed := range []string{"", "AB-12.34/5 6", "ＡＢ１２", "ﬁ1", "ß", "\xff\xfe", strings.Repeat("Z9 ", 300)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, number string) {
		key, err := partnumber.Key(number)
		if err != nil {
			if key != "" {
				t.Fatalf("%q: refused, yet %q", number, key)
			}
			return
		}
		if len(key) < 1 || len(key) > 40 || strings.Trim(key, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789") != "" {
			t.Fatalf("%q: %q", number, key)
		}
		if again, err := partnumber.Key(key); again != key || err != nil {
			t.Fatalf("%q: the key of %q is %q, %v", number, key, again, err)
		}
	})
}
