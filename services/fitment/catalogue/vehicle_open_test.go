package catalogue_test

import (
	"fmt"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
)

// A vehicle of which only the make is stated may be of every model that the data
// names. Each model is weighed by its own rows: were every row looked at for every
// model and year, each such question would take minutes.
func TestAMakeOfManyModels(t *testing.T) {
	t.Parallel()
	const models, years = 20_000, 50
	c := catalogue.New()
	for i := range models {
		year := int32(1985 + i%years)
		row := data(fmt.Sprintf("m%05d", i), func(d *fitmentv1.VehicleData) {
			d.Model, d.YearFrom, d.YearTo, d.Dialect, d.WaitMinutes = fmt.Sprintf("Lune %d", i), year, year, "legacy-a", new(2.0)
		})
		if err := c.PutVehicleData(row); err != nil {
			t.Fatal(err)
		}
	}
	all := data("all", func(d *fitmentv1.VehicleData) { d.Dialect, d.WaitMinutes = "standard", new(2.0) })
	if err := c.PutVehicleData(all); err != nil {
		t.Fatal(err)
	}
	for _, one := range []struct {
		vehicle *fitmentv1.Vehicle
		want    string
	}{
		{&fitmentv1.Vehicle{Make: "Tarvena"}, ""},
		{&fitmentv1.Vehicle{Make: "Tarvena", ModelYear: 1985}, ""},
		{&fitmentv1.Vehicle{Make: "Tarvena", ModelYear: 1984}, "standard"}, // before any model's row
		{&fitmentv1.Vehicle{Make: "Tarvena", Model: "Lune 1"}, ""},
		{&fitmentv1.Vehicle{Make: "Tarvena", Model: "Lune 1", ModelYear: 1986}, "legacy-a"},
		{&fitmentv1.Vehicle{Make: "Tarvena", Model: "Lune 1", ModelYear: 1987}, "standard"},
		{&fitmentv1.Vehicle{Make: "Tarvena", Model: "another"}, "standard"},
	} {
		facts := c.Vehicle(one.vehicle)
		if facts.Dialect != one.want {
			t.Errorf("%v: %q, want %q", one.vehicle, facts.Dialect, one.want)
		}
		if facts.Wait == nil || facts.Wait.Value != 2 {
			t.Errorf("%v: all wait 2 minutes, got %+v", one.vehicle, facts.Wait)
		}
	}
}
