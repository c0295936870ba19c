package quote

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Limits on names that take part in resource names.
const (
	maxSlug   = 32
	maxNumber = 40
)

// Slug makes the part of a resource name that stands for a seller: lower case,
// letters and digits, words joined by a hyphen ("Northline Supply" and
// "northline-supply" are the same seller). It has 1 to 32 characters.
func Slug(seller string) (string, error) {
	words := strings.FieldsFunc(strings.ToLower(norm.NFKC.String(seller)), func(r rune) bool {
		return !isLower(r) && !isDigit(r)
	})
	slug := strings.Join(words, "-")
	switch {
	case slug == "":
		return "", errors.New("has no letter a–z and no digit")
	case len(slug) > maxSlug:
		return "", fmt.Errorf("is %d characters long as %q", len(slug), slug)
	}
	return slug, nil
}

// NumberKey makes part numbers comparable: compatibility forms are resolved,
// letters upper-cased, spaces, full stops, hyphens and slashes dropped. What is
// left must be 1 to 40 letters A–Z and digits.
func NumberKey(number string) (string, error) {
	if !utf8.ValidString(number) {
		return "", errors.New("is not valid UTF-8")
	}
	var key strings.Builder
	for _, r := range strings.ToUpper(norm.NFKC.String(number)) {
		switch {
		case r == ' ' || r == '.' || r == '-' || r == '/':
		case r >= 'A' && r <= 'Z', isDigit(r):
			key.WriteRune(r)
		default:
			return "", fmt.Errorf("contains %q", r)
		}
	}
	switch n := key.Len(); {
	case n == 0:
		return "", errors.New("has no letter and no digit")
	case n > maxNumber:
		return "", fmt.Errorf("has %d letters and digits", n)
	}
	return key.String(), nil
}

// partKey identifies a part by its maker and number, however they are written;
// false where the number is none.
func partKey(maker, number string) (string, bool) {
	key, err := NumberKey(number)
	folded := strings.ToLower(strings.Join(strings.Fields(norm.NFKC.String(maker)), " "))
	if err != nil || folded == "" {
		return "", false
	}
	return folded + "\x00" + key, true
}

func isLower(r rune) bool { return r >= 'a' && r <= 'z' }

func isDigit(r rune) bool { return r >= '0' && r <= '9' }
