package catalogue_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/platform/check"
)

// data makes a record about Tarvena vehicles; the makes and figures are invented.
func data(name string, change func(*fitmentv1.VehicleData)) *fitmentv1.VehicleData {
	d := &fitmentv1.VehicleData{Name: "vehicleData/" + name, Make: "Tarvena", Source: name}
	change(d)
	return d
}

func known(t *testing.T, rows ...*fitmentv1.VehicleData) *catalogue.Catalogue {
	t.Helper()
	c := catalogue.New()
	for _, row := range rows {
		if err := c.PutVehicleData(row); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// rows says a dialect for the make, for a model, and for some of its years.
func rows() []*fitmentv1.VehicleData {
	return []*fitmentv1.VehicleData{
		data("make", func(d *fitmentv1.VehicleData) { d.Dialect, d.WaitMinutes = "standard", new(2.0) }),
		data("old", func(d *fitmentv1.VehicleData) { d.Dialect, d.YearTo = "legacy-a", 2003 }),
		data("model", func(d *fitmentv1.VehicleData) { d.Model, d.Dialect = "Lune", "legacy-b" }),
		data("years", func(d *fitmentv1.VehicleData) {
			d.Model, d.YearFrom, d.YearTo, d.Dialect = "Lune", 2004, 2006, "legacy-c"
		}),
		data("longer", func(d *fitmentv1.VehicleData) {
			d.Model, d.YearFrom, d.YearTo, d.Dialect, d.DisplayLimitOhms = "Lune", 2004, 2009, "legacy-d", new(6.3)
		}),
	}
}

func TestTheNarrowestRowCounts(t *testing.T) {
	t.Parallel()
	c := known(t, rows()...)
	for name, one := range map[string]struct {
		model string
		year  int32
		want  string
	}{
		"the make's":                        {"Sol", 2010, "standard"},
		"the make's years":                  {"Sol", 2003, "legacy-a"},
		"the model before the make's years": {"lune", 2001, "legacy-b"},
		"the shorter span of years":         {"Lune", 2005, "legacy-c"},
		"the longer span":                   {"Lune", 2008, "legacy-d"},
		"year not known":                    {"Sol", 0, ""},
		"model not known":                   {"", 2010, ""},
	} {
		if got := c.Vehicle(&fitmentv1.Vehicle{Make: " TARVENA", Model: one.model, ModelYear: one.year}).Dialect; got != one.want {
			t.Errorf("%s: %q, want %q", name, got, one.want)
		}
	}
	facts := c.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena", Model: "Lune", ModelYear: 2005})
	if facts.Wait == nil || facts.Wait.Value != 2 || facts.Wait.Source != "make" || facts.DialectSource != "years" {
		t.Errorf("what a narrow row leaves out a wider one says: %+v", facts)
	}
	if facts.DisplayLimit == nil || facts.DisplayLimit.Value != 6.3 {
		t.Errorf("display %+v", facts.DisplayLimit)
	}
	for _, v := range []*fitmentv1.Vehicle{nil, {Model: "Lune", ModelYear: 2005}, {Make: "Oskeld", Model: "Lune", ModelYear: 2005}} {
		if facts := c.Vehicle(v); facts.Dialect != "" || facts.Wait != nil || facts.Window(fitmentv1.Part_SIDE_AIR_BAG) != nil {
			t.Errorf("%v: %+v", v, facts)
		}
	}
}

// What is not known of the vehicle does not matter where all say the same.
func TestWhatIsNotKnownMustNotMatter(t *testing.T) {
	t.Parallel()
	c := known(t, rows()...)
	for _, v := range []*fitmentv1.Vehicle{{Make: "Tarvena"}, {Make: "Tarvena", Model: "Lune"}, {Make: "Tarvena", ModelYear: 2005}} {
		facts := c.Vehicle(v)
		if facts.Wait == nil || facts.Wait.Value != 2 {
			t.Errorf("%v: every model and year waits as long, got %+v", v, facts.Wait)
		}
		if facts.Dialect != "" || facts.DisplayLimit != nil {
			t.Errorf("%v: %+v", v, facts)
		}
	}
	same := known(t,
		data("early", func(d *fitmentv1.VehicleData) { d.YearTo, d.WaitMinutes = 2005, new(1.5) }),
		data("late", func(d *fitmentv1.VehicleData) { d.YearFrom, d.WaitMinutes = 2006, new(1.5) }))
	if facts := same.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena"}); facts.Wait == nil || facts.Wait.Value != 1.5 {
		t.Errorf("all years agree: %+v", facts.Wait)
	}
	gap := known(t,
		data("early", func(d *fitmentv1.VehicleData) { d.YearTo, d.WaitMinutes = 2005, new(1.5) }),
		data("late", func(d *fitmentv1.VehicleData) { d.YearFrom, d.WaitMinutes = 2007, new(1.5) }))
	if facts := gap.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena"}); facts.Wait != nil {
		t.Errorf("of 2006 nothing is known: %+v", facts.Wait)
	}
	equal := known(t,
		data("a", func(d *fitmentv1.VehicleData) { d.YearFrom, d.YearTo, d.Dialect = 2004, 2006, "legacy-a" }),
		data("b", func(d *fitmentv1.VehicleData) { d.YearFrom, d.YearTo, d.Dialect = 2005, 2007, "legacy-b" }))
	for year, want := range map[int32]string{2004: "legacy-a", 2005: "", 2006: "", 2007: "legacy-b", 2008: ""} {
		if got := equal.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena", ModelYear: year}).Dialect; got != want {
			t.Errorf("%d: %q, want %q: rows of the same width contradict each other", year, got, want)
		}
	}
}

