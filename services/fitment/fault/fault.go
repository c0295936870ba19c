// Package fault goes from trouble codes and resistance readings to suspects
// with probabilities, the next test worth making, and whether buying a part is
// justified yet. It is pure. It never asks anybody to put a meter on a squib:
// such readings are judged when somebody has them.
package fault

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/check"
)

// Limits on what a request may say.
const (
	// MaxCodes bounds the codes of one request.
	MaxCodes = 64
	// MaxReadings bounds the readings of one request.
	MaxReadings   = 64
	maxOhms       = 1e9
	maxLead       = 100
	maxWindow     = 1e6
	maxPercent    = 100
	maxCounts     = 1e6
	maxMinutes    = 1e8
	maxRow        = 9
	maxStage      = 8
	longestText   = 100
	longestSource = 500
	longestCode   = 16
	firstYear     = 1980
	lastYear      = 2039
)

// Validate notes everything in a request that cannot be right.
func Validate(req *fitmentv1.AssessFaultRequest, fields *check.Fields) {
	if len(req.GetCodes()) == 0 && len(req.GetReadings()) == 0 {
		fields.Add("codes", "neither a code nor a reading is given", "at least one trouble code or one reading")
	}
	validateVehicle(req.GetVehicle(), fields)
	validateCodes(req, fields)
	if n := len(req.GetReadings()); n > MaxReadings {
		fields.Add("readings", fmt.Sprintf("has %d readings", n), fmt.Sprintf("at most %d", MaxReadings))
	} else {
		for i, r := range req.GetReadings() {
			ValidateReading(r, fmt.Sprintf("readings[%d].", i), fields)
		}
	}
	if w := req.GetWindow(); w != nil {
		validateWindow(w, fields)
	}
}

func validateVehicle(v *fitmentv1.Vehicle, fields *check.Fields) {
	if v.GetVin() != "" {
		vin.ValidateNumber("vehicle.vin", v.GetVin(), fields)
	}
	fields.Text("vehicle.make", v.GetMake(), longestText, false)
	fields.Text("vehicle.model", v.GetModel(), longestText, false)
	if v.GetModelYear() != 0 {
		fields.Int("vehicle.model_year", int64(v.GetModelYear()), firstYear, lastYear)
	}
	fields.Date("vehicle.build_date", v.GetBuildDate())
	fields.Text("vehicle.body", v.GetBody(), longestText, false)
	if _, known := fitmentv1.Vehicle_DriveSide_name[int32(v.GetDriveSide())]; !known {
		fields.Add("vehicle.drive_side", fmt.Sprintf("%d is no side", v.GetDriveSide()), "LEFT or RIGHT")
	}
	fields.Text("vehicle.market", v.GetMarket(), longestText, false)
	fields.Text("vehicle.series", v.GetSeries(), longestText, false)
	fields.Text("vehicle.plant", v.GetPlant(), longestText, false)
	vin.ValidateFiled(v, "vehicle.", fields)
	if _, known := fitmentv1.Vehicle_VehicleClass_name[int32(v.GetVehicleClass())]; !known {
		fields.Add("vehicle.vehicle_class", fmt.Sprintf("%d is no class", v.GetVehicleClass()), "a class such as PASSENGER_CAR")
	}
}

func validateCodes(req *fitmentv1.AssessFaultRequest, fields *check.Fields) {
	if n := len(req.GetCodes()); n > MaxCodes {
		fields.Add("codes", fmt.Sprintf("has %d codes", n), fmt.Sprintf("at most %d", MaxCodes))
		return
	}
	given := map[Code]bool{}
	for i, text := range req.GetCodes() {
		code, err := ParseCode(text)
		if err != nil {
			fields.Add(fmt.Sprintf("codes[%d]", i), err.Error(), codeShape)
			continue
		}
		given[code] = true
	}
	if n := len(req.GetCodeChoices()); n > MaxCodes {
		fields.Add("code_choices", fmt.Sprintf("has %d choices", n), fmt.Sprintf("at most %d", MaxCodes))
		return
	}
	chosen := map[Code]bool{}
	for i, choice := range req.GetCodeChoices() {
		validateChoice(choice, fmt.Sprintf("code_choices[%d].", i), given, chosen, fields)
	}
}

