package catalogue_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
)

// loaded runs rows through a target as the import engine does, and counts what
// changed.
type loaded struct {
	records map[string][]byte
	changed int
	faults  []string
}

func (l *loaded) row(t *testing.T, target imports.Target, cells map[string]string) {
	t.Helper()
	for name := range cells {
		known := false
		for _, c := range target.Columns {
			known = known || c.Name == name
		}
		if !known {
			t.Fatalf("the target has no column %s", name)
		}
	}
	var fields check.Fields
	item, ok := target.Map(imports.NewRow(2, cells), "common", &fields)
	if !ok || !fields.OK() {
		for _, v := range fields.Violations() {
			l.faults = append(l.faults, v.Field)
		}
		if fields.OK() {
			t.Error("a refused row names no field")
		}
		return
	}
	if item.Key.Tenant != catalogue.Tenant || !strings.HasSuffix(item.Name, "/"+item.Key.ID) || strings.Contains(item.Key.ID, ":") {
		t.Errorf("key %v, name %s", item.Key, item.Name)
	}
	value, unchanged, err := item.Merge(l.records[item.Name])
	if err != nil {
		l.faults = append(l.faults, err.Error())
		return
	}
	if !unchanged {
		l.changed++
	}
	if l.records == nil {
		l.records = map[string][]byte{}
	}
	l.records[item.Name] = value
}

func (l *loaded) part(t *testing.T, name string) *fitmentv1.Part {
	t.Helper()
	part := &fitmentv1.Part{}
	if err := proto.Unmarshal(l.records[name], part); err != nil {
		t.Fatal(err)
	}
	return part
}

func TestRowsOfOnePartAddItsVehicles(t *testing.T) {
	t.Parallel()
	rows := []map[string]string{
		{"maker": "Orbis Restraint", "number": "AB-1", "kind": "buckle pretensioner", "positions": "1 left; 1 RIGHT", "stages": "1", "low_ohms": "1.5", "high_ohms": "2.8", "window_source": "data sheet", "make": "Velorn", "model": "Kestrel", "year_from": "2004", "year_to": "2006", "connector_interface": "Type 2", "discontinued": "yes"},
		{"maker": "orbis restraint", "number": "ab 1", "kind": "BUCKLE_PRETENSIONER", "make": "Velorn", "model": "Merlin", "year_from": "2005", "year_to": "2005", "drive_side": "left", "market": "us", "connector_keying": "B"},
	}
	var l loaded
	target := catalogue.PartsTarget()
	for _, row := range rows {
		l.row(t, target, row)
	}
	part := l.part(t, "parts/orbis-restraint.AB1")
	if len(l.faults) > 0 || l.changed != 2 || len(part.GetApplications()) != 2 || len(part.GetPositions()) != 2 || !part.GetDiscontinued() ||
		part.GetConnector().GetInterface() != "Type 2" || part.GetConnector().GetKeying() != "B" || part.GetWindow().GetHighOhms() != 2.8 || part.GetStages() != 1 {
		t.Fatalf("%v %d %v", l.faults, l.changed, part)
	}
	l.row(t, target, rows[0])
	l.row(t, target, rows[1])
	if l.changed != 2 || part.GetNumber() != "AB-1" {
		t.Errorf("the file a second time changes the part: %v", l.part(t, "parts/orbis-restraint.AB1"))
	}
	l.row(t, target, map[string]string{"maker": "Orbis Restraint", "number": "AB-1", "kind": "BUCKLE_PRETENSIONER", "make": "Velorn", "model": "Merlin", "year_from": "2005", "year_to": "2005", "drive_side": "LEFT", "market": "US", "remove_vehicle": "yes", "discontinued": "no"})
	if part = l.part(t, "parts/orbis-restraint.AB1"); len(part.GetApplications()) != 1 || part.GetDiscontinued() {
		t.Errorf("after removal: %v", part)
	}
}

func TestTheSameFileTwiceChangesNothing(t *testing.T) {
	t.Parallel()
	var l loaded
	rows := []struct {
		target imports.Target
		cells  map[string]string
	}{
		{catalogue.PartsTarget(), map[string]string{"maker": "Orbis", "number": "AB-1", "kind": "KNEE_AIR_BAG", "positions": "1 LEFT", "make": "Velorn", "model": "Kestrel", "year_from": "2004", "year_to": "2006"}},
		{catalogue.PartsTarget(), map[string]string{"maker": "Orbis", "number": "AB-1", "kind": "KNEE_AIR_BAG", "make": "Velorn", "model": "Merlin", "year_from": "2004", "year_to": "2006"}},
		{catalogue.SupersessionsTarget(), map[string]string{"maker": "Orbis", "old_number": "AB-1", "new_number": "AB-2", "year_from": "2004", "market": "us", "source": "bulletin 7"}},
		{catalogue.RecallsTarget(), map[string]string{"type": "notice", "number": "26-1", "issued": "2026-01-05", "part_maker": "Orbis", "part_number": "AB-1", "kind": "knee air bag", "make": "Velorn"}},
		{catalogue.RecallsTarget(), map[string]string{"type": "coverage", "number": "set 9", "as_of": "2026-06-01", "part_maker": "Orbis"}},
	}
	for range 2 {
		for _, r := range rows {
			l.row(t, r.target, r.cells)
		}
	}
	if len(l.faults) > 0 || l.changed != len(rows) || len(l.records) != 4 {
		t.Errorf("%d changes of %d rows, %d records, %v", l.changed, len(rows), len(l.records), l.faults)
	}
	if _, ok := l.records["supersessions/orbis.AB1.AB2.2004-0.US"]; !ok {
		t.Errorf("records %v", l.records)
	}
}

