package server_test

import (
	"context"
	"strings"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/storetest"
)

// moduleReading is one by the module at the front right, of which nothing but the
// value is stated.
func moduleReading(kind fitmentv1.Part_Kind, ohms float64) *fitmentv1.Reading {
	return &fitmentv1.Reading{
		Kind: kind, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}, Method: fitmentv1.Reading_MODULE_REPORTED, Ohms: &ohms,
	}
}

// What the catalogue knows of a vehicle decides how its faults are read: the
// dialect, the wait, where the module's display ends, and the windows of its loops,
// the parts' before the vehicle's. Makes, numbers and figures are invented.
func TestFaultsAreAssessedByWhatTheCatalogueKnows(t *testing.T) {
	t.Parallel()
	f := start(t)
	f.stock(t)
	before, err := f.decisions.AssessFault(as(t, shopA), &fitmentv1.AssessFaultRequest{Codes: []string{"B0058"}})
	if err != nil || before.GetRevision() == "" {
		t.Fatalf("revision %q, %v", before.GetRevision(), err)
	}
	got, err := f.importVehicleData(t, admin, vehicleHeader+
		"Velorn,Kestrel,2004,2006,legacy-a,1.5,,1.3,4.8,5.9,invented data\n"+
		"Velorn,Kestrel,2004,2006,,,side air bag,1.1,2.4,,invented for side bags\n")
	if err != nil || got.sum.GetCreated() != 2 {
		t.Fatalf("%v, %v, %v", got.sum, got.rows, err)
	}
	assess := func(v *fitmentv1.Vehicle) *fitmentv1.AssessFaultResponse {
		t.Helper()
		answer, err := f.decisions.AssessFault(as(t, shopA), &fitmentv1.AssessFaultRequest{
			Vehicle: v, Codes: []string{"B0058"}, Readings: []*fitmentv1.Reading{
				moduleReading(fitmentv1.Part_BUCKLE_PRETENSIONER, 5.9), moduleReading(fitmentv1.Part_SIDE_AIR_BAG, 2), moduleReading(fitmentv1.Part_CURTAIN_AIR_BAG, 2),
			},
		})
		if err != nil {
			t.Fatal(err)
		}
		return answer
	}
	known := assess(need().GetVehicle())
	if known.GetRevision() == before.GetRevision() {
		t.Error("the revision is the same although the vehicle data is not")
	}
	if known.GetDialect() != "legacy-a" || known.GetCodes()[0].GetApplied() != "legacy-a.B0058" {
		t.Errorf("dialect %q, code %v", known.GetDialect(), known.GetCodes()[0])
	}
	if w := known.GetWait(); !w.GetOfThisVehicle() || w.GetMinutes() != 1.5 || w.GetSource() != "invented data" {
		t.Errorf("wait %v", w)
	}
	for i, want := range []struct {
		low, high float64
		source    string
	}{
		{1.5, 2.8, "part Orbis K-1 of the catalogue: invented"},
		{1.1, 2.4, "vehicle data of the catalogue: invented for side bags"},
		{1.3, 4.8, "vehicle data of the catalogue: invented data"},
	} {
		if w := known.GetReadings()[i].GetWindow(); w.GetLowOhms() != want.low || w.GetHighOhms() != want.high || w.GetSource() != want.source {
			t.Errorf("reading %d: window %v, want %v", i, w, want)
		}
	}
	if r := known.GetReadings()[0]; r.CorrectedOhms != nil || !strings.Contains(r.GetReason(), "5.9") {
		t.Errorf("the end of the display is a number: %v", r)
	}
	if known.GetLikelihoods() != fault.DefaultModel().Version {
		t.Errorf("likelihoods %q", known.GetLikelihoods())
	}
	// Of a year that the data is not about nothing is known, and the answer says so.
	unknown := assess(&fitmentv1.Vehicle{Make: "Velorn", Model: "Kestrel", ModelYear: 2012, DriveSide: fitmentv1.Vehicle_LEFT})
	if unknown.GetDialect() != "" || unknown.GetWait().GetOfThisVehicle() || unknown.GetWait().GetMinutes() != 20 || !strings.Contains(unknown.GetReadings()[1].GetWindow().GetSource(), "default") || unknown.GetReadings()[0].CorrectedOhms == nil {
		t.Errorf("another year: %v", unknown)
	}
	stated := &fitmentv1.AssessFaultRequest{Vehicle: need().GetVehicle(), Codes: []string{"B0058"}, Dialect: "standard"}
	if answer, err := f.decisions.AssessFault(as(t, shopA), stated); err != nil || answer.GetDialect() != "standard" {
		t.Errorf("the dialect that is stated does not count: %v, %v", answer, err)
	}
	stated.Dialect = "no such"
	_, err = f.decisions.AssessFault(as(t, shopA), stated)
	if fields := fieldsOf(err); len(fields) != 1 || fields[0] != "dialect" {
		t.Errorf("fields %v, %v", fields, err)
	}
}

// A deployment's own likelihoods decide, and their version is told.
func TestADeploymentsOwnLikelihoodsCount(t *testing.T) {
	t.Parallel()
	clock := storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))
	st := embeddedtest.Open(t, t.TempDir(), embedded.Options{Now: clock.Now, NoSync: true})
	own := fault.DefaultModel()
	own.Version, own.LeastBits = "our own", 10
	f := serveOn(t, st, clock, func(o *server.Options) { o.Likelihoods = &own })
	answer, err := f.decisions.AssessFault(as(t, shopA), &fitmentv1.AssessFaultRequest{Codes: []string{"B0072"}})
	if err != nil || answer.GetLikelihoods() != "our own" || answer.GetNextTest() != nil {
		t.Errorf("%v, %v", answer, err)
	}
}

// A VIN fills what is not stated of the vehicle and overrules nothing.
func TestTheVINFillsTheVehicle(t *testing.T) {
	t.Parallel()
	f := start(t)
	// 49 CFR 565.15's sample VIN is of model year 2005; make and model are stated.
	got, err := f.importVehicleData(t, admin, vehicleHeader+"Velorn,Kestrel,2005,2005,legacy-a,,,,,,invented\nVelorn,Kestrel,2012,2012,legacy-d,,,,,,invented\n")
	if err != nil || got.sum.GetCreated() != 2 {
		t.Fatalf("%v, %v", got.sum, err)
	}
	dialect := func(ctx context.Context, v *fitmentv1.Vehicle) string {
		answer, err := f.decisions.AssessFault(ctx, &fitmentv1.AssessFaultRequest{Vehicle: v, Codes: []string{"B0058"}})
		if err != nil {
			t.Error(err)
		}
		return answer.GetDialect()
	}
	const number = "1G4AH59H45G118341"
	cases := map[string]struct {
		vehicle *fitmentv1.Vehicle
		want    string
	}{
		"the year from the VIN": {&fitmentv1.Vehicle{Vin: number, Make: "Velorn", Model: "Kestrel", Market: "US", VehicleClass: fitmentv1.Vehicle_PASSENGER_CAR}, "legacy-a"},
		"the year stated":       {&fitmentv1.Vehicle{Vin: number, Make: "Velorn", Model: "Kestrel", Market: "US", ModelYear: 2012}, "legacy-d"},
		"no year at all":        {&fitmentv1.Vehicle{Make: "Velorn", Model: "Kestrel"}, ""},
	}
	for name, c := range cases {
		if got := dialect(as(t, shopA), c.vehicle); got != c.want {
			t.Errorf("%s: dialect %q, want %q", name, got, c.want)
		}
	}
}
