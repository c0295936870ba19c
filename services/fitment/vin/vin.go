// Package vin reads vehicle identification numbers by 49 CFR 565.15: check
// digit, model year and what else the characters say, and adds what makers have
// filed about the vehicle, from the open data of package vindata. It is pure: it
// knows no day, so it names the model years that are possible and leaves their
// order in time to notes.
package vin

import (
	"fmt"
	"strings"

	"golang.org/x/text/language"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
)

// Length is the number of characters of a VIN (49 CFR 565.13(b)).
const Length = 17

const (
	checkPosition = 9
	cyclePosition = 7
	yearPosition  = 10
	plantPosition = 11
	longestText   = 100
)

// letterValues are Table III of 49 CFR 565.15(c), A to Z; 0 stands where the
// letter is not allowed (I, O and Q).
var letterValues = [26]int{1, 2, 3, 4, 5, 6, 7, 8, 0, 1, 2, 3, 4, 5, 0, 7, 0, 9, 2, 3, 4, 5, 6, 7, 8, 9}

// weights are Table IV of 49 CFR 565.15(c), for positions 1 to 17.
var weights = [Length]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// Validate notes everything in a request that cannot be right.
func Validate(req *fitmentv1.DecodeVinRequest, fields *check.Fields) {
	ValidateNumber("vin", req.GetVin(), fields)
	if m := req.GetMarket(); m != "" && !knownMarket(strings.ToUpper(m)) {
		fields.Add("market", fmt.Sprintf("%.10q is no country", m), "an ISO 3166-1 alpha-2 code such as US")
	}
	if _, known := fitmentv1.Vehicle_VehicleClass_name[int32(req.GetVehicleClass())]; !known {
		fields.Add("vehicle_class", fmt.Sprintf("%d is no class", req.GetVehicleClass()), "a class such as PASSENGER_CAR")
	}
	fields.Text("make", req.GetMake(), longestText, false)
	fields.Text("model", req.GetModel(), longestText, false)
}

// ValidateNumber notes what keeps a text from being a VIN: its length, and each
// character that no VIN contains, with its position. Small letters count as
// capitals. Whether the check digit is right is not asked here, since whether
// it applies depends on the market.
func ValidateNumber(field, number string, fields *check.Fields) {
	characters := []rune(number)
	if len(characters) != Length {
		fields.Add(field, fmt.Sprintf("has %d characters", len(characters)), fmt.Sprintf("%d characters", Length))
	}
	for i, c := range characters[:min(len(characters), Length)] {
		switch upper := capital(c); {
		case upper == 'I' || upper == 'O' || upper == 'Q':
			fields.Add(field, fmt.Sprintf("has %c at position %d", c, i+1), "no I, O or Q, which a VIN never contains (look for 1 or 0)")
		case value(upper) < 0:
			fields.Add(field, fmt.Sprintf("has %q at position %d", c, i+1), "letters A to Z without I, O and Q, and digits")
		}
	}
}

// knownMarket tells whether an upper-cased text is a country's code.
func knownMarket(code string) bool {
	if len(code) != 2 {
		return false
	}
	region, err := language.ParseRegion(code)
	return err == nil && region.IsCountry() && region.String() == code
}

// capital turns a to z into A to Z and leaves everything else, so that no
// character from another script folds into a letter.
func capital(c rune) rune {
	if c >= 'a' && c <= 'z' {
		return c - 'a' + 'A'
	}
	return c
}

// value transliterates a character, or gives −1 where none is defined.
func value(c rune) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'A' && c <= 'Z' && letterValues[c-'A'] > 0:
		return letterValues[c-'A']
	}
	return -1
}

// checkDigit returns the character that position 9 must have: the weighted sum
// of the others modulo 11, with X for 10 (49 CFR 565.15(c)(4)). It works on the
// integer remainder; the decimal table that is also in print contains a
// misprint (.634 for 7/11).
func checkDigit(number string) string {
	sum := 0
	for i, c := range number {
		sum += max(value(c), 0) * weights[i]
	}
	return string("0123456789X"[sum%11])
}
