package vin

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/vindata"
	"beltwright.example/services/platform/check"
)

const (
	mostDoors        = 9
	longestRestraint = 4000
	mostOptions      = 200
	longestOption    = 20
)

// ValidateFiled checks what a vehicle says beside its names and dates, as the
// open VIN data gives it: doors and restraint text; and its option codes.
func ValidateFiled(v *fitmentv1.Vehicle, prefix string, fields *check.Fields) {
	fields.Int(prefix+"doors", int64(v.GetDoors()), 0, mostDoors)
	fields.Text(prefix+"restraint_text", v.GetRestraintText(), longestRestraint, false)
	if n := len(v.GetOptions()); n > mostOptions {
		fields.Add(prefix+"options", fmt.Sprintf("has %d codes", n), fmt.Sprintf("at most %d", mostOptions))
		return
	}
	for i, option := range v.GetOptions() {
		fields.Text(fmt.Sprintf("%soptions[%d]", prefix, i), option, longestOption, true)
	}
}

// settleByData lets the open data state the class where the user did not, and so
// the model year that position 7 means. It does so only where the data also has a
// vehicle of that class for that year.
func settleByData(number string, y years) (years, fitmentv1.Vehicle_VehicleClass) {
	index := strings.IndexByte(yearCodes, number[yearPosition-1])
	if index < 0 {
		return y, fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED
	}
	settled := decidedYear(int32(firstYear+index), int32(firstYear+cycle+index), isDigit(number[cyclePosition-1]))
	record, _ := vindata.Lookup(number, settled.candidates[0])
	class := classOf(&record)
	if class == fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED {
		return y, class
	}
	words := "a passenger car"
	if class == fitmentv1.Vehicle_LIGHT_TRUCK {
		words = "a truck or multipurpose vehicle of at most 4,536 kg"
	}
	settled.notes = append(settled.notes, "The class was not stated; by the open VIN data this is "+words+".")
	return settled, class
}

// classOf is the class that a record proves: a truck's weight must be filed.
func classOf(record *vindata.Record) fitmentv1.Vehicle_VehicleClass {
	switch {
	case !record.Matched:
	case record.Type == vindata.PassengerCar:
		return fitmentv1.Vehicle_PASSENGER_CAR
	case record.Weight == vindata.Light:
		return fitmentv1.Vehicle_LIGHT_TRUCK
	}
	return fitmentv1.Vehicle_VEHICLE_CLASS_UNSPECIFIED
}

// filed is what the open data says about a VIN for all its possible years: a
// statement stands only where every year with data agrees.
func filed(number string, candidates []int32) (vindata.Record, bool) {
	var all vindata.Record
	found := false
	for _, year := range candidates {
		record, known := vindata.Lookup(number, year)
		switch {
		case !known:
			return all, false
		case !found:
			all, found = record, true
		case record.Matched && all.Matched:
			keepCommon(&all, &record)
		case record.Matched:
			all = record
		}
	}
	return all, found
}

func keepCommon(all, other *vindata.Record) {
	for _, pair := range [][2]*string{
		{&all.Make, &other.Make},
		{&all.Model, &other.Model},
		{&all.Series, &other.Series},
		{&all.Trim, &other.Trim},
		{&all.Body, &other.Body},
		{&all.Restraint, &other.Restraint},
		{&all.PlantCity, &other.PlantCity},
		{&all.PlantState, &other.PlantState},
		{&all.PlantCountry, &other.PlantCountry},
	} {
		if *pair[0] != *pair[1] {
			*pair[0] = ""
		}
	}
	if all.Doors != other.Doors {
		all.Doors = 0
	}
}

// addFiled fills in what the user left open from the open data, and notes where
// the two contradict each other: the user's words stay then, and nothing else is
// taken from the data, since one of the two is about another vehicle. It tells
// whether the data was used.
func addFiled(v *fitmentv1.Vehicle, record *vindata.Record) (used bool, notes []string) {
	if note := contradiction(v, record); note != "" {
		return true, []string{note}
	}
	if len(record.Candidates) > 0 && v.GetModel() == "" {
		notes = append(notes, "The open VIN data does not decide between "+list(record.Candidates)+"; state the model.")
	}
	fill(&v.Make, record.Make)
	fill(&v.Model, record.Model)
	fill(&v.Series, series(record))
	fill(&v.Body, record.Body)
	fill(&v.RestraintText, record.Restraint)
	v.Doors = record.Doors
	if plant := record.Plant(); plant != "" {
		v.Plant = plant
	}
	if record.Restraint != "" {
		notes = append(notes, "The restraint text is what the maker filed; what it does not mention is unknown, not absent.")
	}
	return record.Make != "" || len(record.Candidates) > 0, notes
}

func fill(field *string, value string) {
	if *field == "" {
		*field = value
	}
}

// contradiction words a difference between the user's make or model and the
// data's; names are compared as everywhere, without regard to capitals.
func contradiction(v *fitmentv1.Vehicle, record *vindata.Record) string {
	const kept = "The open VIN data says that the %s is %s, not %s as stated; the stated word is kept, and nothing else is taken from the data."
	named := func(n vindata.Name) bool {
		return names.Fold(n.Model) == names.Fold(v.GetModel()) && (v.GetMake() == "" || names.Fold(n.Make) == names.Fold(v.GetMake()))
	}
	switch {
	case v.GetMake() != "" && record.Make != "" && names.Fold(v.GetMake()) != names.Fold(record.Make):
		return fmt.Sprintf(kept, "make", record.Make, v.GetMake())
	case v.GetModel() == "":
	case record.Model != "" && names.Fold(v.GetModel()) != names.Fold(record.Model):
		return fmt.Sprintf(kept, "model", record.Model, v.GetModel())
	case len(record.Candidates) > 0 && !slices.ContainsFunc(record.Candidates, named):
		return fmt.Sprintf(kept, "model", "one of "+list(record.Candidates), v.GetModel())
	}
	return ""
}

func series(record *vindata.Record) string {
	switch record.Series {
	case "":
		return record.Trim
	case record.Trim:
		return record.Series
	}
	return strings.TrimSuffix(record.Series+", "+record.Trim, ", ")
}

func list(candidates []vindata.Name) string {
	const most = 6
	texts := make([]string, 0, len(candidates))
	for _, n := range candidates[:min(most, len(candidates))] {
		texts = append(texts, n.Make+" "+n.Model)
	}
	if len(candidates) > most {
		texts = append(texts, fmt.Sprintf("%d more", len(candidates)-most))
	}
	return strings.Join(texts, ", ")
}
