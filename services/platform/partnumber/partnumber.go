// Package partnumber says how part numbers and the names of their makers are
// compared. Catalogue, listings and price lists have to agree on it: it is the
// only place that does so.
package partnumber

import (
	"errors"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// Fold brings a name (maker, make, model, body, …) into the form in which two
// names are compared: lower case, trimmed, inner spaces folded to one.
func Fold(name string) string {
	if folded(name) {
		return name
	}
	return strings.Join(strings.Fields(strings.ToLower(norm.NFKC.String(name))), " ")
}

// folded tells whether a name of plain ASCII letters is in that form already.
func folded(name string) bool {
	last := byte(' ')
	for i := range len(name) {
		c := name[i]
		if c >= utf8.RuneSelf || c < ' ' || (c >= 'A' && c <= 'Z') || (c == ' ' && last == ' ') {
			return false
		}
		last = c
	}
	return name == "" || last != ' '
}

// maxKey bounds a part number's key, in characters.
const maxKey = 40

// ErrNumber means that a text is no part number.
var ErrNumber = errors.New("a part number has 1 to 40 letters A-Z and digits; spaces, dots, hyphens and slashes between them do not count")

// Key brings a part number into the form in which two are compared: NFKC,
// A–Z for a–z, without space, dot, hyphen and slash. What is left must be A–Z and
// 0–9 only, 1 to 40 of them. No other letter is taken for one of these, however
// alike they look: a Turkish dotless i, whose capital is I, is refused as a
// Cyrillic А is.
func Key(number string) (string, error) {
	if plainNumber(number) {
		return number, nil
	}
	if len(number) > 16*maxKey { // far beyond any number; spares the work
		return "", ErrNumber
	}
	var key strings.Builder
	for _, r := range norm.NFKC.String(number) {
		switch {
		case r >= 'a' && r <= 'z':
			key.WriteRune(r - 'a' + 'A')
		case r == ' ' || r == '.' || r == '-' || r == '/':
		case (r >= 'A' && r <= 'Z') || (r >= '0' && r <= '9'):
			key.WriteRune(r)
		default:
			return "", ErrNumber
		}
	}
	if key.Len() == 0 || key.Len() > maxKey {
		return "", ErrNumber
	}
	return key.String(), nil
}

// plainNumber tells whether a number is its own key.
func plainNumber(number string) bool {
	for i := range len(number) {
		if c := number[i]; (c < 'A' || c > 'Z') && (c < '0' || c > '9') {
			return false
		}
	}
	return number != "" && len(number) <= maxKey
}
