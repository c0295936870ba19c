package catalogue

import (
	"fmt"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/platform/check"
)

// Limits on what a record of the catalogue may hold.
const (
	maxName         = 60
	maxText         = 500
	maxApplications = 500
	maxPositions    = 30
	maxStages       = 8
	maxCavities     = 64
	maxOhms         = 1e6
	maxLife         = 100
	firstYear       = 1980
	lastYear        = 2039
	maxFitting      = 30
	maxPieces       = 100
	maxOptions      = 20
	maxOption       = 20
	leastWait       = 0.1 // six seconds: "no wait" is never to be told; where none is known, none is stated
	maxWait         = 1440
	leastDisplay    = 0.1
)

// ValidatePart notes what is wrong with a part, by the fields' JSON paths.
func ValidatePart(part *fitmentv1.Part, fields *check.Fields) {
	validateMaker(fields, "maker", part.GetMaker())
	validateNumber(fields, "number", part.GetNumber(), true)
	validateKind(fields, part.GetKind(), true)
	validatePositions(part, fields)
	fields.Text("connector.interface", part.GetConnector().GetInterface(), maxName, false)
	fields.Text("connector.keying", part.GetConnector().GetKeying(), maxName, false)
	fields.Int("connector.cavities", int64(part.GetConnector().GetCavities()), 0, maxCavities)
	fields.Int("stages", int64(part.GetStages()), 0, maxStages)
	fields.Int("service_life_years", int64(part.GetServiceLifeYears()), 0, maxLife)
	validateWindow(part.GetWindow(), fields)
	validateFitting(part, fields)
	if len(part.GetApplications()) > maxApplications {
		fields.Add("applications", fmt.Sprintf("has %d entries", len(part.GetApplications())), fmt.Sprintf("at most %d", maxApplications))
		return
	}
	for i, a := range part.GetApplications() {
		validateApplication(fields, "applications["+strconv.Itoa(i)+"].", a)
	}
}

// validateWindow checks a resistance window; there may be none.
func validateWindow(window *fitmentv1.ResistanceWindow, fields *check.Fields) {
	if window == nil {
		return
	}
	fields.Number("window.low_ohms", window.GetLowOhms(), 0, maxOhms)
	fields.Number("window.high_ohms", window.GetHighOhms(), 0, maxOhms)
	fields.Text("window.source", window.GetSource(), maxText, false)
	if !(window.GetHighOhms() > window.GetLowOhms()) {
		fields.Add("window.high_ohms", "is not above the lower limit", "the upper limit of a resistance window, above the lower one")
	}
}

// validateFitting checks what a part says about fitting it.
func validateFitting(part *fitmentv1.Part, fields *check.Fields) {
	for field, n := range map[string]int{"one_use": len(part.GetOneUse()), "replace_with": len(part.GetReplaceWith())} {
		if n > maxFitting {
			fields.Add(field, fmt.Sprintf("has %d entries", n), fmt.Sprintf("at most %d", maxFitting))
		}
	}
	for i, one := range part.GetOneUse()[:min(len(part.GetOneUse()), maxFitting)] {
		prefix := "one_use[" + strconv.Itoa(i) + "]."
		fields.Text(prefix+"text", one.GetText(), maxName, true)
		fields.Int(prefix+"quantity", int64(one.GetQuantity()), 1, maxPieces)
		validateNumber(fields, prefix+"number", one.GetNumber(), false)
	}
	for i, one := range part.GetReplaceWith()[:min(len(part.GetReplaceWith()), maxFitting)] {
		prefix := "replace_with[" + strconv.Itoa(i) + "]."
		if _, known := fitmentv1.Part_Kind_name[int32(one.GetKind())]; !known || one.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED {
			fields.Add(prefix+"kind", "is not stated or not known", "one of "+kinds())
		}
		validateNumber(fields, prefix+"number", one.GetNumber(), false)
		fields.Text(prefix+"text", one.GetText(), maxText, false)
	}
	if _, known := fitmentv1.Part_Programming_name[int32(part.GetProgramming())]; !known {
		fields.Add("programming", "is not known", "NONE, SETUP, LOCKED or nothing")
	}
	if _, known := fitmentv1.Part_DonorPolicy_name[int32(part.GetDonorPolicy())]; !known {
		fields.Add("donor_policy", "is not known", "ALLOWED, FORBIDDEN or nothing")
	}
}

