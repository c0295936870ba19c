package catalogue_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
)

// kneeBag is a row of a part with some cells more.
func kneeBag(more ...string) map[string]string {
	cells := map[string]string{"maker": "Korrin", "number": "KR-1", "kind": "KNEE_AIR_BAG", "positions": "1 LEFT"}
	for i := 0; i+1 < len(more); i += 2 {
		cells[more[i]] = more[i+1]
	}
	return cells
}

func TestFittingFactsAreRead(t *testing.T) {
	t.Parallel()
	var l loaded
	target := catalogue.PartsTarget()
	read := func(more ...string) *fitmentv1.Part {
		l.row(t, target, kneeBag(more...))
		return l.part(t, "parts/korrin.KR1")
	}
	part := read("one_use", "anchor bolt | 2 | 90-11;lock clip|1", "replace_with", "control module | After deployment | M-1 | it stores the crash; PIGTAIL | always",
		"fitting_known", "yes", "programming", "setup", "donor_policy", "forbidden")
	want := &fitmentv1.Part{
		Name: "parts/korrin.KR1", Maker: "Korrin", Number: "KR-1", Kind: fitmentv1.Part_KNEE_AIR_BAG, Positions: []*fitmentv1.Position{{Row: 1, Side: fitmentv1.Position_LEFT}},
		OneUse: []*fitmentv1.Part_OneUse{{Text: "anchor bolt", Quantity: 2, Number: "90-11"}, {Text: "lock clip", Quantity: 1}},
		ReplaceWith: []*fitmentv1.Part_Related{
			{Kind: fitmentv1.Part_CONTROL_MODULE, AfterDeployment: true, Number: "M-1", Text: "it stores the crash"}, {Kind: fitmentv1.Part_PIGTAIL},
		},
		FittingKnown: true, Programming: fitmentv1.Part_SETUP, DonorPolicy: fitmentv1.Part_FORBIDDEN,
	}
	if len(l.faults) > 0 || !proto.Equal(part, want) {
		t.Fatalf("%v\ngot  %v\nwant %v", l.faults, part, want)
	}
	if part = read(); !proto.Equal(part, want) || l.changed != 1 {
		t.Errorf("empty cells change the part: %v", part)
	}
	want.OneUse, want.FittingKnown, want.Programming = []*fitmentv1.Part_OneUse{{Text: "lock clip", Quantity: 1}}, false, fitmentv1.Part_LOCKED
	if part = read("one_use", "lock clip | 1", "fitting_known", "no", "programming", "locked"); !proto.Equal(part, want) {
		t.Errorf("what is stated replaces what was:\ngot  %v\nwant %v", part, want)
	}
	want.OneUse, want.ReplaceWith = nil, nil
	if part = read("one_use", "none", "replace_with", "None"); !proto.Equal(part, want) || len(l.faults) > 0 {
		t.Errorf("none empties the lists: %v %v", part, l.faults)
	}
}

func TestSupersessionsOfOneConditionAreOneRecord(t *testing.T) {
	t.Parallel()
	var l loaded
	target := catalogue.SupersessionsTarget()
	step := func(more ...string) {
		cells := map[string]string{"maker": "Korrin", "old_number": "KR-1", "new_number": "KR-2"}
		for i := 0; i+1 < len(more); i += 2 {
			cells[more[i]] = more[i+1]
		}
		l.row(t, target, cells)
	}
	step()
	step("options", "AK5; UA6", "plant", "Norrby")
	step("options", "ua6;ak5", "plant", "NORRBY", "type", "substitute") // the same condition: it replaces the row above
	step("options", "AK5", "plant", "Norrby")
	step("built_from", "2005-03-01")
	step("built_to", "2005-03-01")
	if len(l.records) != 5 || l.changed != 6 || len(l.faults) > 0 {
		t.Fatalf("%d records, %d changes, %v", len(l.records), l.changed, l.faults)
	}
	if _, kept := l.records["supersessions/korrin.KR1.KR2"]; !kept {
		t.Errorf("a step without a condition is named by its numbers alone: %v", l.records)
	}
	for name, record := range l.records {
		s := &fitmentv1.Supersession{}
		if err := proto.Unmarshal(record, s); err != nil || s.GetName() != name {
			t.Fatalf("%v, %v", s, err)
		}
		if len(s.GetOptions()) == 2 && (!slices.Equal(s.GetOptions(), []string{"ua6", "ak5"}) || s.GetType() != fitmentv1.Supersession_SUBSTITUTE) {
			t.Errorf("stored %v", s)
		}
	}
}

