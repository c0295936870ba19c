package transport

import "strings"

// ExpectedUN says what ReadUN takes.
const ExpectedUN = UN3268 + " or " + UN0503 + ", or nothing where it is not known"

// ReadUN reads an identification number as people write it: "UN3268", "un 3268".
// An empty text is one that is not known; ok is false for any other text.
func ReadUN(text string) (number string, ok bool) {
	number = strings.ToUpper(strings.ReplaceAll(strings.TrimSpace(text), " ", ""))
	switch number {
	case "", UN3268, UN0503:
		return number, true
	default:
		return "", false
	}
}
