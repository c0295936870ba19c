package keys

import "beltwright.example/services/fitment/credential"

// TextPrefix opens the text of every key, "bw_<tenant>_<id>_<secret>".
const TextPrefix = "bw"

// Key is a key's text, taken apart. It prints without its secret.
type Key = credential.Credential

// Parse takes a key's text apart. It only looks at the form, which one text has for
// each key; credential.ErrFormat where it is wrong.
func Parse(text string) (Key, error) { return credential.Parse(TextPrefix, text) }
