package catalogue

import (
	"cmp"
	"errors"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// ErrVehicleMake means that vehicle data names no make.
var ErrVehicleMake = errors.New("vehicle data names the make of the vehicles that it is about")

// Figure is a number with where it is published.
type Figure struct {
	// Value is in the unit that the field's comment says.
	Value float64
	// Source says where it is published.
	Source string
}

// VehicleFacts is what the catalogue's vehicle data says of one vehicle.
//
// Of the rows that are about the vehicle and state a thing, the narrowest counts:
// one with a model before one without, then the one of the shorter span of years
// (no limit is the longest), and for a window then one for the kind asked for
// before one for every kind. Where the vehicle's model or year is not known, a
// thing is known only if it is the same for every model and year that they may
// be. Rows that are equally narrow and say different things make it unknown.
type VehicleFacts struct {
	// Dialect is the id of the dialect in which the vehicle's codes are written,
	// and DialectSource where that is published; empty where not known.
	Dialect, DialectSource string
	// Wait is how long to wait after the battery is disconnected, in minutes; nil
	// where not known.
	Wait *Figure
	// DisplayLimit is the upper end of the module's display in ohms; nil where not
	// known.
	DisplayLimit *Figure

	worlds []vehicleRows
}

// vehicleRow is a record of vehicle data with its names in the form in which they
// are compared.
type vehicleRow struct {
	*fitmentv1.VehicleData

	make, model string
}

// vehicleRows are the rows about a vehicle of one model and year, narrowest first.
type vehicleRows []*vehicleRow

// PutVehicleData adds what is known of vehicles, or replaces the record of the
// same name. A record without a make is refused.
func (c *Catalogue) PutVehicleData(data *fitmentv1.VehicleData) error {
	row := &vehicleRow{VehicleData: data, make: Fold(data.GetMake()), model: Fold(data.GetModel())}
	if row.make == "" {
		return ErrVehicleMake
	}
	if old := c.vehicleData[data.GetName()]; old != nil && data.GetName() != "" {
		remove(c.vehiclesByMake, old.make, old)
	}
	c.vehicleData[data.GetName()] = row
	rows := c.vehiclesByMake[row.make]
	at, _ := slices.BinarySearchFunc(rows, row, func(other, one *vehicleRow) int {
		return cmp.Or(compareRows(other, one), -1) // behind its equals
	})
	c.vehiclesByMake[row.make] = slices.Insert(rows, at, row)
	return nil
}

// compareRows puts the narrower row first, and orders equal ones by name.
func compareRows(a, b *vehicleRow) int {
	return cmp.Or(narrowerWindow(a, b), strings.Compare(a.GetName(), b.GetName()))
}

// narrower is negative where a is narrower than b, 0 where neither is.
func narrower(a, b *vehicleRow) int {
	return cmp.Or(
		-cmp.Compare(min(len(a.model), 1), min(len(b.model), 1)),
		cmp.Compare(span(a), span(b)),
	)
}

// narrowerWindow is narrower for windows, of which the row's kind is another limit;
// it limits nothing else that the row states.
func narrowerWindow(a, b *vehicleRow) int {
	return cmp.Or(narrower(a, b), -cmp.Compare(min(a.GetKind(), 1), min(b.GetKind(), 1)))
}

// unlimited is a span longer than any that has both limits.
const unlimited = 1 << 20

// span is the number of model years that a row covers; a limit that is open makes
// it long.
func span(r *vehicleRow) int32 {
	switch from, to := r.GetYearFrom(), r.GetYearTo(); {
	case from == 0 && to == 0:
		return 2 * unlimited
	case from == 0 || to == 0:
		return unlimited
	default:
		return to - from + 1
	}
}

// Vehicle says what the catalogue knows of a vehicle. A vehicle without a make is
// one of which nothing is known.
func (c *Catalogue) Vehicle(vehicle *fitmentv1.Vehicle) VehicleFacts {
	rows := c.vehiclesByMake[Fold(vehicle.GetMake())]
	if len(rows) == 0 {
		return VehicleFacts{}
	}
	facts := VehicleFacts{worlds: vehicleWorlds(rows, vehicle)}
	if row := facts.agreed(statesDialect, sameDialect, narrower); row != nil {
		facts.Dialect, facts.DialectSource = row.GetDialect(), row.GetSource()
	}
	if row := facts.agreed(statesWait, sameWait, narrower); row != nil {
		facts.Wait = &Figure{row.GetWaitMinutes(), row.GetSource()}
	}
	if row := facts.agreed(statesDisplay, sameDisplay, narrower); row != nil {
		facts.DisplayLimit = &Figure{row.GetDisplayLimitOhms(), row.GetSource()}
	}
	return facts
}

// Window is the resistance window of the loop of a kind of part; nil where it is
// not known or the kind has no squib.
func (f VehicleFacts) Window(kind fitmentv1.Part_Kind) *fitmentv1.ResistanceWindow {
	if !squib(kind) {
		return nil
	}
	states := func(r *vehicleRow) bool {
		return r.GetWindow() != nil && (r.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED || r.GetKind() == kind)
	}
	row := f.agreed(states, sameWindow, narrowerWindow)
	if row == nil {
		return nil
	}
	window := &fitmentv1.ResistanceWindow{
		LowOhms: row.GetWindow().GetLowOhms(), HighOhms: row.GetWindow().GetHighOhms(), Source: row.GetWindow().GetSource(),
	}
	if window.GetSource() == "" {
		window.Source = row.GetSource()
	}
	return window
}

// squib tells whether parts of a kind carry a squib.
func squib(kind fitmentv1.Part_Kind) bool {
	return kind >= fitmentv1.Part_BUCKLE_PRETENSIONER && kind <= fitmentv1.Part_CURTAIN_AIR_BAG
}

func statesDialect(r *vehicleRow) bool { return r.GetDialect() != "" }
func statesWait(r *vehicleRow) bool    { return r.WaitMinutes != nil }
func statesDisplay(r *vehicleRow) bool { return r.DisplayLimitOhms != nil }

func sameDialect(a, b *vehicleRow) bool { return a.GetDialect() == b.GetDialect() }
func sameWait(a, b *vehicleRow) bool    { return a.GetWaitMinutes() == b.GetWaitMinutes() }
func sameDisplay(a, b *vehicleRow) bool { return a.GetDisplayLimitOhms() == b.GetDisplayLimitOhms() }

func sameWindow(a, b *vehicleRow) bool {
	return a.GetWindow().GetLowOhms() == b.GetWindow().GetLowOhms() && a.GetWindow().GetHighOhms() == b.GetWindow().GetHighOhms()
}

// agreed is a row that says what all models and years that the vehicle may be of
// have in common; nil where one of them has nothing or another thing.
func (f VehicleFacts) agreed(states func(*vehicleRow) bool, same func(a, b *vehicleRow) bool, narrower func(a, b *vehicleRow) int) *vehicleRow {
	var one *vehicleRow
	for _, rows := range f.worlds {
		row := rows.narrowest(states, same, narrower)
		if row == nil || (one != nil && !same(one, row)) {
			return nil
		}
		if one == nil {
			one = row
		}
	}
	return one
}

// narrowest is the narrowest row that states a thing; nil where none does, or
// where equally narrow ones differ.
func (rows vehicleRows) narrowest(states func(*vehicleRow) bool, same func(a, b *vehicleRow) bool, narrower func(a, b *vehicleRow) int) *vehicleRow {
	var one *vehicleRow
	for _, row := range rows {
		switch {
		case !states(row):
		case one == nil:
			one = row
		case narrower(one, row) != 0:
			return one
		case !same(one, row):
			return nil
		}
	}
	return one
}

// vehicleWorlds lists the rows that are about the vehicle for each model and year
// that it may be of.
func vehicleWorlds(rows vehicleRows, vehicle *fitmentv1.Vehicle) []vehicleRows {
	models, byModel := []string{Fold(vehicle.GetModel())}, map[string]vehicleRows{}
	for _, row := range rows {
		if byModel[row.model] == nil && models[0] == "" && row.model != "" {
			models = append(models, row.model) // beside the empty one, a model that no row names
		}
		byModel[row.model] = append(byModel[row.model], row)
	}
	var worlds []vehicleRows
	for _, model := range models {
		about := byModel[""]
		if model != "" {
			about = slices.Concat(byModel[model], about) // still narrowest first
		}
		years := []int32{vehicle.GetModelYear()}
		if years[0] == 0 {
			years = turningYears(about)
		}
		for _, year := range years {
			worlds = append(worlds, about.of(year))
		}
	}
	return worlds
}

// of lists the rows that are about a model year.
func (rows vehicleRows) of(year int32) vehicleRows {
	var about vehicleRows
	for _, row := range rows {
		if inLimits(row.GetYearFrom(), row.GetYearTo(), year) {
			about = append(about, row)
		}
	}
	return about
}

// turningYears lists years of which one lies in every stretch of years that the
// rows tell apart.
func turningYears(rows vehicleRows) []int32 {
	years := []int32{beforeAll}
	for _, row := range rows {
		if row.GetYearFrom() != 0 {
			years = append(years, row.GetYearFrom())
		}
		if row.GetYearTo() != 0 {
			years = append(years, row.GetYearTo()+1)
		}
	}
	slices.Sort(years)
	return slices.Compact(years)
}

// beforeAll is a model year before any that a record may name.
const beforeAll = 1

// inLimits compares closed limits, 0 for none, with a year that is known.
func inLimits(from, to, year int32) bool {
	return (from == 0 || year >= from) && (to == 0 || year <= to)
}
