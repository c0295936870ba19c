package password

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"

	"beltwright.example/services/platform/check"
)

// Lengths of passwords, in bytes.
const (
	// Shortest is the least length. NIST SP 800-63B (revision 3, section 5.1.1.2) asks
	// for 8 characters at least, see leastLeft; guessing is bounded by waits here, and 12
	// leaves room.
	Shortest = 12
	// Longest bounds the work of reading one. SP 800-63B asks that 64 characters
	// be possible; 256 bytes hold 64 of any script.
	Longest = 256
)

// leastLeft is how many characters a password has at least, in the form that is hashed,
// and how many must remain of it without the words that are guessed first.
const leastLeft = 8

// guessed are words that guessers try first, whatever is put before and behind them
// (common practice, no source). Those of the caller come on top.
var guessed = []string{
	"password", "passwort", "contrasena", "motdepasse", "letmein", "welcome", "qwertyuiop", "qwerty", "azerty", "iloveyou",
	"changeme", "administrator", "admin", "secret", "monkey", "dragon", "football", "baseball", "superman", "batman",
	"1q2w3e4r5t", "1q2w3e4r", "1qaz2wsx", "abc123", "123456789", "12345678", "123456", "beltwright",
}

// Judge notes what is wrong with a new password. It follows NIST SP 800-63B: a
// length, every printable character, no rule about kinds of characters, and a refusal
// of what is guessed first: repetitions, sequences, common words, and the words
// given, which are the names of the person and of the business. The password itself
// is in no message.
func Judge(fields *check.Fields, field, password string, words ...string) {
	if !Shaped(fields, field, password) {
		return
	}
	switch {
	// In scripts of several bytes a character, 12 bytes may be too few characters.
	case utf8.RuneCountInString(normal(password)) < leastLeft:
		fields.Add(field, "is too short", fmt.Sprintf("%d characters or more, and %d bytes or more", leastLeft, Shortest))
	case distinct(password) < 5:
		fields.Add(field, "repeats few characters", "5 different characters or more")
	case sequence(password):
		fields.Add(field, "is a sequence of neighbouring characters", "something that is not guessed first")
	case left(password, words) < leastLeft:
		fields.Add(field, "is little more than a word that is guessed first",
			fmt.Sprintf("%d characters or more beside common words and the names of person and business", leastLeft))
	}
}

// Shaped notes where a text cannot be a password at all, and tells whether it can.
func Shaped(fields *check.Fields, field, password string) bool {
	expected := fmt.Sprintf("%d to %d bytes of printable characters", Shortest, Longest)
	switch {
	case len(password) < Shortest:
		fields.Add(field, "is too short", expected)
	case len(password) > Longest:
		fields.Add(field, "is too long", expected)
	case !utf8.ValidString(password), strings.ContainsFunc(password, unicode.IsControl):
		fields.Add(field, "contains a control character", expected)
	default:
		return true
	}
	return false
}

// normal is the form that is hashed, so that a password is the same from every
// keyboard (SP 800-63B names NFKC).
func normal(password string) string { return norm.NFKC.String(password) }

func distinct(text string) int {
	seen := map[rune]bool{}
	for _, r := range text {
		seen[r] = true
	}
	return len(seen)
}

// sequence tells whether each character follows its neighbour by one, upwards or
// downwards throughout; 0 follows 9.
func sequence(text string) bool {
	runes := []rune(text)
	up, down := true, true
	for i := 1; i < len(runes); i++ {
		step := runes[i] - runes[i-1]
		wrapsUp, wrapsDown := runes[i-1] == '9' && runes[i] == '0', runes[i-1] == '0' && runes[i] == '9'
		up = up && (step == 1 || wrapsUp)
		down = down && (step == -1 || wrapsDown)
	}
	return up || down
}

// left is how many characters remain without the words.
func left(text string, words []string) int {
	rest := strings.ToLower(normal(text))
	for _, word := range append(append([]string{}, words...), guessed...) {
		if word = strings.ToLower(normal(word)); utf8.RuneCountInString(word) >= 3 {
			rest = strings.ReplaceAll(rest, word, "")
		}
	}
	return utf8.RuneCountInString(rest)
}
