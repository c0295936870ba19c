package listing

import (
	"strings"
)

// word turns plain words into an enum's name: "buckle pretensioner" is
// BUCKLE_PRETENSIONER, and the name itself stays as it is.
func word(text string) string {
	return strings.Join(strings.FieldsFunc(strings.ToUpper(text), func(r rune) bool {
		return r == ' ' || r == '-' || r == '_'
	}), "_")
}

// plain turns an enum's name into words.
func plain(name string) string {
	return strings.ToLower(strings.ReplaceAll(name, "_", " "))
}

// lookUp reads a cell as one of an enum's names, in words or as it is, but
// never as the unspecified zero; the second result lists the words there are.
func lookUp(text string, values map[string]int32, names map[int32]string) (value int32, expected string, ok bool) {
	if value, ok = values[word(text)]; ok && value != 0 {
		return value, "", true
	}
	words := make([]string, 0, len(names))
	for i := int32(1); int(i) < len(names); i++ {
		words = append(words, plain(names[i]))
	}
	return 0, "one of: " + strings.Join(words, ", "), false
}
