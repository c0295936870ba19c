package fault

import (
	"encoding/binary"
	"errors"
	"fmt"
	"strings"
)

// codeShape says what a trouble code looks like.
const codeShape = "a code such as B0058, or with its failure byte B0058-1A"

// Code is a trouble code in the two-byte layout of ISO 15031-6 and SAE J2012:
// bits 15–14 the system (00 P, 01 C, 10 B, 11 U), bits 13–12 the first digit,
// then three hexadecimal digits; and the failure byte of the three-byte form,
// where there is one.
type Code struct {
	// Value is the two bytes.
	Value uint16
	// Failure is the failure byte; meaningless unless HasFailure.
	Failure byte
	// HasFailure tells whether a failure byte was given.
	HasFailure bool
}

const (
	systems   = "PCBU"
	hexDigits = "0123456789ABCDEF"
)

// ParseCode reads "B0058" or "B0058-1A". Small letters count as capitals, and a
// colon may stand for the hyphen, as service texts print it.
func ParseCode(text string) (Code, error) {
	if len(text) > longestCode {
		return Code{}, errors.New("is too long for a trouble code")
	}
	base, suffix, extended := strings.Cut(strings.ReplaceAll(asciiUpper(text), ":", "-"), "-")
	if len(base) != 5 {
		return Code{}, fmt.Errorf("%q is no trouble code", text)
	}
	system := strings.IndexByte(systems, base[0])
	digits, ok := hex(base[1:])
	if system < 0 || !ok || base[1] > '3' {
		return Code{}, fmt.Errorf("%q is no trouble code", text)
	}
	code := Code{Value: uint16(system)<<14 | uint16(digits)}
	if !extended {
		return code, nil
	}
	failure, ok := hex(suffix)
	if !ok || len(suffix) != 2 {
		return Code{}, fmt.Errorf("%q has no failure byte of two hexadecimal digits after the hyphen", text)
	}
	code.Failure, code.HasFailure = byte(failure), true
	return code, nil
}

// asciiUpper capitalises a to z only.
func asciiUpper(s string) string {
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

// Base is the code as people write it, without its failure byte.
func (c Code) Base() string {
	return fmt.Sprintf("%c%X%03X", systems[c.Value>>14], c.Value>>12&3, c.Value&0xFFF)
}

// String is the code as people write it: "B0058" or "B0058-1A".
func (c Code) String() string {
	if !c.HasFailure {
		return c.Base()
	}
	return fmt.Sprintf("%s-%02X", c.Base(), c.Failure)
}

// Hex is the two-byte value as four hexadecimal digits: "8058".
func (c Code) Hex() string { return fmt.Sprintf("%04X", c.Value) }

// Bytes is the code as it travels: two bytes, or three with a failure byte.
func (c Code) Bytes() []byte {
	b := []byte{byte(c.Value >> 8), byte(c.Value)}
	if c.HasFailure {
		b = append(b, c.Failure)
	}
	return b
}

// CodeFromBytes reads what Bytes wrote.
func CodeFromBytes(b []byte) (Code, error) {
	if len(b) != 2 && len(b) != 3 {
		return Code{}, fmt.Errorf("%d bytes are no trouble code: 2 are, or 3 with the failure byte", len(b))
	}
	c := Code{Value: binary.BigEndian.Uint16(b)}
	if len(b) == 3 {
		c.Failure, c.HasFailure = b[2], true
	}
	return c, nil
}
