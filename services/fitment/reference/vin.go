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
	if !stated.said() {
		return donor{answer: Unknown}
	}
	number, v := stated.value, c.listing.GetDonor()
	market := strings.ToUpper(v.GetMarket())
	ruled, unsure := market == "US" || market == "CA", slices.Contains(unsourced, market)
	if !vinForm.MatchString(number) {
		return donor{answer: No}
	}
	sum := 0
	for i, r := range number {
		sum += strings.IndexRune(vinRow, r) % 10 * vinWeights[i]
	}
	right := number[8] == "0123456789X"[sum%11]
	light := v.GetVehicleClass() == fitmentv1.Vehicle_PASSENGER_CAR || v.GetVehicleClass() == fitmentv1.Vehicle_LIGHT_TRUCK
	var years []int32
	if at := strings.IndexByte(vinYears, number[9]); at >= 0 {
		years = []int32{1980 + int32(at), 2010 + int32(at)}
		if light && (ruled || (unsure && right)) { // position 7 decides: a digit means before 2010
			digit := 0
			if strings.IndexByte("0123456789", number[6]) < 0 {
				digit = 1
			}
			years = years[digit : digit+1]
		}
	}
	serial := 4
	switch {
	case number[2] == '9':
		serial = 3
	case light:
		serial = 5
	}
	if ruled && (!right || len(years) == 0 || strings.Trim(number[17-serial:], "0123456789") != "") {
		return donor{answer: No}
	}
	if unsure && !right {
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

// donorVIN: the donor is known by a VIN that can exist.
func (c *item) donorVIN() Answer { return c.readVIN().answer }