func TestBadRowsNameTheirColumn(t *testing.T) {
	t.Parallel()
	part := func(name, value string) map[string]string {
		cells := map[string]string{"maker": "Orbis", "number": "AB-1", "kind": "KNEE_AIR_BAG", "positions": "1 LEFT", "make": "Velorn", "model": "Kestrel", "year_from": "2004", "year_to": "2006"}
		cells[name] = value
		return cells
	}
	cases := []struct {
		column string
		target imports.Target
		cells  map[string]string
	}{
		{"maker", catalogue.PartsTarget(), part("maker", "")},
		{"number", catalogue.PartsTarget(), part("number", "AB_1")},
		{"kind", catalogue.PartsTarget(), part("kind", "elbow bag")},
		{"positions", catalogue.PartsTarget(), part("positions", "1 LEFT, 1 RIGHT")},
		{"year_from", catalogue.PartsTarget(), part("year_from", "about 2004")},
		{"year_from", catalogue.PartsTarget(), part("year_from", "99999999999")},
		{"year_to", catalogue.PartsTarget(), part("year_to", "2003")},
		{"high_ohms", catalogue.PartsTarget(), part("low_ohms", "1.5")},
		{"window_source", catalogue.PartsTarget(), part("window_source", "data sheet")},
		{"discontinued", catalogue.PartsTarget(), part("discontinued", "perhaps")},
		{"drive_side", catalogue.PartsTarget(), part("drive_side", "middle")},
		{"built_from", catalogue.PartsTarget(), part("built_from", "2005-02-30")},
		{"market", catalogue.PartsTarget(), part("market", "USA")},
		{"remove_vehicle", catalogue.PartsTarget(), map[string]string{"maker": "Orbis", "number": "AB-1", "kind": "KNEE_AIR_BAG", "remove_vehicle": "yes"}},
		{"new_number", catalogue.SupersessionsTarget(), map[string]string{"maker": "Orbis", "old_number": "AB-1", "new_number": "AB1"}},
		{"year_to", catalogue.SupersessionsTarget(), map[string]string{"maker": "Orbis", "old_number": "AB-1", "new_number": "AB2", "year_from": "2006", "year_to": "2005"}},
		{"type", catalogue.RecallsTarget(), map[string]string{"type": "rumour", "number": "1", "part_maker": "Orbis"}},
		{"issued", catalogue.RecallsTarget(), map[string]string{"type": "NOTICE", "number": "1", "part_maker": "Orbis"}},
		{"as_of", catalogue.RecallsTarget(), map[string]string{"type": "COVERAGE", "number": "1", "part_maker": "Orbis", "issued": "2026-01-01"}},
		{"part_number", catalogue.RecallsTarget(), map[string]string{"type": "NOTICE", "number": "1", "part_maker": "Orbis", "issued": "2026-01-01", "part_number": "?"}},
	}
	for _, c := range cases {
		var l loaded
		l.row(t, c.target, c.cells)
		if len(l.records) != 0 || len(l.faults) == 0 || l.faults[0] != c.column {
			t.Errorf("%s in %v: faults %v, %d records", c.column, c.cells, l.faults, len(l.records))
		}
	}
}

func TestOneNumberIsOneKindOfPart(t *testing.T) {
	t.Parallel()
	var l loaded
	target := catalogue.PartsTarget()
	l.row(t, target, map[string]string{"maker": "Orbis", "number": "AB-1", "kind": "KNEE_AIR_BAG", "positions": "1 LEFT"})
	l.row(t, target, map[string]string{"maker": "Orbis", "number": "AB-1", "kind": "SIDE_AIR_BAG", "positions": "1 LEFT"})
	l.row(t, target, map[string]string{"maker": "Orbis", "number": "AB-2", "kind": "SIDE_AIR_BAG"})
	if len(l.faults) != 2 || !strings.HasPrefix(l.faults[0], "kind") || !strings.HasPrefix(l.faults[1], "positions") {
		t.Errorf("faults %q", l.faults)
	}
}

// Records are named by the letters A-Z and digits of a maker's name, which two
// makers may share.
func TestOneNameIsOneMakersRecord(t *testing.T) {
	t.Parallel()
	var l loaded
	parts, steps := catalogue.PartsTarget(), catalogue.SupersessionsTarget()
	part := func(maker, model string) map[string]string {
		return map[string]string{"maker": maker, "number": "AB-1", "kind": "KNEE_AIR_BAG", "positions": "1 LEFT", "make": "Velorn", "model": model, "year_from": "2004", "year_to": "2006"}
	}
	l.row(t, parts, part("Mäxer", "Kestrel"))
	l.row(t, parts, part("Möxer", "Merlin"))
	l.row(t, parts, part("MÄXER ", "Swift"))
	step := func(maker, source string) map[string]string {
		return map[string]string{"maker": maker, "old_number": "AB-1", "new_number": "AB-2", "source": source}
	}
	l.row(t, steps, step("Mäxer", "bulletin 1"))
	l.row(t, steps, step("Möxer", "bulletin 2"))
	l.row(t, steps, step("mäxer", "bulletin 3"))
	if len(l.faults) != 2 || l.changed != 4 {
		t.Fatalf("%d changes, faults %q", l.changed, l.faults)
	}
	for _, fault := range l.faults {
		if !strings.HasPrefix(fault, "maker: ") || !strings.Contains(fault, "Mäxer") || !strings.Contains(fault, "Möxer") {
			t.Errorf("%q names neither the column nor both makers", fault)
		}
	}
	if got := l.part(t, "parts/m-xer.AB1"); got.GetMaker() != "Mäxer" || len(got.GetApplications()) != 2 || got.GetApplications()[1].GetModel() != "Swift" {
		t.Errorf("stored %v", got)
	}
}
