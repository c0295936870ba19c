package rules

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/check"
)

// Limits on what a need may say.
const (
	maxName     = 60
	maxCavities = 64
	maxStages   = 8
	firstYear   = 1980
	lastYear    = 2039
)

var (
	market = regexp.MustCompile(`^[A-Z]{2}$`)
	place  = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)
)

// IsPlace tells whether a text is written as a country by ISO 3166-1, or as a part
// of one by ISO 3166-2.
func IsPlace(text string) bool { return place.MatchString(text) }

// ValidateNeed notes what is wrong with a need, naming fields behind the prefix,
// which is empty or ends with a dot. Make, model and kind are needed; so is a
// position, but for kinds of which a vehicle has one, and for front air bags,
// whose position follows from the drive side.
func ValidateNeed(need *fitmentv1.Need, prefix string, fields *check.Fields) {
	validateVehicle(need.GetVehicle(), prefix+"vehicle.", fields)
	kind := need.GetKind()
	if _, known := fitmentv1.Part_Kind_name[int32(kind)]; !known || kind == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add(prefix+"kind", "is not stated or not known", "a kind of restraint part, such as BUCKLE_PRETENSIONER")
	}
	validatePosition(need, prefix+"position", fields)
	fields.Text(prefix+"part_maker", need.GetPartMaker(), maxName, false)
	if need.GetPartNumber() != "" {
		if _, err := names.NumberKey(need.GetPartNumber()); err != nil {
			fields.Add(prefix+"part_number", fmt.Sprintf("%.60q is no part number", need.GetPartNumber()), names.ErrNumber.Error())
		}
	}
	fields.Text(prefix+"connector.interface", need.GetConnector().GetInterface(), maxName, false)
	fields.Text(prefix+"connector.keying", need.GetConnector().GetKeying(), maxName, false)
	fields.Int(prefix+"connector.cavities", int64(need.GetConnector().GetCavities()), 0, maxCavities)
	fields.Int(prefix+"stages", int64(need.GetStages()), 0, maxStages)
	if j := need.GetJurisdiction(); j != "" && !IsPlace(j) {
		fields.Add(prefix+"jurisdiction", fmt.Sprintf("%.60q is no jurisdiction", j), `a country or its part by ISO 3166-2, such as "US-WA"`)
	}
}

func validateVehicle(v *fitmentv1.Vehicle, prefix string, fields *check.Fields) {
	fields.Text(prefix+"make", v.GetMake(), maxName, true)
	fields.Text(prefix+"model", v.GetModel(), maxName, true)
	if v.GetModelYear() != 0 {
		fields.Int(prefix+"model_year", int64(v.GetModelYear()), firstYear, lastYear)
	}
	fields.Date(prefix+"build_date", v.GetBuildDate())
	fields.Text(prefix+"body", v.GetBody(), maxName, false)
	fields.Text(prefix+"series", v.GetSeries(), maxName, false)
	fields.Text(prefix+"plant", v.GetPlant(), maxName, false)
	vin.ValidateFiled(v, prefix, fields)
	if _, known := fitmentv1.Vehicle_DriveSide_name[int32(v.GetDriveSide())]; !known {
		fields.Add(prefix+"drive_side", "is not known", "LEFT, RIGHT or nothing")
	}
	if _, known := fitmentv1.Vehicle_VehicleClass_name[int32(v.GetVehicleClass())]; !known {
		fields.Add(prefix+"vehicle_class", "is not known", "a class of vehicle, such as PASSENGER_CAR, or nothing")
	}
	if v.GetMarket() != "" && !market.MatchString(v.GetMarket()) {
		fields.Add(prefix+"market", fmt.Sprintf("%.60q is no market", v.GetMarket()), `a country as two capital letters (ISO 3166-1), such as "US"`)
	}
	if v.GetVin() != "" {
		validateVIN(v, prefix, fields)
	}
}

// validateVIN refuses a VIN that cannot be, or that contradicts the model year:
// one of the two is about another vehicle.
func validateVIN(v *fitmentv1.Vehicle, prefix string, fields *check.Fields) {
	var found check.Fields
	vin.ValidateNumber(prefix+"vin", v.GetVin(), &found)
	for _, bad := range found.Violations() {
		fields.Add(bad.Field, bad.Problem, bad.Expected)
	}
	if !found.OK() {
		return
	}
	said := vin.Decode(&fitmentv1.DecodeVinRequest{Vin: v.GetVin(), Market: v.GetMarket(), VehicleClass: v.GetVehicleClass()})
	if !said.GetValid() {
		fields.Add(prefix+"vin", "cannot be a VIN of the stated market", "the VIN as on the vehicle; its check digit must be right")
		return
	}
	digit := said.GetCheckDigit()
	trusted := digit.GetApplies() == fitmentv1.Finding_YES
	years := said.GetModelYears()
	if trusted && v.GetModelYear() != 0 && len(years) > 0 && !slices.Contains(years, v.GetModelYear()) {
		fields.Add(prefix+"model_year", strconv.Itoa(int(v.GetModelYear()))+" is not a model year of this VIN", "the model year that the VIN states, or none")
	}
}

// validatePosition demands a position where one is needed.
func validatePosition(need *fitmentv1.Need, field string, fields *check.Fields) {
	p := need.GetPosition()
	kind := need.GetKind()
	frontBag := kind == fitmentv1.Part_DRIVER_AIR_BAG || kind == fitmentv1.Part_PASSENGER_AIR_BAG
	if p.GetRow() == 0 && p.GetSide() == 0 {
		if !frontBag && !names.OneOnly(kind) {
			fields.Add(field, "is missing", names.PositionForm)
		}
		return
	}
	if _, err := names.ParsePosition(names.PositionText(p)); err != nil {
		fields.Add(field, "is no seating position", names.PositionForm)
		return
	}
	if frontBag && names.NeedPosition(need) == nil {
		fields.Add(field, "contradicts the drive side", "the position of that air bag in a vehicle with this drive side, or none")
	}
}
