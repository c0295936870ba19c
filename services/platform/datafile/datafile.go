// Package datafile reads JSON files that people edit: data that a deployment may
// change. It is stricter than the standard decoder, which takes the last of two
// fields of one name and leaves out unknown ones without a word: in a file that
// decides something, what is misspelt must not be dropped.
package datafile

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf8"
)

// deepest is how far values may stand inside each other.
const deepest = 16

// Decode reads one JSON object of at most limit bytes into the struct that into
// points at. Errors: more bytes; text that is not UTF-8; a null; a field that the
// struct does not know, or two in one object that differ in nothing but case; an
// object that something follows.
func Decode(r io.Reader, limit int64, into any) error {
	file, err := io.ReadAll(io.LimitReader(r, limit+1))
	switch {
	case err != nil:
		return fmt.Errorf("read a data file: %w", err)
	case int64(len(file)) > limit:
		return fmt.Errorf("a data file has more than %d bytes", limit)
	case !utf8.Valid(file):
		return errors.New("a data file must be UTF-8")
	}
	decoder := json.NewDecoder(bytes.NewReader(file))
	if err := distinct(decoder, 0); err != nil {
		return fmt.Errorf("read a data file: %w", err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return errors.New("read a data file: something follows the end of the object")
	}
	decoder = json.NewDecoder(bytes.NewReader(file))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(into); err != nil {
		return fmt.Errorf("read a data file: %w", err)
	}
	return nil
}

// distinct reads one value and refuses an object in it that names a field twice.
func distinct(decoder *json.Decoder, depth int) error {
	token, err := decoder.Token()
	switch {
	case err != nil:
		return err
	case token == nil:
		return errors.New("null says nothing; leave the field out")
	}
	opening, nested := token.(json.Delim)
	switch {
	case !nested:
		return nil
	case depth == deepest:
		return errors.New("values stand too deep inside each other")
	}
	seen := map[string]bool{}
	for decoder.More() {
		if opening == '{' {
			if err := once(decoder, seen); err != nil {
				return err
			}
		}
		if err := distinct(decoder, depth+1); err != nil {
			return err
		}
	}
	_, err = decoder.Token() // the closing bracket
	return err
}

// once reads the name of a field that has not been seen yet in its object.
func once(decoder *json.Decoder, seen map[string]bool) error {
	token, err := decoder.Token()
	if err != nil {
		return err
	}
	name, _ := token.(string) // the decoder lets nothing else stand there
	folded := strings.ToLower(strings.ToUpper(name))
	if seen[folded] {
		return fmt.Errorf("field %.60q is there twice", name)
	}
	seen[folded] = true
	return nil
}

// Sentence checks a text that people read: not empty, no spaces around it, no
// control characters, at most longest characters. The error names the field.
func Sentence(field, text string, longest int) error {
	switch {
	case text == "" || strings.TrimSpace(text) != text:
		return fmt.Errorf("%s: empty, or with spaces around it", field)
	case !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl):
		return fmt.Errorf("%s: control characters are no text", field)
	case utf8.RuneCountInString(text) > longest:
		return fmt.Errorf("%s: at most %d characters", field, longest)
	}
	return nil
}
