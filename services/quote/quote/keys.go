package quote

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"beltwright.example/services/platform/partnumber"
)

// maxSlug bounds a seller's part of a resource name.
const maxSlug = 32

// Slug makes the part of a resource name that stands for a seller: lower case,
// letters and digits, words joined by a hyphen ("Northline Supply" and
// "northline-supply" are the same seller). It has 1 to 32 characters. A name with
// letters or digits other than A–Z and 0–9 is refused: dropping them would make
// one seller of two.
func Slug(seller string) (string, error) {
	name := strings.ToLower(norm.NFKC.String(seller))
	for _, r := range name {
		if !isLower(r) && !isDigit(r) && (r == utf8.RuneError || unicode.In(r, unicode.L, unicode.M, unicode.N)) {
			return "", fmt.Errorf("contains %q, which a resource name cannot spell", r)
		}
	}
	slug := strings.Join(strings.FieldsFunc(name, func(r rune) bool { return !isLower(r) && !isDigit(r) }), "-")
	switch {
	case slug == "":
		return "", errors.New("has no letter a–z and no digit")
	case len(slug) > maxSlug:
		return "", fmt.Errorf("is %d characters long as %q", len(slug), slug)
	}
	return slug, nil
}

// partKey identifies a part by its maker and number, however they are written;
// false where the number is none.
func partKey(maker, number string) (string, bool) {
	key, err := partnumber.Key(number)
	folded := partnumber.Fold(maker)
	if err != nil || folded == "" {
		return "", false
	}
	return folded + "\x00" + key, true
}

func isLower(r rune) bool { return r >= 'a' && r <= 'z' }

func isDigit(r rune) bool { return r >= '0' && r <= '9' }
