package repair

import (
	"fmt"
	"regexp"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
)

// Limits on what is said of vehicles and positions.
const (
	maxName    = 100
	maxText    = 2000
	maxOptions = 500
	firstYear  = 1980
	lastYear   = 2039
	maxDoors   = 9
	maxRow     = 9
)

var vinShape = regexp.MustCompile(`^[A-Za-z0-9]{0,17}$`)

// checkVehicle notes what cannot be right in a vehicle. Whether it is one, and which,
// is for the fitment side to say.
func checkVehicle(v *fitmentv1.Vehicle, prefix string, fields *check.Fields) {
	if !vinShape.MatchString(v.GetVin()) {
		fields.Add(prefix+"vin", "is no VIN", "at most 17 letters and digits")
	}
	for _, one := range []struct{ field, text string }{
		{"make", v.GetMake()},
		{"model", v.GetModel()},
		{"body", v.GetBody()},
		{"market", v.GetMarket()},
		{"series", v.GetSeries()},
		{"plant", v.GetPlant()},
	} {
		fields.Text(prefix+one.field, one.text, maxName, false)
	}
	if v.GetModelYear() != 0 {
		fields.Int(prefix+"model_year", int64(v.GetModelYear()), firstYear, lastYear)
	}
	fields.Date(prefix+"build_date", v.GetBuildDate())
	fields.Int(prefix+"doors", int64(v.GetDoors()), 0, maxDoors)
	fields.Text(prefix+"restraint_text", v.GetRestraintText(), maxText, false)
	if n := len(v.GetOptions()); n > maxOptions {
		fields.Add(prefix+"options", fmt.Sprintf("has %d codes", n), fmt.Sprintf("at most %d", maxOptions))
	}
	if _, known := fitmentv1.Vehicle_DriveSide_name[int32(v.GetDriveSide())]; !known {
		fields.Add(prefix+"drive_side", fmt.Sprintf("%d is no side", v.GetDriveSide()), "LEFT or RIGHT")
	}
	if _, known := fitmentv1.Vehicle_VehicleClass_name[int32(v.GetVehicleClass())]; !known {
		fields.Add(prefix+"vehicle_class", fmt.Sprintf("%d is no class", v.GetVehicleClass()), "a class such as PASSENGER_CAR")
	}
}

// checkPart notes what cannot be right in the kind and position of a part.
func checkPart(kind fitmentv1.Part_Kind, position *fitmentv1.Position, prefix string, fields *check.Fields) {
	if _, known := fitmentv1.Part_Kind_name[int32(kind)]; !known || kind == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add(prefix+"kind", "is missing or unknown", "the kind of part, such as BUCKLE_PRETENSIONER")
	}
	fields.Int(prefix+"position.row", int64(position.GetRow()), 0, maxRow)
	if _, known := fitmentv1.Position_Side_name[int32(position.GetSide())]; !known {
		fields.Add(prefix+"position.side", fmt.Sprintf("%d is no side", position.GetSide()), "LEFT, RIGHT or CENTRE")
	}
}
