package logs

import (
	"regexp"
	"slices"
	"strings"
)

// What stands in place of what was masked.
const (
	maskedVIN    = "[VIN]"
	maskedSecret = "[secret]"
)

// secret is what a credential looks like wherever it stands.
type secret struct {
	// hints are texts in lower case one of which is always in it: looking for them is
	// cheap, and most texts have none.
	hints []string
	// pattern keeps its first group, which tells what it was.
	pattern *regexp.Regexp
}

var secrets = []secret{ //nolint:gochecknoglobals // compiled once
	// A key or a session of ours: the business may be read, it is in the log anyway;
	// what comes after it not, whole or cut short.
	{[]string{"_"}, regexp.MustCompile(`\b(b[a-z]_[a-z0-9-]{1,32}_)[A-Za-z0-9_+/=-]+`)},
	// What an authorization header holds.
	{[]string{"bearer", "basic", "digest"}, regexp.MustCompile(`(?i)\b((?:bearer|basic|digest)[ \t:=]+)(?:"[^"]*"|[^\s",;}:]+(?::(?:(?:bearer|basic|digest)[ \t]+)?[^\s",;}:]+)*)`)},
	// A signed token: three parts, the first of which begins with {" in base64url.
	{[]string{"eyj"}, regexp.MustCompile(`\b()eyJ[A-Za-z0-9_-]+(?:\.[A-Za-z0-9_-]*){1,4}`)},
	// Something secret that is named, as in JSON, queries, forms and printed structs.
	{
		[]string{"pass", "secret", "token", "pepper", "cookie", "authorization", "credential", "code_verifier", "nonce"},
		regexp.MustCompile(`(?i)((?:pass[-_ ]?(?:word|wd|phrase)|secret|token|pepper|cookie|authorization|credential|code_verifier|nonce)s?[a-z_-]*\\?["']?[ \t]*[:=][ \t]*)(?:(?:bearer|basic|digest)[ \t]+)?(?:\\?"(?:[^"\\]|\\.)*\\?"|'[^']*'|\[[^\]]*\]|[^\s,;&}\]\[]+)`),
	},
	// The hash of a password.
	{[]string{"$argon2"}, regexp.MustCompile(`()\$argon2[a-z]*\$\S+`)},
}

// shortest is the length of the shortest text that could hold a secret: "nonce=1" has
// seven characters.
const shortest = 7

// longSecret is the length from which a run of base64url characters of all kinds is
// taken for a secret that stands alone: 256 bits have 43.
const longSecret = 40

// Text masks what no log may hold: VINs, with or without a right check digit, and
// whatever looks like a credential. Everything else stays as it is. It is made so
// that a doubtful text is masked: a log that says too little can be lived with.
func Text(text string) string {
	if len(text) < shortest {
		return text
	}
	lower := strings.ToLower(text)
	for _, one := range secrets {
		if slices.ContainsFunc(one.hints, func(hint string) bool { return strings.Contains(lower, hint) }) {
			text = one.pattern.ReplaceAllString(text, "${1}"+maskedSecret)
		}
	}
	return maskRuns(text)
}

// maskRuns masks the runs of letters and digits that are VINs, and the runs that
// also hold "-" and "_" that are secrets.
func maskRuns(text string) string {
	var out strings.Builder
	kept := 0 // what is before it has been written
	for at := 0; at < len(text); {
		if skip := escape(text[at:]); skip > 0 {
			at += skip
			continue
		}
		if !wordByte(text[at]) {
			at++
			continue
		}
		end := at
		for end < len(text) && wordByte(text[end]) {
			end++
		}
		if masked, changed := maskWord(text[at:end]); changed {
			out.WriteString(text[kept:at])
			out.WriteString(masked)
			kept = end
		}
		at = end
	}
	if kept == 0 {
		return text
	}
	out.WriteString(text[kept:])
	return out.String()
}

// escape is the length of an escape at the beginning of a text, which would
// otherwise grow onto the word behind it: "%20" of a URL, "\n" and "\u000a" of
// quoted texts.
func escape(text string) int {
	switch {
	case len(text) > 2 && text[0] == '%' && isHex(text[1]) && isHex(text[2]):
		return 3
	case len(text) > 5 && text[0] == '\\' && text[1] == 'u' && isHex(text[2]) && isHex(text[3]) && isHex(text[4]) && isHex(text[5]):
		return 6
	case len(text) > 3 && text[0] == '\\' && text[1] == 'x' && isHex(text[2]) && isHex(text[3]):
		return 4
	case len(text) > 1 && text[0] == '\\':
		return 2
	}
	return 0
}

// maskWord masks a run of letters, digits, "-" and "_".
func maskWord(word string) (string, bool) {
	if len(word) >= longSecret && random(word) {
		return maskedSecret, true
	}
	changed := false
	parts := strings.FieldsFunc(word, func(r rune) bool { return r == '-' || r == '_' })
	for _, part := range parts {
		if likeVIN(part) {
			word, changed = strings.Replace(word, part, maskedVIN, 1), true
		}
	}
	return word, changed
}

// vinLength is how many characters a VIN has (ISO 3779; 49 CFR 565.13).
const vinLength = 17

// likeVIN tells whether letters and digits may be a VIN, or hold one: 17 of them with
// a digit among them, whatever they are, since a VIN that was copied wrongly is
// masked too; or more with at least so many digits as a serial number has, unless
// they are a hash in hexadecimal or a number.
func likeVIN(word string) bool {
	if len(word) < vinLength {
		return false
	}
	digits, hexadecimal := 0, true
	for i := range len(word) {
		c := word[i]
		if c >= '0' && c <= '9' {
			digits++
		} else if c < 'a' || c > 'f' {
			hexadecimal = false
		}
	}
	if len(word) == vinLength {
		return digits > 0
	}
	return digits >= serialDigits && !hexadecimal
}

// serialDigits is how many of a VIN's last characters are always digits
// (49 CFR 565.15(d): the last four, of light vehicles the last five).
const serialDigits = 4

// random tells whether a long word looks drawn and not made up of words: it has
// letters of both cases and digits, or its characters change their kind as often as
// random ones do. Of 43 in base64url, 27 of the 42 neighbours differ in kind on
// average; in names made of words, every third or so. The line is drawn between.
func random(word string) bool {
	var seen [256]bool
	changes := 0
	for i := range len(word) {
		seen[kind(word[i])] = true
		if i > 0 && kind(word[i]) != kind(word[i-1]) {
			changes++
		}
	}
	return seen['a'] && seen['A'] && seen['0'] || seen['a'] && seen['A'] && 8*changes >= 3*len(word)
}

// kind is a, A, 0 or - for the four kinds of characters that a word has.
func kind(c byte) byte {
	switch {
	case c >= 'a' && c <= 'z':
		return 'a'
	case c >= 'A' && c <= 'Z':
		return 'A'
	case c >= '0' && c <= '9':
		return '0'
	}
	return '-'
}

func wordByte(c byte) bool {
	return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_'
}

func isHex(c byte) bool {
	return c >= '0' && c <= '9' || c >= 'a' && c <= 'f' || c >= 'A' && c <= 'F'
}