func TestVehicleDataIsRead(t *testing.T) {
	t.Parallel()
	var l loaded
	target := catalogue.VehicleDataTarget()
	row := map[string]string{
		"make": "Tarvena", "model": "Lune", "year_from": "2004", "year_to": "2006", "dialect": "Legacy-A", "wait_minutes": "1.5",
		"kind": "buckle pretensioner", "low_ohms": "1.3", "high_ohms": "4.8", "window_source": "sheet 4", "display_limit_ohms": "6.3", "source": "data sheet",
	}
	l.row(t, target, row)
	l.row(t, target, row)
	if len(l.records) != 1 || l.changed != 1 || len(l.faults) > 0 {
		t.Fatalf("%d records, %d changes, %v", len(l.records), l.changed, l.faults)
	}
	for name, record := range l.records {
		got := &fitmentv1.VehicleData{}
		if err := proto.Unmarshal(record, got); err != nil || !strings.HasPrefix(name, "vehicleData/tarvena.") {
			t.Fatalf("%s, %v", name, err)
		}
		want := &fitmentv1.VehicleData{
			Name: name, Make: "Tarvena", Model: "Lune", YearFrom: 2004, YearTo: 2006, Dialect: "legacy-a", WaitMinutes: new(1.5),
			Kind: fitmentv1.Part_BUCKLE_PRETENSIONER, Window: &fitmentv1.ResistanceWindow{LowOhms: 1.3, HighOhms: 4.8, Source: "sheet 4"},
			DisplayLimitOhms: new(6.3), Source: "data sheet",
		}
		if !proto.Equal(got, want) {
			t.Errorf("got  %v\nwant %v", got, want)
		}
	}
	row["model"] = "LUNE "
	row["kind"] = ""
	l.row(t, target, row) // of every kind: another record
	row["wait_minutes"], row["kind"] = "2", "BUCKLE_PRETENSIONER"
	l.row(t, target, row) // the first one, changed
	if len(l.records) != 2 || l.changed != 3 || len(l.faults) > 0 {
		t.Errorf("%d records, %d changes, %v", len(l.records), l.changed, l.faults)
	}
}

