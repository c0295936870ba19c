package e2e_test

import (
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"beltwright.example/services/fitment/rules"
	"beltwright.example/testdata/demo"
)

// scenarioNeeds are repairs that the demo's stock is decided for.
func scenarioNeeds() []object {
	need := func(maker, model string, year int, kind string, side string, more object) object {
		vehicle := object{"make": maker, "model": model, "driveSide": "LEFT", "market": "US"}
		if year > 0 {
			vehicle["modelYear"] = year
		}
		maps.Copy(vehicle, more)
		return object{"vehicle": vehicle, "kind": kind, "position": object{"row": 1, "side": side}, "jurisdiction": "US-WA"}
	}
	filed := solane()
	filed["vehicle"].(object)["restraintText"] = "Driver and passenger air bags, pretensioners"
	module := need("Oskeld", "Fjord", 2006, "CONTROL_MODULE", "CENTRE", object{"body": "estate"})
	delete(module, "position")
	return []object{
		solane(), filed, module,
		need("Tarvena", "Solane", 2006, "BUCKLE_PRETENSIONER", "RIGHT", object{"driveSide": "RIGHT"}),
		need("Tarvena", "Solane", 0, "BUCKLE_PRETENSIONER", "RIGHT", object{"driveSide": "DRIVE_SIDE_UNSPECIFIED"}),
		need("Oskeld", "Fjord", 2006, "DRIVER_AIR_BAG", "LEFT", object{"body": "estate"}),
		need("Mirrin", "Dune", 2005, "LAP_PRETENSIONER", "RIGHT", object{"body": "coupe"}),
		need("Mirrin", "Dune", 2005, "LAP_PRETENSIONER", "RIGHT", object{"body": "coupe", "buildDate": "2004-11-02"}),
		need("Mirrin", "Dune", 2005, "LAP_PRETENSIONER", "RIGHT", object{"body": "coupe", "buildDate": "2005-06-02"}),
	}
}

// TestScenarioShowsEveryRule decides the demo's whole stock for its repairs:
// every registered rule must answer yes, no and unknown somewhere.
func TestScenarioShowsEveryRule(t *testing.T) {
	t.Parallel()
	// No desk asks thousands of questions in a few seconds.
	_, c := serveDemo(t, filepath.Join(t.TempDir(), "data"), "--rates", "off")
	var stock []string
	for _, yard := range demo.Yards() {
		for _, item := range list(t, c.get("/v1/listings?pageSize=1000&yard="+yard), "listings") {
			stock = append(stock, fmt.Sprint(at(t, item, "name")))
		}
	}
	if len(stock) < 300 {
		t.Errorf("the scenario has %d listings, want at least 300", len(stock))
	}
	seen := map[string]map[string]bool{}
	for _, need := range scenarioNeeds() {
		for _, name := range stock {
			decision := at(t, c.post("/v1/fitment:decide", object{"need": need, "listingName": name}), "decision")
			for _, finding := range list(t, decision, "findings") {
				rule := fmt.Sprint(at(t, finding, "rule"))
				if seen[rule] == nil {
					seen[rule] = map[string]bool{}
				}
				seen[rule][fmt.Sprint(at(t, finding, "answer"))] = true
			}
		}
	}
	for _, rule := range rules.All() {
		if got := slices.Sorted(maps.Keys(seen[rule.ID])); strings.Join(got, " ") != "NO UNKNOWN YES" {
			t.Errorf("%s answers only %v in the scenario", rule.ID, got)
		}
	}
}

// TestScenarioIsWhatItsProgramMakes regenerates the files and compares.
func TestScenarioIsWhatItsProgramMakes(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	compile := exec.CommandContext(t.Context(), "go", "build", "-o", filepath.Join(dir, "generate"), "beltwright.example/testdata/demo/generate")
	if out, err := compile.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	run := exec.CommandContext(t.Context(), filepath.Join(dir, "generate"))
	run.Dir = dir
	if out, err := run.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	committed, err := filepath.Glob(filepath.Join("..", "..", "testdata", "demo", "*.[cj]s*"))
	if err != nil || len(committed) < 9 {
		t.Fatalf("%d files, %v", len(committed), err)
	}
	for _, path := range committed {
		want, err := os.ReadFile(filepath.Join(dir, filepath.Base(path)))
		if err != nil {
			t.Error(err)
			continue
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != string(want) {
			t.Errorf("%s is not what go generate makes (%v)", path, err)
		}
	}
}