func validateMaker(fields *check.Fields, field, maker string) {
	if _, err := MakerSlug(maker); err != nil {
		fields.Add(field, fmt.Sprintf("%.60q names no maker", maker), ErrMaker.Error())
		return
	}
	fields.Text(field, maker, maxName, true)
}

func validateNumber(fields *check.Fields, field, number string, required bool) {
	if number == "" && !required {
		return
	}
	if _, err := NumberKey(number); err != nil {
		fields.Add(field, fmt.Sprintf("%.60q is no part number", number), names.ErrNumber.Error())
		return
	}
	fields.Text(field, number, maxName, required)
}

func validateKind(fields *check.Fields, kind fitmentv1.Part_Kind, required bool) {
	_, known := fitmentv1.Part_Kind_name[int32(kind)]
	if !known || (required && kind == fitmentv1.Part_KIND_UNSPECIFIED) {
		fields.Add("kind", "is not stated or not known", "one of "+kinds())
	}
}

// kinds lists the kinds of part, for messages.
func kinds() string { return enumNames(fitmentv1.Part_Kind_value) }

func validatePositions(part *fitmentv1.Part, fields *check.Fields) {
	positions := part.GetPositions()
	if len(positions) == 0 && !names.OneOnly(part.GetKind()) {
		fields.Add("positions", "is missing", `the positions the part is made for, such as "1 LEFT; 1 RIGHT"`)
	}
	if len(positions) > maxPositions {
		fields.Add("positions", fmt.Sprintf("has %d entries", len(positions)), fmt.Sprintf("at most %d", maxPositions))
		return
	}
	for i, p := range positions {
		if _, err := names.ParsePosition(names.PositionText(p)); err != nil {
			fields.Add("positions["+strconv.Itoa(i)+"]", "is no seating position", names.PositionForm)
		}
	}
}

func validateApplication(fields *check.Fields, prefix string, a *fitmentv1.Part_Application) {
	fields.Text(prefix+"make", a.GetMake(), maxName, true)
	fields.Text(prefix+"model", a.GetModel(), maxName, true)
	fields.Int(prefix+"year_from", int64(a.GetYearFrom()), firstYear, lastYear)
	fields.Int(prefix+"year_to", int64(a.GetYearTo()), firstYear, lastYear)
	if a.GetYearTo() < a.GetYearFrom() {
		fields.Add(prefix+"year_to", "is before the first year", "the last model year, not before the first")
	}
	fields.Text(prefix+"body", a.GetBody(), maxName, false)
	if _, known := fitmentv1.Vehicle_DriveSide_name[int32(a.GetDriveSide())]; !known {
		fields.Add(prefix+"drive_side", "is not known", "LEFT, RIGHT or nothing")
	}
	validateMarket(fields, prefix+"market", a.GetMarket())
	validateBuilt(fields, prefix, a.GetBuiltFrom(), a.GetBuiltTo())
}

// validateBuilt checks build dates, either of which may be missing.
func validateBuilt(fields *check.Fields, prefix, from, to string) {
	fields.Date(prefix+"built_from", from)
	fields.Date(prefix+"built_to", to)
	if from != "" && to != "" && to < from {
		fields.Add(prefix+"built_to", "is before the first build date", "the last build date, not before the first")
	}
}

// validateMarket demands nothing or an ISO 3166-1 alpha-2 code in capitals.
func validateMarket(fields *check.Fields, field, market string) {
	if market == "" {
		return
	}
	if len(market) != 2 || !capital(market[0]) || !capital(market[1]) {
		fields.Add(field, fmt.Sprintf("%.60q is no market", market), `a country as two capital letters (ISO 3166-1), such as "US"`)
	}
}

func capital(c byte) bool { return c >= 'A' && c <= 'Z' }

