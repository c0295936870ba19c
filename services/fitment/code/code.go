// Package code reads trouble codes: their form (ISO 15031-6, SAE J2012; the
// status byte is that of ISO 14229-1), and in tables what they mean. One number
// can mean several things: a vehicle's maker and year decide the dialect in which
// its codes are written, and without the dialect nothing is settled.
package code

import (
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// Shape says in words what a trouble code looks like.
const Shape = "a code such as B0058, with its failure byte B0058-1A, or with failure and status byte B0058-1A-AF"

// MaxList bounds the codes of one list.
const MaxList = 64

const longest = 16

// Code is a trouble code in the two-byte layout of ISO 15031-6 and SAE J2012:
// bits 15–14 the system (00 P, 01 C, 10 B, 11 U), bits 13–12 the first digit,
// then three hexadecimal digits; with the failure byte of the three-byte form and
// the status byte of ISO 14229-1 behind it, where there are any.
type Code struct {
	// Value is the two bytes.
	Value uint16
	// Failure is the failure byte; 0 unless HasFailure.
	Failure byte
	// HasFailure tells whether a failure byte was given.
	HasFailure bool
	// Status is the status byte; 0 unless HasStatus, which needs HasFailure.
	Status byte
	// HasStatus tells whether a status byte was given.
	HasStatus bool
}

const (
	systems   = "PCBU"
	hexDigits = "0123456789ABCDEF"
)

// Parse reads "B0058", "B0058-1A" or "B0058-1A-AF". Small letters count as
// capitals, and a colon may stand for a hyphen, as service texts print it.
func Parse(text string) (Code, error) {
	if len(text) > longest {
		return Code{}, errors.New("is too long for a trouble code")
	}
	parts := strings.Split(strings.ReplaceAll(upper(text), ":", "-"), "-")
	c, ok := parseBase(parts[0])
	if !ok || len(parts) > 3 {
		return Code{}, fmt.Errorf("%q is no trouble code", text)
	}
	if len(parts) > 1 {
		if c.Failure, c.HasFailure = parseByte(parts[1]); !c.HasFailure {
			return Code{}, fmt.Errorf("%q has no failure byte of two hexadecimal digits after the hyphen", text)
		}
	}
	if len(parts) > 2 {
		if c.Status, c.HasStatus = parseByte(parts[2]); !c.HasStatus {
			return Code{}, fmt.Errorf("%q has no status byte of two hexadecimal digits after the second hyphen", text)
		}
	}
	return c, nil
}

func parseBase(text string) (Code, bool) {
	if len(text) != 5 {
		return Code{}, false
	}
	system := strings.IndexByte(systems, text[0])
	digits, ok := hex(text[1:])
	if system < 0 || !ok || text[1] > '3' {
		return Code{}, false
	}
	return Code{Value: uint16(system)<<14 | uint16(digits)}, true
}

func parseByte(text string) (byte, bool) {
	value, ok := hex(text)
	return byte(value), ok && len(text) == 2
}

// upper capitalises a to z only, so that no other letter becomes a digit.
func upper(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' {
			return r - 'a' + 'A'
		}
		return r
	}, s)
}

func hex(s string) (int, bool) {
	n := 0
	for i := range len(s) {
		d := strings.IndexByte(hexDigits, s[i])
		if d < 0 {
			return 0, false
		}
		n = n<<4 | d
	}
	return n, s != ""
}

// ParseList reads codes separated by commas, semicolons or spaces. The word none
// is the empty list; an empty text is an error, since it does not say that there
// were none.
func ParseList(text string) ([]Code, error) {
	words := strings.FieldsFunc(text, func(r rune) bool { return r == ',' || r == ';' || unicode.IsSpace(r) })
	switch {
	case len(words) == 0:
		return nil, errors.New("names no code; write none where none was stored")
	case len(words) == 1 && strings.EqualFold(words[0], "none"):
		return nil, nil
	case len(words) > MaxList:
		return nil, fmt.Errorf("has %d codes, more than %d", len(words), MaxList)
	}
	codes := make([]Code, 0, len(words))
	for _, word := range words {
		c, err := Parse(word)
		if err != nil {
			return nil, fmt.Errorf("%.20q: %w", word, err)
		}
		codes = append(codes, c)
	}
	return codes, nil
}

// Base is the code as people write it, without failure and status byte.
func (c Code) Base() string {
	return fmt.Sprintf("%c%X%03X", systems[c.Value>>14], c.Value>>12&3, c.Value&0xFFF)
}

// String is the code as people write it: "B0058", "B0058-1A", "B0058-1A-AF".
func (c Code) String() string {
	text := c.Base()
	if c.HasFailure {
		text += fmt.Sprintf("-%02X", c.Failure)
	}
	if c.HasFailure && c.HasStatus {
		text += fmt.Sprintf("-%02X", c.Status)
	}
	return text
}

// ofBody tells whether it is a body code, as those of the restraint system are.
func (c Code) ofBody() bool { return systems[c.Value>>14] == 'B' }

// Hex is the two-byte value as four hexadecimal digits: "8058".
func (c Code) Hex() string { return fmt.Sprintf("%04X", c.Value) }

// Bytes is the code as it travels: two bytes, three with a failure byte, four with
// a status byte behind that.
func (c Code) Bytes() []byte {
	b := []byte{byte(c.Value >> 8), byte(c.Value)}
	if c.HasFailure {
		b = append(b, c.Failure)
	}
	if c.HasFailure && c.HasStatus {
		b = append(b, c.Status)
	}
	return b
}

// FromBytes reads what Bytes wrote.
func FromBytes(b []byte) (Code, error) {
	if len(b) < 2 || len(b) > 4 {
		return Code{}, fmt.Errorf("%d bytes are no trouble code: 2 are, 3 with the failure byte, or 4 with the status byte", len(b))
	}
	c := Code{Value: binary.BigEndian.Uint16(b)}
	if len(b) > 2 {
		c.Failure, c.HasFailure = b[2], true
	}
	if len(b) > 3 {
		c.Status, c.HasStatus = b[3], true
	}
	return c, nil
}

// statusNames are the bits of the status byte by ISO 14229-1, lowest first (from
// memory).
var statusNames = [8]string{
	"testFailed", "testFailedThisOperationCycle", "pendingDTC", "confirmedDTC",
	"testNotCompletedSinceLastClear", "testFailedSinceLastClear",
	"testNotCompletedThisOperationCycle", "warningIndicatorRequested",
}

// StatusBits names the bits that are set in a status byte, lowest first.
func StatusBits(status byte) []string {
	var set []string
	for bit, name := range statusNames {
		if status>>bit&1 == 1 {
			set = append(set, name)
		}
	}
	return slices.Clip(set)
}
