package main

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// tables is a data set of one maker, in the data set's own tables.
const tables = `
CREATE TABLE Wmi (Id, Wmi, VehicleTypeId, UpdatedOn);
CREATE TABLE Wmi_Make (WmiId, MakeId);
CREATE TABLE Wmi_VinSchema (WmiId, VinSchemaId, YearFrom, YearTo);
CREATE TABLE VinSchema (Id, UpdatedOn);
CREATE TABLE Make (Id, Name);
CREATE TABLE Model (Id, Name);
CREATE TABLE Make_Model (MakeId, ModelId);
CREATE TABLE BodyStyle (Id, Name);
CREATE TABLE Country (Id, Name);
CREATE TABLE GrossVehicleWeightRating (Id, Name, MinRangeWeight);
CREATE TABLE Pattern (Id, VinSchemaId, Keys, ElementId, AttributeId, UpdatedOn);
INSERT INTO Wmi VALUES (1, 'WWW', 2, '2026-01-01T00:00:00'), (2, 'WWT', 6, '2026-02-02T00:00:00');
INSERT INTO Make VALUES (1, 'Tolvane'), (2, 'Other');
INSERT INTO Wmi_Make VALUES (1, 1), (2, 2);
INSERT INTO VinSchema VALUES (7, NULL);
INSERT INTO Wmi_VinSchema VALUES (1, 7, 1990, NULL), (2, 8, 1990, 1991);
INSERT INTO Model VALUES (5, ' Two
  Door ');
INSERT INTO Make_Model VALUES (1, 5);
INSERT INTO GrossVehicleWeightRating VALUES (1, 'x', 0), (2, 'y', 10001);
INSERT INTO Pattern VALUES (1, 7, 'A', 28, '5', NULL), (2, 7, 'A', 28, '99', NULL), (3, 7, 'A', 25, '2', NULL), (4, 7, 'A', 121, 'Belts', NULL), (5, 8, 'A', 28, '5', NULL);
`

func database(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "small.db")
	db, err := sql.Open("sqlite", "file:"+path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.ExecContext(t.Context(), tables); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestReadKeepsLightVehiclesAndResolvesNames(t *testing.T) {
	t.Parallel()
	set, err := read(t.Context(), database(t), "0.0.0")
	if err != nil {
		t.Fatal(err)
	}
	if set.Date != "2026-02-02" || !strings.HasSuffix(set.Source, "0.0.0") || set.Dropped != 1 {
		t.Errorf("date %q, source %q, dropped %d", set.Date, set.Source, set.Dropped)
	}
	if len(set.WMIs) != 1 || len(set.WMIs[0].Makes) != 1 || len(set.WMIs[0].Uses) != 1 || len(set.Schemas) != 1 {
		t.Fatalf("%+v", set)
	}
	var texts []string
	for _, p := range set.Schemas[0] {
		texts = append(texts, p.Make+"/"+p.Value)
	}
	if got := strings.Join(texts, " "); got != "Tolvane/Two Door /Belts /heavy" {
		t.Errorf("patterns %q", got)
	}
}

func TestRunWritesASampleAndRefusesNonsense(t *testing.T) {
	t.Parallel()
	path, out := database(t), filepath.Join(t.TempDir(), "out")
	var log strings.Builder
	if err := run(t.Context(), []string{"sample", "-out", out, "-count", "5", path}, &log); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(out)
	if err != nil || strings.Count(string(text), "\n") != 5 {
		t.Errorf("%q, %v", text, err)
	}
	for _, args := range [][]string{nil, {"data", path}, {"paint", path}, {"sample"}, {"sample", path + "x"}} {
		if err := run(t.Context(), args, &log); err == nil {
			t.Errorf("%v was taken", args)
		}
	}
}