// validateYears checks limits of which 0 means none.
func validateYears(fields *check.Fields, from, to int32) {
	if from != 0 {
		fields.Int("year_from", int64(from), firstYear, lastYear)
	}
	if to != 0 {
		fields.Int("year_to", int64(to), firstYear, lastYear)
		if to < from {
			fields.Add("year_to", "is before the first year", "the last model year, not before the first")
		}
	}
}

// ValidateSupersession notes what is wrong with a supersession.
func ValidateSupersession(s *fitmentv1.Supersession, fields *check.Fields) {
	validateMaker(fields, "maker", s.GetMaker())
	validateNumber(fields, "old_number", s.GetOldNumber(), true)
	validateNumber(fields, "new_number", s.GetNewNumber(), true)
	older, errOld := NumberKey(s.GetOldNumber())
	newer, errNew := NumberKey(s.GetNewNumber())
	if errOld == nil && errNew == nil && older == newer {
		fields.Add("new_number", "is the old number", "the number that replaces it")
	}
	validateYears(fields, s.GetYearFrom(), s.GetYearTo())
	validateMarket(fields, "market", s.GetMarket())
	validateBuilt(fields, "", s.GetBuiltFrom(), s.GetBuiltTo())
	fields.Text("plant", s.GetPlant(), maxName, false)
	if n := len(s.GetOptions()); n > maxOptions {
		fields.Add("options", fmt.Sprintf("has %d codes", n), fmt.Sprintf("at most %d", maxOptions))
	} else {
		for i, option := range s.GetOptions() {
			fields.Text("options["+strconv.Itoa(i)+"]", option, maxOption, true)
		}
	}
	if _, known := fitmentv1.Supersession_Type_name[int32(s.GetType())]; !known {
		fields.Add("type", "is not known", "REPLACES, SUBSTITUTE or nothing")
	}
	fields.Text("source", s.GetSource(), maxText, false)
}

// ValidateRecall notes what is wrong with a notice or coverage statement.
func ValidateRecall(r *fitmentv1.Recall, fields *check.Fields) {
	switch r.GetType() {
	case fitmentv1.Recall_NOTICE:
		validateDay(fields, "issued", r.GetIssued(), "the day the notice was issued")
		fields.Date("as_of", r.GetAsOf())
	case fitmentv1.Recall_COVERAGE:
		validateDay(fields, "as_of", r.GetAsOf(), "the day up to which the set of notices is complete")
		fields.Date("issued", r.GetIssued())
	default:
		fields.Add("type", "is not stated or not known", "NOTICE or COVERAGE")
	}
	fields.Text("number", r.GetNumber(), maxName, true)
	validateMaker(fields, "part_maker", r.GetPartMaker())
	validateNumber(fields, "part_number", r.GetPartNumber(), false)
	validateKind(fields, r.GetKind(), false)
	fields.Text("make", r.GetMake(), maxName, false)
	fields.Text("model", r.GetModel(), maxName, false)
	validateYears(fields, r.GetYearFrom(), r.GetYearTo())
	fields.Text("summary", r.GetSummary(), 4*maxText, false)
	fields.Text("source", r.GetSource(), maxText, false)
}

// validateDay demands a date.
func validateDay(fields *check.Fields, field, day, what string) {
	if day == "" {
		fields.Add(field, "is missing", what+" as YYYY-MM-DD")
		return
	}
	fields.Date(field, day)
}

// columnOf maps the fields that validation names to the columns of a file; a
// field without an entry is named alike in both.
func columnOf(columns map[string]string, field string) string {
	if column, ok := columns[field]; ok {
		return column
	}
	for _, list := range []string{"one_use", "replace_with", "options"} { // a list is one cell
		if strings.HasPrefix(field, list+"[") {
			return list
		}
	}
	return field
}

// inColumns runs a validation and notes its violations under the columns' names.
func inColumns(fields *check.Fields, columns map[string]string, validate func(*check.Fields)) {
	var found check.Fields
	validate(&found)
	for _, v := range found.Violations() {
		fields.Add(columnOf(columns, v.Field), v.Problem, v.Expected)
	}
}
