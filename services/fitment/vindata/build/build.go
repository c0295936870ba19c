// Package build turns the vPIC data set, as SQLite, into the file that package
// vindata embeds. It is a tool's code: nothing that runs a server imports it.
package build

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"beltwright.example/services/fitment/vindata"
)

// Set is what is kept of the data set: light vehicles' identifiers, the schemas
// they use and the patterns of those.
type Set struct {
	// Source and Date say where the data is from and how recent it is.
	Source, Date string
	// WMIs are the makers' identifiers in order of their code.
	WMIs []WMI
	// Schemas are lists of patterns; uses refer to them by index.
	Schemas [][]Pattern
	// Dropped counts patterns left out because their value names no row of the
	// table it should be in.
	Dropped int
}

// WMI is one world manufacturer identifier.
type WMI struct {
	// Code is three characters, or six for a maker of few vehicles.
	Code string
	// Type is the type of vehicle that the identifier stands for.
	Type vindata.Type
	// Makes are the makes registered for it.
	Makes []string
	// Uses say which schema holds for which model years.
	Uses []Use
}

// Use is a schema's span of model years, both inclusive; To is 0 where it is open.
type Use struct{ Schema, From, To int }

// Pattern says that a VIN that matches Key has Value for Element. Make is set
// for models only.
type Pattern struct {
	Key         string
	Element     vindata.Element
	Value, Make string
}

// elements maps the data set's element numbers to ours.
var elements = map[int]vindata.Element{
	28: vindata.Model, 5: vindata.Body, 34: vindata.Series, 38: vindata.Trim, 14: vindata.Doors, 31: vindata.PlantCity,
	77: vindata.PlantState, 75: vindata.PlantCountry, 121: vindata.Restraint, 25: vindata.Weight, 190: vindata.Weight,
}

// types maps the data set's vehicle types to ours: passenger car, truck and
// multipurpose passenger vehicle.
var types = map[int]vindata.Type{2: vindata.PassengerCar, 3: vindata.Truck, 7: vindata.Multipurpose}

// Read takes a Set from a database of the data set. Its date is the latest day
// on which the data set says that something was changed.
func Read(ctx context.Context, db *sql.DB, source string) (*Set, error) {
	r := &reader{ctx: ctx, db: db, schemas: map[int]int{}, set: &Set{Source: source}}
	steps := []func() error{r.readDate, r.readNames, r.readWMIs, r.readMakes, r.readUses, r.readPatterns}
	for _, step := range steps {
		if err := step(); err != nil {
			return nil, err
		}
	}
	r.prune()
	return r.set, nil
}

// reader holds what the steps of Read share.
type reader struct {
	ctx     context.Context //nolint:containedctx // one run of a tool, not a value that lives on
	db      *sql.DB
	set     *Set
	models  map[string]model
	bodies  map[string]string
	lands   map[string]string
	heavy   map[string]string
	wmis    map[int]int // row of Wmi → index
	schemas map[int]int // row of VinSchema → index
}

type model struct{ name, make string }

