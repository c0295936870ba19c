package catalogue

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
)

// PartsTarget reads parts from CSV. A row states a part and one of the vehicles
// it is right for; further vehicles of the same maker and number are further
// rows. What a row states replaces what was stored, an empty cell leaves it, and
// its vehicle is added unless the part has it.
func PartsTarget() imports.Target {
	return imports.Target{
		Columns: slices.Concat([]imports.Column{
			{Name: colMaker, Required: true, Help: "maker of the part"},
			{Name: "number", Required: true, Help: "the maker's part number as printed"},
			{Name: colKind, Required: true, Help: "kind of part: " + kinds()},
			{Name: "positions", Help: `positions it is made for, as seated: row and side, several joined by semicolons ("1 LEFT; 1 RIGHT")`},
			{Name: "connector_interface", Help: "connection interface, as the part's maker or ISO 19072 names it"},
			{Name: "connector_keying", Help: "keying (coding) of the connector's housing"},
			{Name: "cavities", Help: "number of cavities of the connector"},
			{Name: "stages", Help: "number of stages (squibs)"},
			{Name: colLowOhms, Help: "lower limit of the maker's resistance window in ohms"},
			{Name: colHighOhms, Help: "upper limit of the maker's resistance window in ohms"},
			{Name: colWindow, Help: "where the resistance window is from"},
			{Name: "service_life_years", Help: "service life in years from manufacture, where the maker sets one"},
			{Name: "discontinued", Help: "yes where the maker no longer supplies it new"},
		}, fittingColumns(), []imports.Column{
			{Name: colMake, Help: "vehicle: make"},
			{Name: colModel, Help: "vehicle: model"},
			{Name: colYearFrom, Help: "vehicle: first model year"},
			{Name: colYearTo, Help: "vehicle: last model year"},
			{Name: "body", Help: "vehicle: body; empty for every body"},
			{Name: "drive_side", Help: "vehicle: LEFT or RIGHT, the side of the steering wheel; empty for both"},
			{Name: colMarket, Help: "vehicle: market, two letters (US); empty for every market"},
			{Name: colBuiltFrom, Help: "vehicle: first build date, YYYY-MM-DD, where the model year alone does not decide"},
			{Name: colBuiltTo, Help: "vehicle: last build date, YYYY-MM-DD, where the model year alone does not decide"},
			{Name: "remove_vehicle", Help: "yes takes exactly this vehicle out of the part instead of adding it"},
		}),
		Map: mapPart,
	}
}

// partColumns maps what validation names to columns; a row has one application.
var partColumns = map[string]string{
	"connector.interface": "connector_interface", "connector.keying": "connector_keying", "connector.cavities": "cavities",
	"window.low_ohms": colLowOhms, "window.high_ohms": colHighOhms,
	"window.source": colWindow, "applications[0].make": colMake, "applications[0].model": colModel,
	"applications[0].year_from": colYearFrom, "applications[0].year_to": colYearTo, "applications[0].body": "body",
	"applications[0].drive_side": "drive_side", "applications[0].market": colMarket,
	"applications[0].built_from": colBuiltFrom, "applications[0].built_to": colBuiltTo,
}

// partRow is what one row states.
type partRow struct {
	part          *fitmentv1.Part
	remove        bool
	discontinued  bool
	statedSupply  bool
	statedVehicle bool
	fitting       fitting
}

func mapPart(row imports.Row, _ string, fields *check.Fields) (imports.Item, bool) {
	stated := readPart(row, fields)
	if fields.OK() {
		validateRow(stated, fields)
	}
	if !fields.OK() {
		return imports.Item{}, false
	}
	name, err := PartName(stated.part.GetMaker(), stated.part.GetNumber())
	if err != nil {
		fields.Add("number", err.Error(), "a maker and a part number")
		return imports.Item{}, false
	}
	id := strings.TrimPrefix(name, "parts/")
	return imports.Item{Key: store.Key{Tenant: Tenant, Kind: KindPart, ID: id}, Name: name, Merge: stated.merge(name)}, true
}

// readPart reads a row's cells.
func readPart(row imports.Row, fields *check.Fields) partRow {
	part := &fitmentv1.Part{
		Maker: row.Text(colMaker), Number: row.Text("number"),
		Kind:             fitmentv1.Part_Kind(enum(row, colKind, fitmentv1.Part_Kind_value, fields)),
		Positions:        positions(row, "positions", fields),
		Stages:           small(row, "stages", fields),
		ServiceLifeYears: small(row, "service_life_years", fields),
	}
	connector := &fitmentv1.Connector{
		Interface: row.Text("connector_interface"), Keying: row.Text("connector_keying"), Cavities: small(row, "cavities", fields),
	}
	if proto.Size(connector) > 0 {
		part.Connector = connector
	}
	part.Window = window(row, fields)
	use := &fitmentv1.Part_Application{
		Make: row.Text(colMake), Model: row.Text(colModel),
		YearFrom: small(row, colYearFrom, fields), YearTo: small(row, colYearTo, fields), Body: row.Text("body"),
		DriveSide: fitmentv1.Vehicle_DriveSide(enum(row, "drive_side", fitmentv1.Vehicle_DriveSide_value, fields)),
		Market:    strings.ToUpper(row.Text(colMarket)), BuiltFrom: row.Text(colBuiltFrom), BuiltTo: row.Text(colBuiltTo),
	}
	stated := partRow{part: part, fitting: readFitting(row, part, fields)}
	stated.discontinued, stated.statedSupply = row.YesNo("discontinued", fields)
	stated.remove, _ = row.YesNo("remove_vehicle", fields)
	if proto.Size(use) > 0 {
		part.Applications = []*fitmentv1.Part_Application{use}
		stated.statedVehicle = true
	}
	return stated
}

