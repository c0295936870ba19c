// Package amount reads and writes amounts of money as people put them in files,
// such as 180.00, in the currency's minor units.
package amount

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Max is the largest amount that a file or request may state, in minor units.
const Max = 1_000_000_000_000

// Parse reads a plain decimal amount, 0 to Max minor units, with at most as
// many decimal places as the currency has: nothing is rounded. No sign,
// grouping, exponent or currency sign is read.
func Parse(text, currency string) (int64, error) {
	return Scaled(text, Digits(currency), Max)
}

// Scaled reads a plain decimal number with at most places decimal places as
// that many times ten smaller units, 0 to limit.
func Scaled(text string, places int, limit int64) (int64, error) {
	whole, part, dotted := strings.Cut(text, ".")
	if !allDigits(whole) || (dotted && !allDigits(part)) {
		return 0, fmt.Errorf("%q is no plain decimal number", text)
	}
	if len(part) > places {
		return 0, fmt.Errorf("%q has %d decimal places; at most %d are allowed", text, len(part), places)
	}
	joined := whole + part + strings.Repeat("0", places-len(part))
	value, err := strconv.ParseInt(joined, 10, 64)
	if err != nil || value > limit {
		return 0, fmt.Errorf("%q is too large", text)
	}
	return value, nil
}

// Format writes an amount of minor units as Parse reads it.
func Format(value int64, currency string) string {
	places := Digits(currency)
	scale := int64(math.Pow10(places))
	if places == 0 {
		return strconv.FormatInt(value, 10)
	}
	sign := ""
	if value < 0 {
		sign = "-"
	}
	whole, part := value/scale, value%scale
	return fmt.Sprintf("%s%d.%0*d", sign, magnitude(whole), places, magnitude(part))
}

func magnitude(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}
