// Package fault goes from trouble codes and resistance readings to suspects
// with probabilities, the next test worth making, and whether buying a part is
// justified yet. It is pure. It never asks anybody to put a meter on a squib:
// such readings are judged when somebody has them.
package fault

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/check"
)

// Limits on what a request may say.
const (
	// MaxCodes bounds the codes of one request.
	MaxCodes = 64
	// MaxReadings bounds the readings of one request.
	MaxReadings = 64
	// MaxTests bounds the tests of one request.
	MaxTests      = 64
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
	firstYear     = 1980
	lastYear      = 2039
)

// Validate notes everything in a request that cannot be right.
//
// Codes are read by the tables; nil means code.Builtin.
func Validate(req *fitmentv1.AssessFaultRequest, tables *code.Tables, fields *check.Fields) {
	if tables == nil {
		tables = code.Builtin()
	}
	if len(req.GetCodes()) == 0 && len(req.GetReadings()) == 0 && len(req.GetTests()) == 0 {
		fields.Add("codes", "neither a code nor a reading nor a test is given", "at least one trouble code, reading or test")
	}
	validateVehicle(req.GetVehicle(), fields)
	if d := req.GetDialect(); d != "" && !tables.Has(d) {
		fields.Add("dialect", fmt.Sprintf("%.40q is no dialect that we know", d), "one of "+strings.Join(dialectIDs(tables), ", "))
	}
	validateCodes(req, tables, fields)
	validateTests(req.GetTests(), fields)
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

func validateCodes(req *fitmentv1.AssessFaultRequest, tables *code.Tables, fields *check.Fields) {
	if n := len(req.GetCodes()); n > MaxCodes {
		fields.Add("codes", fmt.Sprintf("has %d codes", n), fmt.Sprintf("at most %d", MaxCodes))
		return
	}
	given := map[code.Code]bool{}
	for i, text := range req.GetCodes() {
		c, err := code.Parse(text)
		if err != nil {
			fields.Add(fmt.Sprintf("codes[%d]", i), err.Error(), code.Shape)
			continue
		}
		given[c] = true
	}
	if n := len(req.GetCodeChoices()); n > MaxCodes {
		fields.Add("code_choices", fmt.Sprintf("has %d choices", n), fmt.Sprintf("at most %d", MaxCodes))
		return
	}
	v := choiceValidator{tables: tables, dialect: req.GetDialect(), given: given, chosen: map[code.Code]bool{}}
	for i, one := range req.GetCodeChoices() {
		v.validate(one, fmt.Sprintf("code_choices[%d].", i), fields)
	}
}

// choiceValidator validates what a request says its codes mean.
type choiceValidator struct {
	tables        *code.Tables
	dialect       string
	given, chosen map[code.Code]bool
}

func (v *choiceValidator) validate(one *fitmentv1.CodeChoice, prefix string, fields *check.Fields) {
	c, err := code.Parse(one.GetCode())
	switch {
	case err != nil:
		fields.Add(prefix+"code", err.Error(), code.Shape)
		return
	case !v.given[c]:
		fields.Add(prefix+"code", c.String()+" is not among the codes", "a code of this request, as given there")
		return
	case v.chosen[c]:
		fields.Add(prefix+"code", c.String()+" is chosen twice", "one choice a code")
		return
	}
	v.chosen[c] = true
	m := choice(v.tables, c, one.GetMeaning())
	if m != nil && (v.dialect == "" || m.Dialect == v.dialect) {
		return
	}
	var ids []string
	for _, m := range v.tables.Meanings(c) {
		if v.dialect == "" {
			ids = append(ids, m.ID)
		}
	}
	for _, m := range v.tables.In(v.dialect, c) {
		ids = append(ids, m.ID)
	}
	expected := "no choice: we list no meaning of this code"
	if len(ids) > 0 {
		expected = "one of " + strings.Join(ids, ", ")
	}
	problem := fmt.Sprintf("%.60q is no meaning of %s", one.GetMeaning(), c)
	if v.dialect != "" {
		problem += fmt.Sprintf(" in the dialect %.40q, which the request states", v.dialect)
	}
	fields.Add(prefix+"meaning", problem, expected)
}

func dialectIDs(tables *code.Tables) []string {
	dialects := tables.Dialects()
	ids := make([]string, 0, len(dialects))
	for _, d := range dialects {
		ids = append(ids, d.ID)
	}
	return ids
}

func validateTests(tests []*fitmentv1.LoopTest, fields *check.Fields) {
	if n := len(tests); n > MaxTests {
		fields.Add("tests", fmt.Sprintf("has %d tests", n), fmt.Sprintf("at most %d", MaxTests))
		return
	}
	for i, t := range tests {
		prefix := fmt.Sprintf("tests[%d].", i)
		if t == nil {
			fields.Add(strings.TrimSuffix(prefix, "."), "is missing", "a test")
			continue
		}
		validateLoop(t.GetKind(), t.GetPosition(), prefix, fields)
		if _, known := contradictory[t.GetMethod()]; !known {
			fields.Add(prefix+"method", "is missing or unknown", "UNPLUG or SUBSTITUTE_LOAD")
		}
		const expected = "OPEN_OR_HIGH, LOW_OR_SHORTED, NO_CODE or OTHER_CODE"
		if !stated(t.GetBefore()) {
			fields.Add(prefix+"before", "is missing or unknown", expected)
		}
		if !stated(t.GetAfter()) {
			fields.Add(prefix+"after", "is missing or unknown", expected)
		}
	}
}

// validateLoop notes what cannot be right in the part that names a loop.
func validateLoop(kind fitmentv1.Part_Kind, p *fitmentv1.Position, prefix string, fields *check.Fields) {
	if _, known := fitmentv1.Part_Kind_name[int32(kind)]; !known || kind == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add(prefix+"kind", "is missing or unknown", "a kind of part, such as BUCKLE_PRETENSIONER")
	}
	fields.Int(prefix+"position.row", int64(p.GetRow()), 0, maxRow)
	if _, known := fitmentv1.Position_Side_name[int32(p.GetSide())]; !known {
		fields.Add(prefix+"position.side", fmt.Sprintf("%d is no side", p.GetSide()), "LEFT, RIGHT or CENTRE")
	}
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
	validateLoop(r.GetKind(), r.GetPosition(), prefix, fields)
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