// validateRow checks what a row states on its own. Positions may come with
// another row of the part, so only the merged part must have them.
func validateRow(stated partRow, fields *check.Fields) {
	whole := proto.CloneOf(stated.part)
	if len(whole.GetPositions()) == 0 {
		whole.Positions = []*fitmentv1.Position{{Row: 1, Side: fitmentv1.Position_LEFT}}
	}
	inColumns(fields, partColumns, func(f *check.Fields) { ValidatePart(whole, f) })
	if stated.remove && !stated.statedVehicle {
		fields.Add("remove_vehicle", "is yes, but the row states no vehicle", "the vehicle to take out, exactly as it was added")
	}
}

// merge makes the step from the stored part to the one with this row in it.
func (r partRow) merge(name string) func([]byte) ([]byte, bool, error) {
	return func(old []byte) ([]byte, bool, error) {
		part := &fitmentv1.Part{}
		if err := proto.Unmarshal(old, part); err != nil {
			return nil, false, fmt.Errorf("read the stored part: %w", err)
		}
		if problem := sameMaker(old, part.GetMaker(), r.part.GetMaker()); problem != nil {
			return nil, false, problem
		}
		if old != nil && part.GetKind() != r.part.GetKind() {
			return nil, false, &imports.Problem{
				Field: colKind, Text: "the part is stored as " + part.GetKind().String(),
				Expected: "the same kind: a part number stands for one kind of part",
			}
		}
		r.apply(part, name)
		var fields check.Fields
		ValidatePart(part, &fields)
		if bad := fields.Violations(); len(bad) > 0 {
			return nil, false, &imports.Problem{Field: columnOf(partColumns, bad[0].Field), Text: bad[0].Problem, Expected: bad[0].Expected}
		}
		value, err := encoding.Marshal(part)
		if err != nil {
			return nil, false, fmt.Errorf("write the part: %w", err)
		}
		return value, old != nil && string(value) == string(old), nil
	}
}

// apply lays what the row states over the part.
func (r partRow) apply(part *fitmentv1.Part, name string) {
	stored := proto.CloneOf(part)
	part.Applications, part.Positions, part.Connector, part.Window = nil, nil, nil, nil
	part.OneUse, part.ReplaceWith = nil, nil
	stated := proto.CloneOf(r.part)
	stated.Applications = nil
	if part.GetNumber() != "" { // the first spelling stays: it names the same part
		stated.Maker, stated.Number = part.GetMaker(), part.GetNumber()
	}
	proto.Merge(part, stated)
	part.Name = name
	if len(part.GetPositions()) == 0 {
		part.Positions = stored.GetPositions()
	}
	if part.GetWindow() == nil {
		part.Window = stored.GetWindow()
	}
	if connector := stored.GetConnector(); connector != nil {
		proto.Merge(connector, r.part.GetConnector())
		part.Connector = connector
	}
	if r.statedSupply {
		part.Discontinued = r.discontinued
	}
	r.fitting.apply(part, stored, r.part)
	part.Applications = r.uses(stored.GetApplications())
}

// uses adds the row's vehicle to a part's, or takes it out.
func (r partRow) uses(uses []*fitmentv1.Part_Application) []*fitmentv1.Part_Application {
	if !r.statedVehicle {
		return uses
	}
	use := r.part.GetApplications()[0]
	at := slices.IndexFunc(uses, func(a *fitmentv1.Part_Application) bool { return sameUse(a, use) })
	switch {
	case r.remove && at >= 0:
		return slices.Delete(uses, at, at+1)
	case !r.remove && at < 0:
		return append(uses, proto.CloneOf(use))
	default:
		return uses
	}
}

// sameUse tells whether two applications name the same vehicles.
func sameUse(a, b *fitmentv1.Part_Application) bool {
	return Fold(a.GetMake()) == Fold(b.GetMake()) && Fold(a.GetModel()) == Fold(b.GetModel()) &&
		a.GetYearFrom() == b.GetYearFrom() && a.GetYearTo() == b.GetYearTo() && Fold(a.GetBody()) == Fold(b.GetBody()) &&
		a.GetDriveSide() == b.GetDriveSide() && a.GetMarket() == b.GetMarket() &&
		a.GetBuiltFrom() == b.GetBuiltFrom() && a.GetBuiltTo() == b.GetBuiltTo()
}