func TestBadCellsOfTheNewColumnsNameTheirColumn(t *testing.T) {
	t.Parallel()
	parts, steps, vehicles := catalogue.PartsTarget(), catalogue.SupersessionsTarget(), catalogue.VehicleDataTarget()
	step := func(column, value string) map[string]string {
		return map[string]string{"maker": "Korrin", "old_number": "KR-1", "new_number": "KR-2", column: value}
	}
	of := func(more ...string) map[string]string {
		cells := map[string]string{"make": "Tarvena"}
		for i := 0; i+1 < len(more); i += 2 {
			cells[more[i]] = more[i+1]
		}
		return cells
	}
	for _, c := range []struct {
		column string
		target imports.Target
		cells  map[string]string
	}{
		{"one_use", parts, kneeBag("one_use", "bolt")},
		{"one_use", parts, kneeBag("one_use", "bolt | two")},
		{"one_use", parts, kneeBag("one_use", "bolt | 0")},
		{"one_use", parts, kneeBag("one_use", "bolt | 101")},
		{"one_use", parts, kneeBag("one_use", "bolt | 1 | _")},
		{"one_use", parts, kneeBag("one_use", "bolt | 1 | 9 | left")},
		{"one_use", parts, kneeBag("one_use", " | 1")},
		{"one_use", parts, kneeBag("one_use", "bolt | 1;")},
		{"one_use", parts, kneeBag("one_use", strings.Repeat("bolt | 1;", 30)+"bolt | 1")},
		{"replace_with", parts, kneeBag("replace_with", "elbow bag | always")},
		{"replace_with", parts, kneeBag("replace_with", "PIGTAIL")},
		{"replace_with", parts, kneeBag("replace_with", "PIGTAIL | sometimes")},
		{"replace_with", parts, kneeBag("replace_with", "PIGTAIL | always | _")},
		{"fitting_known", parts, kneeBag("fitting_known", "perhaps")},
		{"programming", parts, kneeBag("programming", "easy")},
		{"donor_policy", parts, kneeBag("donor_policy", "frowned upon")},
		{"built_to", steps, map[string]string{"maker": "Korrin", "old_number": "1", "new_number": "2", "built_from": "2005-03-02", "built_to": "2005-03-01"}},
		{"built_from", steps, step("built_from", "spring")},
		{"options", steps, step("options", "AK5;;UA6")},
		{"options", steps, step("options", strings.Repeat("x", 21))},
		{"options", steps, step("options", strings.Repeat("AK5;", 20)+"AK5")},
		{"plant", steps, step("plant", strings.Repeat("x", 61))},
		{"type", steps, step("type", "resembles")},
		{"make", vehicles, of("make", "", "dialect", "standard")},
		{"dialect", vehicles, of()},
		{"dialect", vehicles, of("dialect", "old one")},
		{"wait_minutes", vehicles, of("wait_minutes", "a while")},
		{"wait_minutes", vehicles, of("wait_minutes", "-1")},
		{"high_ohms", vehicles, of("low_ohms", "1")},
		{"low_ohms", vehicles, of("kind", "SIDE_AIR_BAG", "dialect", "standard")},
		{"kind", vehicles, of("kind", "PIGTAIL", "low_ohms", "1", "high_ohms", "2")},
		{"window_source", vehicles, of("window_source", "sheet", "dialect", "standard")},
		{"year_to", vehicles, of("year_from", "2006", "year_to", "2005", "dialect", "standard")},
		{"display_limit_ohms", vehicles, of("display_limit_ohms", "0")},
	} {
		var l loaded
		l.row(t, c.target, c.cells)
		if len(l.records) != 0 || len(l.faults) == 0 || l.faults[0] != c.column {
			t.Errorf("%s in %v: faults %v, %d records", c.column, c.cells, l.faults, len(l.records))
		}
	}
}

// Whatever stands in the cells that hold lists: a row is refused with its column,
// or the part it makes is valid and the same row changes nothing more.
func FuzzListCells(f *testing.F) {
	f.Add("anchor bolt | 2 | 90-11; lock clip | 1", "CONTROL_MODULE | after deployment | M-1 | why", "AK5; UA6")
	f.Add("none", "PIGTAIL|always", "")
	f.Add(";", "|", ";;")
	f.Add("bolt|99999999999", "0|always", "\x00")
	f.Fuzz(func(t *testing.T, oneUse, related, options string) {
		for _, one := range []struct {
			target  imports.Target
			cells   map[string]string
			columns []string
		}{
			{catalogue.PartsTarget(), kneeBag("one_use", oneUse, "replace_with", related), []string{"one_use", "replace_with"}},
			{catalogue.SupersessionsTarget(), map[string]string{"maker": "Korrin", "old_number": "1", "new_number": "2", "options": options}, []string{"options"}},
		} {
			var fields check.Fields
			item, ok := one.target.Map(imports.NewRow(2, one.cells), "common", &fields)
			if ok != fields.OK() {
				t.Fatalf("taken %v, violations %v", ok, fields.Violations())
			}
			for _, v := range fields.Violations() {
				if !slices.Contains(one.columns, v.Field) {
					t.Fatalf("%v", v)
				}
			}
			if !ok {
				continue
			}
			value, _, err := item.Merge(nil)
			if err != nil {
				t.Fatal(err)
			}
			if _, unchanged, err := item.Merge(value); err != nil || !unchanged {
				t.Fatalf("a second time: %v, %v", unchanged, err)
			}
			if len(one.columns) == 2 {
				part, again := &fitmentv1.Part{}, check.Fields{}
				if err := proto.Unmarshal(value, part); err != nil {
					t.Fatal(err)
				}
				if catalogue.ValidatePart(part, &again); !again.OK() {
					t.Fatalf("%v", again.Violations())
				}
			}
		}
	})
}
