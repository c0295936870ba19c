package reference

import (
	"regexp"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// donor is what the donor's VIN says.
type donor struct {
	answer Answer
	// years are the model years that it may mean, none where it cannot be relied
	// on.
	years []int32
}

// Forms of VINs (49 CFR 565.13 and 565.15). The value of each character is its
// place in the row modulo 10, from Table III; the weights are Table IV; the years
// begin with 1980 and again with 2010.
var (
	vinForm    = regexp.MustCompile(`^[A-HJ-NPR-Z0-9]{17}$`)
	vinRow     = "0123456789.ABCDEFGH..JKLMN.P.R..STUVWXYZ"
	vinWeights = []int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}
	vinYears   = "ABCDEFGHJKLMNPRSTVWXY123456789"
)

// unsourced are markets of which it is not known whether the rule applies.
var unsourced = []string{"", "MX", "PR", "GU", "PA"}

// readVIN reads the donor's VIN.
func (c *item) readVIN() donor {
	stated := listen(c.listing, aVIN)
	switch {
	case !stated.said():
		return donor{answer: Unknown}
	case !vinForm.MatchString(stated.value):
		return donor{answer: No}
	}
	market := strings.ToUpper(c.listing.GetDonor().GetMarket())
	ruled, unsure := market == "US" || market == "CA", slices.Contains(unsourced, market)
	right := digitRight(stated.value)
	class := c.listing.GetDonor().GetVehicleClass()
	light := class == fitmentv1.Vehicle_PASSENGER_CAR || class == fitmentv1.Vehicle_LIGHT_TRUCK
	years := yearsOf(stated.value, light && (ruled || (unsure && right)))
	switch {
	case ruled && (!right || len(years) == 0 || !serialRight(stated.value, light)):
		return donor{answer: No}
	case unsure && !right:
		return donor{answer: Unknown}
	}
	d := donor{answer: c.shown(stated)}
	for _, year := range years {
		if year <= int32(c.facts.Today.Year())+1 { // no donor is from the future
			d.years = append(d.years, year)
		}
	}
	year := listen(c.listing, aYear)
	if len(years) > 0 && (len(d.years) == 0 || (year.said() && !slices.Contains(d.years, year.figure()))) {
		d.answer = Unknown
	}
	return d
}

// digitRight tells whether position 9 is the check digit of the others.
func digitRight(number string) bool {
	sum := 0
	for i, r := range number {
		sum += strings.IndexRune(vinRow, r) % 10 * vinWeights[i]
	}
	return number[8] == "0123456789X"[sum%11]
}

// yearsOf lists the model years that position 10 may mean. Where position 7
// decides, a digit in it means one before 2010.
func yearsOf(number string, decides bool) []int32 {
	at := strings.IndexByte(vinYears, number[9])
	digit := strings.IndexByte("0123456789", number[6]) >= 0
	switch {
	case at < 0:
		return nil
	case decides && digit:
		return []int32{1980 + int32(at)}
	case decides:
		return []int32{2010 + int32(at)}
	}
	return []int32{1980 + int32(at), 2010 + int32(at)}
}

// serialRight tells whether the last characters are digits (49 CFR 565.15(d), from
// memory): five for light vehicles, four for others, three for makers of few.
func serialRight(number string, light bool) bool {
	digits := 4
	switch {
	case number[2] == '9':
		digits = 3
	case light:
		digits = 5
	}
	return strings.Trim(number[len(number)-digits:], "0123456789") == ""
}

// donorVIN: the donor is known by a VIN that can exist.
func (c *item) donorVIN() Answer { return c.readVIN().answer }