func TestWindowsAreOfAKind(t *testing.T) {
	t.Parallel()
	window := func(low, high float64) *fitmentv1.ResistanceWindow {
		return &fitmentv1.ResistanceWindow{LowOhms: low, HighOhms: high}
	}
	c := known(t,
		data("all", func(d *fitmentv1.VehicleData) { d.Window = window(1.4, 3.2) }),
		data("belt", func(d *fitmentv1.VehicleData) {
			d.Kind, d.Window = fitmentv1.Part_BUCKLE_PRETENSIONER, window(1.3, 4.8)
			d.Window.Source = "sheet 4"
		}))
	facts := c.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena", Model: "Lune", ModelYear: 2005})
	if got, want := facts.Window(fitmentv1.Part_BUCKLE_PRETENSIONER), (&fitmentv1.ResistanceWindow{LowOhms: 1.3, HighOhms: 4.8, Source: "sheet 4"}); !proto.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if got, want := facts.Window(fitmentv1.Part_CURTAIN_AIR_BAG), (&fitmentv1.ResistanceWindow{LowOhms: 1.4, HighOhms: 3.2, Source: "all"}); !proto.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	for _, kind := range []fitmentv1.Part_Kind{0, fitmentv1.Part_CONTROL_MODULE, fitmentv1.Part_CLOCK_SPRING, fitmentv1.Part_PIGTAIL} {
		if got := facts.Window(kind); got != nil {
			t.Errorf("%v has no squib, and the window %v", kind, got)
		}
	}
}

// A row's kind is that of the part whose loop its window is of: it makes the row no
// narrower for anything else.
func TestAKindLimitsNothingButTheWindow(t *testing.T) {
	t.Parallel()
	c := known(t,
		data("all", func(d *fitmentv1.VehicleData) { d.Dialect, d.WaitMinutes = "standard", new(3.0) }),
		data("belt", func(d *fitmentv1.VehicleData) {
			d.Kind, d.Dialect, d.WaitMinutes = fitmentv1.Part_BUCKLE_PRETENSIONER, "legacy-a", new(3.0)
		}))
	facts := c.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena", Model: "Lune", ModelYear: 2005})
	if facts.Dialect != "" {
		t.Errorf("%q, although two rows of the same width say different things", facts.Dialect)
	}
	if facts.Wait == nil || facts.Wait.Value != 3 {
		t.Errorf("both say 3 minutes: %+v", facts.Wait)
	}
}

func TestARowReplacesTheOneOfItsName(t *testing.T) {
	t.Parallel()
	c := known(t, rows()...)
	if err := c.PutVehicleData(data("make", func(d *fitmentv1.VehicleData) { d.Make, d.Dialect = "Oskeld", "legacy-e" })); err != nil {
		t.Fatal(err)
	}
	if got := c.Vehicle(&fitmentv1.Vehicle{Make: "Tarvena", Model: "Sol", ModelYear: 2010}); got.Dialect != "" || got.Wait != nil {
		t.Errorf("the old row still answers: %+v", got)
	}
	if got := c.Vehicle(&fitmentv1.Vehicle{Make: "Oskeld", Model: "Sol", ModelYear: 2010}).Dialect; got != "legacy-e" {
		t.Errorf("the new row says %q", got)
	}
	if err := c.PutVehicleData(&fitmentv1.VehicleData{Name: "vehicleData/x", Make: " "}); err == nil {
		t.Error("a row without a make is accepted")
	}
}

func TestVehicleDataIsChecked(t *testing.T) {
	t.Parallel()
	cases := []struct {
		field  string
		change func(*fitmentv1.VehicleData)
	}{
		{"", func(*fitmentv1.VehicleData) {}},
		{"make", func(d *fitmentv1.VehicleData) { d.Make = "" }},
		{"make", func(d *fitmentv1.VehicleData) { d.Make = "  " }},
		{"year_to", func(d *fitmentv1.VehicleData) { d.YearFrom, d.YearTo = 2006, 2005 }},
		{"dialect", func(d *fitmentv1.VehicleData) { d.Dialect = "Legacy A" }},
		{"dialect", func(d *fitmentv1.VehicleData) { d.Dialect = "legacy-z" }}, // well formed, but there is none
		{"wait_minutes", func(d *fitmentv1.VehicleData) { d.WaitMinutes = new(-1.0) }},
		{"wait_minutes", func(d *fitmentv1.VehicleData) { d.WaitMinutes = new(0.0) }},
		{"wait_minutes", func(d *fitmentv1.VehicleData) { d.WaitMinutes = new(1441.0) }},
		{"display_limit_ohms", func(d *fitmentv1.VehicleData) { d.DisplayLimitOhms = new(0.0) }},
		{"window.high_ohms", func(d *fitmentv1.VehicleData) { d.Window = &fitmentv1.ResistanceWindow{LowOhms: 2, HighOhms: 2} }},
		{"window", func(d *fitmentv1.VehicleData) { d.Kind = fitmentv1.Part_SIDE_AIR_BAG }},
		{"kind", func(d *fitmentv1.VehicleData) {
			d.Kind, d.Window = fitmentv1.Part_CRASH_SENSOR, &fitmentv1.ResistanceWindow{LowOhms: 1, HighOhms: 2}
		}},
		{"dialect", func(d *fitmentv1.VehicleData) { d.Dialect = "" }},
	}
	for _, one := range cases {
		row := data("x", func(d *fitmentv1.VehicleData) { d.Dialect = "standard" })
		one.change(row)
		var fields check.Fields
		catalogue.ValidateVehicleData(row, &fields)
		if got := named(&fields); len(got) != min(len(one.field), 1) || (len(got) == 1 && got[0] != one.field) {
			t.Errorf("%s: violations of %v", one.field, got)
		}
	}
}
