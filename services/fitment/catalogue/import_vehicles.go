package catalogue

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
)

// Columns of vehicle data.
const (
	colDialect = "dialect"
	colWait    = "wait_minutes"
	colDisplay = "display_limit_ohms"
	colWindow  = "window_source"
)

// VehicleDataTarget reads what is known of vehicles from CSV, one row for each make,
// model and span of years, and for each kind of part that has a resistance window
// of its own. A row is the same record as before where all these are the same; it
// states that record whole.
func VehicleDataTarget() imports.Target {
	return imports.Target{
		Columns: []imports.Column{
			{Name: colMake, Required: true, Help: "make"},
			{Name: colModel, Help: "model; empty for every model"},
			{Name: colYearFrom, Help: "first model year; empty for any"},
			{Name: colYearTo, Help: "last model year; empty for any"},
			{Name: colDialect, Help: `id of the dialect in which the vehicle's codes are written, as "beltwright dialects" lists them`},
			{Name: colWait, Help: "minutes to wait after the battery is disconnected, at least 0.1; empty where not known"},
			{Name: colKind, Help: "kind of part whose loop the resistance window is of; empty for every kind with a squib"},
			{Name: colLowOhms, Help: "lower limit of the loop's resistance window in ohms"},
			{Name: colHighOhms, Help: "upper limit of the loop's resistance window in ohms"},
			{Name: colWindow, Help: "where the resistance window is from"},
			{Name: colDisplay, Help: "upper end of the module's display in ohms"},
			{Name: colSource, Help: "where this is published"},
		},
		Map: mapVehicleData,
	}
}

// vehicleColumns maps what validation names to columns.
var vehicleColumns = map[string]string{
	"window": colLowOhms, "window.low_ohms": colLowOhms, "window.high_ohms": colHighOhms, "window.source": colWindow,
}

func mapVehicleData(row imports.Row, _ string, fields *check.Fields) (imports.Item, bool) {
	data := &fitmentv1.VehicleData{
		Make: row.Text(colMake), Model: row.Text(colModel),
		YearFrom: small(row, colYearFrom, fields), YearTo: small(row, colYearTo, fields),
		Dialect: strings.ToLower(row.Text(colDialect)), Source: row.Text(colSource),
		Kind:        fitmentv1.Part_Kind(enum(row, colKind, fitmentv1.Part_Kind_value, fields)),
		WaitMinutes: optional(row, colWait, fields), DisplayLimitOhms: optional(row, colDisplay, fields),
		Window: window(row, fields),
	}
	if fields.OK() {
		inColumns(fields, vehicleColumns, func(f *check.Fields) { ValidateVehicleData(data, f) })
	}
	if !fields.OK() {
		return imports.Item{}, false
	}
	id := vehicleDataID(data)
	data.Name = "vehicleData/" + id
	return imports.Item{Key: store.Key{Tenant: Tenant, Kind: KindVehicleData, ID: id}, Name: data.GetName(), Merge: replace(data)}, true
}

// optional reads a number that may be left out.
func optional(row imports.Row, column string, fields *check.Fields) *float64 {
	if !row.Has(column) {
		return nil
	}
	return new(row.Number(column, fields))
}

// window reads a resistance window, nil where the row states none; a row that
// states a part of one is refused.
func window(row imports.Row, fields *check.Fields) *fitmentv1.ResistanceWindow {
	if !row.Has(colLowOhms) && !row.Has(colHighOhms) {
		if row.Has(colWindow) {
			fields.Add(colWindow, "is stated without a resistance window", "low_ohms and high_ohms beside it")
		}
		return nil
	}
	for _, column := range []string{colLowOhms, colHighOhms} {
		if !row.Has(column) {
			fields.Add(column, "is missing", "both limits of the resistance window, or none")
		}
	}
	return &fitmentv1.ResistanceWindow{
		LowOhms: row.Number(colLowOhms, fields), HighOhms: row.Number(colHighOhms, fields), Source: row.Text(colWindow),
	}
}

// vehicleDataID names a record by its make and a digest of all that makes it
// another one.
func vehicleDataID(data *fitmentv1.VehicleData) string {
	scope := strings.Join([]string{
		Fold(data.GetMake()), Fold(data.GetModel()), strconv.Itoa(int(data.GetYearFrom())), strconv.Itoa(int(data.GetYearTo())), data.GetKind().String(),
	}, "\x00")
	digest := sha256.Sum256([]byte(scope))
	slug, err := MakerSlug(data.GetMake())
	if err != nil {
		slug = "unnamed"
	}
	return slug + "." + hex.EncodeToString(digest[:8])
}

// ValidateVehicleData notes what is wrong with what is said of vehicles.
func ValidateVehicleData(data *fitmentv1.VehicleData, fields *check.Fields) {
	fields.Text(colMake, data.GetMake(), maxName, true)
	if Fold(data.GetMake()) == "" && data.GetMake() != "" {
		fields.Add(colMake, "is blank", "the make of the vehicles")
	}
	fields.Text(colModel, data.GetModel(), maxName, false)
	validateYears(fields, data.GetYearFrom(), data.GetYearTo())
	validateDialect(fields, data.GetDialect())
	if data.WaitMinutes != nil {
		fields.Number(colWait, data.GetWaitMinutes(), leastWait, maxWait)
	}
	if data.DisplayLimitOhms != nil {
		fields.Number(colDisplay, data.GetDisplayLimitOhms(), leastDisplay, maxOhms)
	}
	validateWindow(data.GetWindow(), fields)
	validateKind(fields, data.GetKind(), false)
	switch {
	case data.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED && !squib(data.GetKind()):
		fields.Add(colKind, "has no squib", "a kind of part with a squib, or nothing for all of them")
	case data.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED && data.GetWindow() == nil:
		fields.Add("window", "is missing where a kind is stated", "the resistance window of that kind's loop")
	}
	if data.GetDialect() == "" && data.WaitMinutes == nil && data.DisplayLimitOhms == nil && data.GetWindow() == nil {
		fields.Add(colDialect, "is missing, and so is everything else that a row may state", "a dialect, wait_minutes, a resistance window or display_limit_ohms")
	}
	fields.Text(colSource, data.GetSource(), maxText, false)
}

// validateDialect demands a dialect that there are tables of: under any other id a
// row would silence what wider rows say, and every code of the vehicle with it.
func validateDialect(fields *check.Fields, dialect string) {
	if dialect == "" || code.Builtin().Has(dialect) {
		return
	}
	var known []string
	for _, one := range code.Builtin().Dialects() {
		known = append(known, one.ID)
	}
	fields.Add(colDialect, fmt.Sprintf("%.60q is no dialect that we know", dialect), "one of "+strings.Join(known, ", ")+", or nothing")
}