func validateChoice(choice *fitmentv1.CodeChoice, prefix string, given, chosen map[Code]bool, fields *check.Fields) {
	code, err := ParseCode(choice.GetCode())
	switch {
	case err != nil:
		fields.Add(prefix+"code", err.Error(), codeShape)
		return
	case !given[code]:
		fields.Add(prefix+"code", code.String()+" is not among the codes", "a code of this request, as given there")
		return
	case chosen[code]:
		fields.Add(prefix+"code", code.String()+" is chosen twice", "one choice a code")
		return
	}
	chosen[code] = true
	var ids []string
	for _, m := range meaningsOf(code) {
		if m.id(code) == choice.GetMeaning() {
			return
		}
		ids = append(ids, m.id(code))
	}
	expected := "no choice: we list no meaning of this code"
	if len(ids) > 0 {
		expected = "one of " + strings.Join(ids, ", ")
	}
	fields.Add(prefix+"meaning", fmt.Sprintf("%.60q is no meaning of %s", choice.GetMeaning(), code), expected)
}

func validateWindow(w *fitmentv1.ResistanceWindow, fields *check.Fields) {
	fields.Number("window.low_ohms", w.GetLowOhms(), 0, maxWindow)
	fields.Number("window.high_ohms", w.GetHighOhms(), 0, maxWindow)
	if w.GetLowOhms() >= w.GetHighOhms() {
		fields.Add("window.high_ohms", "is not above window.low_ohms", "an upper limit above the lower one")
	}
	fields.Text("window.source", w.GetSource(), longestSource, false)
}

// ValidateReading notes everything in a reading that cannot be right. Field
// names are preceded by prefix ("readings[0].").
func ValidateReading(r *fitmentv1.Reading, prefix string, fields *check.Fields) {
	if r == nil {
		fields.Add(strings.TrimSuffix(prefix, "."), "is missing", "a reading")
		return
	}
	if _, known := fitmentv1.Part_Kind_name[int32(r.GetKind())]; !known || r.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add(prefix+"kind", "is missing or unknown", "a kind of part, such as BUCKLE_PRETENSIONER")
	}
	fields.Int(prefix+"position.row", int64(r.GetPosition().GetRow()), 0, maxRow)
	if _, known := fitmentv1.Position_Side_name[int32(r.GetPosition().GetSide())]; !known {
		fields.Add(prefix+"position.side", fmt.Sprintf("%d is no side", r.GetPosition().GetSide()), "LEFT, RIGHT or CENTRE")
	}
	if _, known := fitmentv1.Reading_Method_name[int32(r.GetMethod())]; !known || r.GetMethod() == fitmentv1.Reading_METHOD_UNSPECIFIED {
		fields.Add(prefix+"method", "is missing or unknown", "MODULE_REPORTED, SUBSTITUTE_LOAD, METER_AT_COMPONENT or METER_AT_HARNESS")
	}
	if _, known := fitmentv1.Reading_Clip_name[int32(r.GetShortingClip())]; !known {
		fields.Add(prefix+"shorting_clip", fmt.Sprintf("%d is no state", r.GetShortingClip()), "OUT, IN or UNKNOWN")
	}
	validateValue(r, prefix, fields)
	validateMeter(r.GetMeter(), prefix+"meter.", fields)
	fields.Number(prefix+"battery_off_minutes", r.GetBatteryOffMinutes(), 0, maxMinutes)
	fields.Int(prefix+"stage", int64(r.GetStage()), 0, maxStage)
}

func validateValue(r *fitmentv1.Reading, prefix string, fields *check.Fields) {
	switch {
	case r.Ohms == nil && !r.GetOverRange():
		fields.Add(prefix+"ohms", "is missing", "ohms from 0 to 1e9, or over_range true where the display showed no number")
	case r.Ohms != nil && r.GetOverRange():
		fields.Add(prefix+"over_range", "stands beside ohms", "one of the two: a number, or over-range")
	}
	fields.Number(prefix+"ohms", r.GetOhms(), 0, maxOhms)
	fields.Number(prefix+"lead_ohms", r.GetLeadOhms(), 0, maxLead)
	if r.DisplayLimitOhms == nil {
		return
	}
	fields.Number(prefix+"display_limit_ohms", r.GetDisplayLimitOhms(), 0, maxWindow)
	if !fromModule(r.GetMethod()) {
		fields.Add(prefix+"display_limit_ohms", "does not go with a meter", "leave it out, or MODULE_REPORTED or SUBSTITUTE_LOAD as the method")
	}
}

func validateMeter(m *fitmentv1.Meter, prefix string, fields *check.Fields) {
	fields.Number(prefix+"percent_of_reading", m.GetPercentOfReading(), 0, maxPercent)
	fields.Number(prefix+"counts", m.GetCounts(), 0, maxCounts)
	fields.Number(prefix+"resolution_ohms", m.GetResolutionOhms(), 0, maxWindow)
	if m.GetCounts() > 0 && m.GetResolutionOhms() == 0 {
		fields.Add(prefix+"resolution_ohms", "is missing although counts are stated", "ohms of one count of the last digit")
	}
}
