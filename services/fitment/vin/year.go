package vin

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// yearCodes are the codes of position 10 in order: 1980 to 2009, then again
// from 2010 to 2039 (49 CFR 565.15(d)(1)). I, O, Q, U, Z and 0 are no codes.
const yearCodes = "ABCDEFGHJKLMNPRSTVWXY123456789"

const (
	firstYear = 1980
	cycle     = len(yearCodes)
)

// LatestModelYear is the latest model year on sale when this table was last
// looked at (November 2026). Later ones are named with a note, not refused.
const LatestModelYear = 2027

// years are the model years that position 10 allows, most likely first, and
// whether a rule decided between them.
type years struct {
	candidates []int32
	notes      []string
}

// readYears reads positions 7 and 10. Position 7 decides for passenger cars and
// for trucks and multipurpose vehicles of at most 4,536 kg: a digit means 1980
// to 2009, a letter 2010 to 2039 (49 CFR 565.15(b)). trusted says whether there
// is reason to read the VIN by that rule at all.
func readYears(number string, class fitmentv1.Vehicle_VehicleClass, trusted bool) years {
	index := strings.IndexByte(yearCodes, number[yearPosition-1])
	if index < 0 {
		return years{notes: []string{fmt.Sprintf("Position 10 is %c, which is no model-year code (49 CFR 565.15(d)).", number[yearPosition-1])}}
	}
	early, late := int32(firstYear+index), int32(firstYear+cycle+index)
	digit := isDigit(number[cyclePosition-1])
	light := class == fitmentv1.Vehicle_PASSENGER_CAR || class == fitmentv1.Vehicle_LIGHT_TRUCK
	if light && trusted {
		return decidedYear(early, late, digit)
	}
	return openYears(early, late, digit, class)
}

func decidedYear(early, late int32, digit bool) years {
	if digit {
		return years{
			candidates: []int32{early},
			notes:      []string{fmt.Sprintf("Position 7 is a digit, so position 10 means %d, not %d (49 CFR 565.15(b)).", early, late)},
		}
	}
	y := years{
		candidates: []int32{late},
		notes:      []string{fmt.Sprintf("Position 7 is a letter, so position 10 means %d, not %d (49 CFR 565.15(b)).", late, early)},
	}
	if late > LatestModelYear {
		y.notes = append(y.notes, fmt.Sprintf("Model year %d lies in the future: read positions 7 and 10 again, or state another class.", late))
	}
	return y
}

// openYears gives both years. Position 7 only orders them: what no vehicle
// class or market confirms is a likelihood, not a rule.
func openYears(early, late int32, digit bool, class fitmentv1.Vehicle_VehicleClass) years {
	y := years{candidates: []int32{late, early}}
	if digit || late > LatestModelYear {
		y.candidates = []int32{early, late}
	}
	reason := "position 7 decides only for passenger cars and for trucks and multipurpose vehicles of at most 4,536 kg"
	if class == fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED {
		reason += "; state the class"
	}
	y.notes = append(y.notes, fmt.Sprintf("Position 10 means %d or %d: %s (49 CFR 565.15(b)).", early, late, reason))
	if late > LatestModelYear {
		y.notes = append(y.notes, fmt.Sprintf("Model year %d lies in the future.", late))
	}
	return y
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }
