package listing

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/platform/check"
)

// OverRange is the value of a loop resistance whose meter showed over-range.
const OverRange = "OL"

// form is how an attribute's value is written.
type form int

const (
	formText form = iota
	formYesNo
	formNumber
	formKind
	formPosition
	formDriveSide
	formYear
	formVIN
	formCavities
	formStages
	formOhms
	formCodes
	formPeriod
)

// forms gives every attribute its form.
var forms = map[fitmentv1.Evidence_Attribute]form{
	fitmentv1.Evidence_PART_NUMBER:           formNumber,
	fitmentv1.Evidence_PART_KIND:             formKind,
	fitmentv1.Evidence_PART_POSITION:         formPosition,
	fitmentv1.Evidence_DONOR_DRIVE_SIDE:      formDriveSide,
	fitmentv1.Evidence_DONOR_MODEL_YEAR:      formYear,
	fitmentv1.Evidence_DONOR_VIN:             formVIN,
	fitmentv1.Evidence_CONNECTOR_INTERFACE:   formText,
	fitmentv1.Evidence_CONNECTOR_KEYING:      formText,
	fitmentv1.Evidence_CONNECTOR_CAVITIES:    formCavities,
	fitmentv1.Evidence_SHORTING_CLIP_PRESENT: formYesNo,
	fitmentv1.Evidence_PIGTAIL_CUT:           formYesNo,
	fitmentv1.Evidence_STAGES:                formStages,
	fitmentv1.Evidence_LOOP_RESISTANCE:       formOhms,
	fitmentv1.Evidence_DEPLOYMENT_MARKS:      formYesNo,
	fitmentv1.Evidence_CRASH_RECORD:          formYesNo,
	fitmentv1.Evidence_DEPLOYMENT_CODE:       formYesNo,
	fitmentv1.Evidence_BELT_IN_USE_COLLISION: formYesNo,
	fitmentv1.Evidence_FLOOD:                 formYesNo,
	fitmentv1.Evidence_FIRE:                  formYesNo,
	fitmentv1.Evidence_RECALL_OPEN:           formYesNo,
	fitmentv1.Evidence_LABEL_LEGIBLE:         formYesNo,
	fitmentv1.Evidence_PULLED_BY:             formText,
	fitmentv1.Evidence_RECALL_REMEDIED:       formYesNo,
	fitmentv1.Evidence_PART_MAKER:            formText,
	fitmentv1.Evidence_DONOR_CODES:           formCodes,
	fitmentv1.Evidence_DAMAGE:                formYesNo,
	fitmentv1.Evidence_COSMETIC_DAMAGE:       formYesNo,
	fitmentv1.Evidence_PROGRAMMABLE:          formYesNo,
	fitmentv1.Evidence_THEFT_QUERY_CLEAR:     formYesNo,
	fitmentv1.Evidence_SELLER_STATEMENT:      formYesNo,
	fitmentv1.Evidence_MANUFACTURED:          formPeriod,
}

var positionShape = regexp.MustCompile(`^[1-9] (LEFT|RIGHT|CENTRE)$`)

// validateEvidence notes what cannot be right in one statement of the yard's.
func validateEvidence(e *fitmentv1.Evidence, yard, prefix string, fields *check.Fields) {
	shape, known := forms[e.GetAttribute()]
	if !known {
		fields.Add(prefix+"attribute", "is missing or unknown", "an attribute such as PART_NUMBER")
		return
	}
	validateSupport(e, yard, prefix, fields)
	if e.GetReading() != nil && shape != formOhms {
		fields.Add(prefix+"reading", "belongs to no "+e.GetAttribute().String(), "a reading with LOOP_RESISTANCE only")
	}
	longest := maxName
	if shape == formCodes {
		longest = maxCodes
	}
	fields.Text(prefix+"value", e.GetValue(), longest, true)
	if e.GetValue() == "" {
		return
	}
	if shape == formOhms {
		validateOhms(e, prefix, fields)
		return
	}
	validateValue(shape, e.GetValue(), prefix+"value", fields)
}

// validateSupport looks at level, by, how and date. Confirmed means that
// somebody else saw it, so it needs a name that is not the seller's.
func validateSupport(e *fitmentv1.Evidence, yard, prefix string, fields *check.Fields) {
	if _, known := fitmentv1.Evidence_Level_name[int32(e.GetLevel())]; !known {
		fields.Add(prefix+"level", fmt.Sprintf("%d is no level", e.GetLevel()), "CLAIMED, SHOWN or CONFIRMED")
	}
	fields.Text(prefix+"by", e.GetBy(), maxName, false)
	fields.Text(prefix+"how", e.GetHow(), maxName, false)
	fields.Date(prefix+"date", e.GetDate())
	validateAttachments(e, prefix, fields)
	if e.GetLevel() == fitmentv1.Evidence_SHOWN && e.GetHow() == "" {
		fields.Add(prefix+"how", "is missing", "what shows it, such as label photo")
	}
	by := names.Fold(e.GetBy())
	if e.GetLevel() == fitmentv1.Evidence_CONFIRMED && (by == "" || by == names.Fold(yard)) {
		fields.Add(prefix+"by", "does not say who confirmed it", "who other than the seller saw it")
	}
}

func validateValue(shape form, value, field string, fields *check.Fields) {
	switch shape {
	case formYesNo:
		oneOf(value, field, fields, "yes", "no")
	case formNumber:
		validateNumber(value, field, fields)
	case formKind:
		if kind := fitmentv1.Part_Kind(fitmentv1.Part_Kind_value[value]); !knownKind(kind) {
			fields.Add(field, fmt.Sprintf("%.60q is no kind of part", value), "a kind such as BUCKLE_PRETENSIONER")
		}
	case formPosition:
		if !positionShape.MatchString(value) {
			fields.Add(field, fmt.Sprintf("%.60q is no position", value), "row and side, such as 1 RIGHT")
		}
	case formDriveSide:
		oneOf(value, field, fields, "LEFT", "RIGHT")
	case formYear:
		whole(value, field, firstYear, lastYear, fields)
	case formVIN:
		validateVIN(value, field, fields)
	case formCavities:
		whole(value, field, 1, maxCavities, fields)
	case formStages:
		whole(value, field, 1, maxStages, fields)
	case formPeriod:
		if _, _, err := evidence.ParsePeriod(value); err != nil {
			fields.Add(field, fmt.Sprintf("%.60q is no date", value), "a year, a month or a day: 2006, 2006-03 or 2006-03-14")
		}
	case formCodes:
		validateCodes(value, field, fields)
	case formText, formOhms: // any text; ohms are judged with their reading
	}
}

// validateCodes demands a list of trouble codes, or the word none.
func validateCodes(value, field string, fields *check.Fields) {
	if _, err := code.ParseList(value); err != nil {
		fields.Add(field, err.Error(), "codes separated by commas, such as B0051, B0058-1A, or none")
	}
}

func oneOf(value, field string, fields *check.Fields, allowed ...string) {
	if slices.Contains(allowed, value) {
		return
	}
	fields.Add(field, fmt.Sprintf("%.60q is neither %s", value, strings.Join(allowed, " nor ")), strings.Join(allowed, " or "))
}

func whole(value, field string, low, high int64, fields *check.Fields) {
	n, err := strconv.ParseInt(value, 10, 64)
	if err != nil || strconv.FormatInt(n, 10) != value {
		fields.Add(field, fmt.Sprintf("%.60q is no whole number", value), fmt.Sprintf("%d to %d", low, high))
		return
	}
	fields.Int(field, n, low, high)
}

// validateOhms demands ohms or OL, and that a reading beside it says the same.
func validateOhms(e *fitmentv1.Evidence, prefix string, fields *check.Fields) {
	ohms, ok := parseOhms(e.GetValue())
	if !ok {
		fields.Add(prefix+"value", fmt.Sprintf("%.60q is no resistance", e.GetValue()), "ohms from 0 to 1e9, or OL for over-range")
		return
	}
	r := e.GetReading()
	if r == nil {
		return
	}
	fault.ValidateReading(r, prefix+"reading.", fields)
	over := e.GetValue() == OverRange
	if over != r.GetOverRange() || (!over && (r.Ohms == nil || r.GetOhms() != ohms)) {
		fields.Add(prefix+"value", "is not what its reading says", "the reading's ohms, or OL where it is over-range")
	}
}

func parseOhms(value string) (float64, bool) {
	if value == OverRange {
		return 0, true
	}
	ohms, err := strconv.ParseFloat(value, 64)
	if err != nil || math.IsNaN(ohms) || ohms < 0 || ohms > maxOhms || strings.Trim(value, "0123456789.eE+-") != "" {
		return 0, false
	}
	return ohms, true
}