// rows runs a query and hands each row's columns, as text, to use.
func (r *reader) rows(query string, use func(columns []string) error) (err error) {
	rows, err := r.db.QueryContext(r.ctx, query)
	if err != nil {
		return fmt.Errorf("query %q: %w", query, err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	names, err := rows.Columns()
	if err != nil {
		return fmt.Errorf("columns of %q: %w", query, err)
	}
	values, targets := make([]sql.NullString, len(names)), make([]any, len(names))
	for i := range values {
		targets[i] = &values[i]
	}
	columns := make([]string, len(names))
	for rows.Next() {
		if err := rows.Scan(targets...); err != nil {
			return fmt.Errorf("row of %q: %w", query, err)
		}
		for i, v := range values {
			columns[i] = tidy(v.String)
		}
		if err := use(columns); err != nil {
			return err
		}
	}
	return rows.Err()
}

// tidy folds white space, which the data set has before, after and inside texts.
func tidy(text string) string { return strings.Join(strings.Fields(text), " ") }

func number(text string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil {
		return 0, fmt.Errorf("%q is no number: %w", text, err)
	}
	return n, nil
}

func (r *reader) readDate() error {
	query := `SELECT substr(max(d), 1, 10) FROM (
		SELECT max(UpdatedOn) AS d FROM Pattern UNION SELECT max(UpdatedOn) FROM Wmi UNION SELECT max(UpdatedOn) FROM VinSchema)`
	return r.rows(query, func(c []string) error {
		r.set.Date = c[0]
		return nil
	})
}

func (r *reader) readNames() error {
	r.models, r.bodies, r.lands, r.heavy = map[string]model{}, map[string]string{}, map[string]string{}, map[string]string{}
	into := func(names map[string]string) func([]string) error {
		return func(c []string) error {
			names[c[0]] = c[1]
			return nil
		}
	}
	// The largest weights of the table hold a slip (1000 for 10,000 lb), the
	// smallest do not: a class that begins above 10,000 lb (4,536 kg) is heavy.
	weight := fmt.Sprintf("SELECT Id, CASE WHEN MinRangeWeight > 10000 THEN '%s' ELSE '%s' END FROM GrossVehicleWeightRating", vindata.Heavy, vindata.Light)
	return errors.Join(
		r.rows("SELECT Id, Name FROM BodyStyle", into(r.bodies)),
		r.rows("SELECT Id, Name FROM Country", into(r.lands)),
		r.rows(weight, into(r.heavy)),
		r.rows(`SELECT mm.ModelId, mo.Name, ma.Name FROM Make_Model mm
			JOIN Model mo ON mo.Id = mm.ModelId JOIN Make ma ON ma.Id = mm.MakeId`, func(c []string) error {
			r.models[c[0]] = model{name: c[1], make: c[2]}
			return nil
		}),
	)
}

func (r *reader) readWMIs() error {
	r.wmis = map[int]int{}
	return r.rows("SELECT Id, Wmi, VehicleTypeId FROM Wmi WHERE VehicleTypeId IN (2, 3, 7) ORDER BY Wmi", func(c []string) error {
		id, err := number(c[0])
		if err != nil {
			return err
		}
		kind, err := number(c[2])
		if err != nil {
			return err
		}
		r.wmis[id] = len(r.set.WMIs)
		r.set.WMIs = append(r.set.WMIs, WMI{Code: c[1], Type: types[kind]})
		return nil
	})
}

func (r *reader) readMakes() error {
	return r.rows("SELECT wm.WmiId, m.Name FROM Wmi_Make wm JOIN Make m ON m.Id = wm.MakeId ORDER BY m.Name", func(c []string) error {
		id, err := number(c[0])
		if err != nil {
			return err
		}
		if at, kept := r.wmis[id]; kept {
			r.set.WMIs[at].Makes = append(r.set.WMIs[at].Makes, c[1])
		}
		return nil
	})
}

func (r *reader) readUses() error {
	query := "SELECT WmiId, VinSchemaId, YearFrom, COALESCE(YearTo, 0) FROM Wmi_VinSchema ORDER BY VinSchemaId, YearFrom"
	return r.rows(query, func(c []string) error {
		var n [4]int
		for i := range n {
			var err error
			if n[i], err = number(c[i]); err != nil {
				return err
			}
		}
		at, kept := r.wmis[n[0]]
		if !kept {
			return nil
		}
		schema, known := r.schemas[n[1]]
		if !known {
			schema = len(r.set.Schemas)
			r.schemas[n[1]] = schema
			r.set.Schemas = append(r.set.Schemas, nil)
		}
		r.set.WMIs[at].Uses = append(r.set.WMIs[at].Uses, Use{Schema: schema, From: n[2], To: n[3]})
		return nil
	})
}

func (r *reader) readPatterns() error {
	query := "SELECT VinSchemaId, Keys, ElementId, AttributeId FROM Pattern WHERE ElementId IN (28, 5, 34, 38, 14, 31, 77, 75, 121, 25, 190) ORDER BY Id"
	return r.rows(query, func(c []string) error {
		id, err := number(c[0])
		if err != nil {
			return err
		}
		element, err := number(c[2])
		if err != nil {
			return err
		}
		at, kept := r.schemas[id]
		if !kept {
			return nil
		}
		p, ok := r.pattern(c[1], elements[element], c[3])
		if !ok {
			r.set.Dropped++
			return nil
		}
		r.set.Schemas[at] = append(r.set.Schemas[at], p)
		return nil
	})
}

// pattern resolves a value that is a row of another table.
func (r *reader) pattern(key string, element vindata.Element, value string) (Pattern, bool) {
	p := Pattern{Key: key, Element: element, Value: value}
	known := value != ""
	switch element {
	case vindata.Model:
		var m model
		m, known = r.models[value]
		p.Value, p.Make = m.name, m.make
	case vindata.Body:
		p.Value, known = r.bodies[value]
	case vindata.PlantCountry:
		p.Value, known = r.lands[value]
	case vindata.Weight:
		p.Value, known = r.heavy[value]
	default:
	}
	return p, known
}

// prune puts patterns in order, drops repeated ones and merges schemas that say
// the same, since the data set often has one a year.
func (r *reader) prune() {
	index := map[string]int{}
	renumber := make([]int, len(r.set.Schemas))
	var kept [][]Pattern
	for i, patterns := range r.set.Schemas {
		slices.SortFunc(patterns, order)
		patterns = slices.Compact(patterns)
		content := fmt.Sprintf("%q", patterns)
		at, known := index[content]
		if !known {
			at = len(kept)
			index[content] = at
			kept = append(kept, patterns)
		}
		renumber[i] = at
	}
	r.set.Schemas = kept
	for i := range r.set.WMIs {
		for j := range r.set.WMIs[i].Uses {
			r.set.WMIs[i].Uses[j].Schema = renumber[r.set.WMIs[i].Uses[j].Schema]
		}
	}
}

func order(a, b Pattern) int {
	return cmp.Or(cmp.Compare(a.Key, b.Key), cmp.Compare(a.Element, b.Element), cmp.Compare(a.Value, b.Value), cmp.Compare(a.Make, b.Make))
}
