// Command generate writes the demo scenario's files into the folder above its
// own. The scenario is invented, and the same on every run.
package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
)

const (
	day      = "2026-11-25"
	priceDay = "2027-11-25"
	usd      = "USD"
)

// generation is one run of years of a model with its own parts.
type generation struct {
	vehicleMake, model, body string
	from, to                 int
	partMaker, prefix        string
	series                   int
}

var generations = []generation{
	{"Tarvena", "Solane", "saloon", 2004, 2006, "Korrin", "KR", 4821},
	{"Tarvena", "Solane", "saloon", 2007, 2009, "Korrin", "KR", 5210},
	{"Tarvena", "Brisk", "hatchback", 2008, 2011, "Korrin", "KR", 6105},
	{"Tarvena", "Brisk", "hatchback", 2012, 2014, "Velmark", "VM", 7032},
	{"Oskeld", "Fjord", "estate", 2005, 2008, "Velmark", "VM", 2240},
	{"Oskeld", "Vale", "saloon", 2010, 2013, "Velmark", "VM", 3318},
	{"Oskeld", "Vale", "saloon", 2014, 2016, "Haspa", "HP", 9004},
	{"Mirrin", "Dune", "coupe", 2003, 2008, "Haspa", "HP", 8117},
	{"Mirrin", "Cove", "estate", 2012, 2018, "Korrin", "KR", 9450},
}

// item is one kind of part at one place.
type item struct {
	kind, positions, side string
	offset, stages        int
	cavities              int
	price                 int // used price in dollars
	grams                 int // packed
}

var items = []item{
	{"BUCKLE_PRETENSIONER", "1 RIGHT", "RIGHT", 0, 1, 2, 120, 700},
	{"BUCKLE_PRETENSIONER", "1 LEFT", "LEFT", 1, 1, 2, 118, 700},
	{"RETRACTOR_PRETENSIONER", "1 RIGHT", "RIGHT", 10, 1, 2, 150, 2100},
	{"DRIVER_AIR_BAG", "1 LEFT", "LEFT", 20, 2, 4, 240, 2600},
	{"SIDE_AIR_BAG", "1 RIGHT", "RIGHT", 30, 1, 2, 185, 1800},
	{"CLOCK_SPRING", "1 LEFT", "LEFT", 40, 0, 6, 70, 550},
}

func (g generation) number(i item) string {
	return fmt.Sprintf("%s-%d-%s", g.prefix, g.series+i.offset*3, i.side[:1])
}

func (g generation) keying(i item) string { return string(rune('A' + (g.series+i.offset)%4)) }

func (g generation) connector(i item) string {
	if i.cavities > 2 {
		return "ISO 19072-4"
	}
	return "ISO 19072-3"
}

// table collects rows by column name.
type table struct {
	columns []string
	rows    []map[string]string
}

func (t *table) add(row map[string]string) { t.rows = append(t.rows, row) }

func (t *table) write(name string) error {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	if err := w.Write(t.columns); err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	known := map[string]bool{}
	for _, column := range t.columns {
		known[column] = true
	}
	for _, row := range t.rows {
		record := make([]string, len(t.columns))
		for i, column := range t.columns {
			record[i] = row[column]
		}
		for column := range row {
			if !known[column] {
				return fmt.Errorf("%s: no column %s", name, column)
			}
		}
		if err := w.Write(record); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	w.Flush()
	return os.WriteFile(name, out.Bytes(), 0o600)
}

func main() {
	random := rand.New(rand.NewPCG(2026, 11))
	stock := listings(random)
	steps := []error{
		parts().write("parts.csv"),
		supersessions().write("supersessions.csv"),
		recalls().write("recalls.csv"),
		vehicles().write("vehicle-data.csv"),
		offers().write("offers.csv"),
		outcomes(),
	}
	for _, y := range yards {
		steps = append(steps, stock[y.slug].write("listings-"+y.slug+".csv"))
	}
	for _, err := range steps {
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
}

func parts() *table {
	t := &table{columns: []string{
		"maker", "number", "kind", "positions", "connector_interface", "connector_keying", "cavities", "stages",
		"low_ohms", "high_ohms", "window_source", "service_life_years", "discontinued",
		"one_use", "replace_with", "fitting_known", "programming", "donor_policy",
		"make", "model", "year_from", "year_to", "body", "drive_side", "market", "built_from", "built_to",
	}}
	for _, g := range generations {
		for _, i := range items {
			row := map[string]string{
				"maker": g.partMaker, "number": g.number(i), "kind": i.kind, "positions": i.positions,
				"connector_interface": g.connector(i), "connector_keying": g.keying(i),
				"cavities": strconv.Itoa(i.cavities), "stages": strconv.Itoa(i.stages),
				"make": g.vehicleMake, "model": g.model, "body": g.body,
				"year_from": strconv.Itoa(g.from), "year_to": strconv.Itoa(g.to), "drive_side": "LEFT",
			}
			if i.stages > 0 {
				row["low_ohms"], row["high_ohms"], row["window_source"] = "1.4", "3.2", "invented service data"
			}
			if g.model == "Solane" && g.from == 2004 {
				row["discontinued"] = "yes"
			}
			row["service_life_years"] = serviceLife[g.model]
			fitting(row)
			t.add(row)
		}
	}
	// The chain's later links: right for later cars by themselves.
	for n, number := range chain[1:] {
		t.add(map[string]string{
			"maker": "Korrin", "number": number, "kind": "BUCKLE_PRETENSIONER", "positions": "1 RIGHT",
			"connector_interface": "ISO 19072-3", "connector_keying": generations[0].keying(items[0]),
			"cavities": "2", "stages": "1", "low_ohms": "1.4", "high_ohms": "3.2", "window_source": "invented service data",
			"make": "Tarvena", "model": "Solane", "body": "saloon", "drive_side": "LEFT",
			"year_from": strconv.Itoa(2010 + n), "year_to": strconv.Itoa(2010 + n),
		})
	}
	// Two parts that a build date splits within a model year.
	for _, part := range [][3]string{{earlyLap, "", "2005-02-28"}, {lateLap, "2005-03-01", ""}} {
		t.add(map[string]string{
			"maker": "Haspa", "number": part[0], "kind": "LAP_PRETENSIONER", "positions": "1 RIGHT",
			"connector_interface": "ISO 19072-5", "connector_keying": "B", "cavities": "2", "stages": "1",
			"low_ohms": "1.4", "high_ohms": "3.2", "window_source": "invented service data",
			"make": "Mirrin", "model": "Dune", "body": "coupe", "drive_side": "LEFT",
			"year_from": "2005", "year_to": "2005", "built_from": part[1], "built_to": part[2],
		})
	}
	// Two modules: one is set up after fitting, the other stays bound to its vehicle,
	// and the vehicle's maker wants none from another one.
	for _, part := range [][3]string{{openModule, "SETUP", "ALLOWED"}, {boundModule, "LOCKED", "FORBIDDEN"}} {
		t.add(map[string]string{
			"maker": "Velmark", "number": part[0], "kind": "CONTROL_MODULE",
			"connector_interface": "two-bay plug", "connector_keying": "A", "cavities": "52",
			"programming": part[1], "donor_policy": part[2],
			"make": "Oskeld", "model": "Fjord", "body": "estate", "drive_side": "LEFT", "year_from": "2005", "year_to": "2008",
		})
	}
	return t
}

// fitting adds what the makers list about fitting two of the parts.
func fitting(row map[string]string) {
	switch row["number"] {
	case chain[0]:
		row["one_use"], row["fitting_known"] = "anchor bolt | 1; seat clip | 2", "yes"
	case generations[4].number(items[3]):
		row["replace_with"], row["fitting_known"] = "CLOCK_SPRING | after deployment", "yes"
	}
}

// openModule can be set up for another vehicle, boundModule cannot.
const openModule, boundModule = "VM-2391-C", "VM-2392-C"

// serviceLife is what some makers set, in years.
var serviceLife = map[string]string{"Dune": "15", "Cove": "20"}

// earlyLap and lateLap are right before and after the change of a model year.
const earlyLap, lateLap = "HP-8499-R", "HP-8500-R"

// chain is the supersession chain: each number replaces the one before, the last
// one only in vehicles from 2009 on.
var chain = []string{"KR-4821-R", "KR-4826-R", "KR-4831-R", "KR-4836-R"}

func supersessions() *table {
	t := &table{columns: []string{"maker", "old_number", "new_number", "year_from", "year_to", "market", "source"}}
	for n, from := range []string{"2005", "2005", "2009"} {
		t.add(map[string]string{
			"maker": "Korrin", "old_number": chain[n], "new_number": chain[n+1],
			"year_from": from, "year_to": "2010", "source": "invented bulletin " + strconv.Itoa(n+1),
		})
	}
	return t
}

func recalls() *table {
	t := &table{columns: []string{
		"type", "number", "issued", "as_of", "part_maker", "part_number", "kind", "make", "model",
		"year_from", "year_to", "summary", "source",
	}}
	t.add(map[string]string{
		"type": "NOTICE", "number": "DEMO-24-017", "issued": "2024-05-13", "part_maker": "Velmark",
		"part_number": generations[4].number(items[3]), "kind": "DRIVER_AIR_BAG", "make": "Oskeld", "model": "Fjord",
		"year_from": "2005", "year_to": "2008",
		"summary": "Inflator may rupture when it deploys; replace the module free of charge.", "source": "invented notice",
	})
	// Haspa has no coverage on purpose: its recall state is unknown.
	for _, maker := range []string{"Korrin", "Velmark"} {
		t.add(map[string]string{
			"type": "COVERAGE", "number": "DEMO-COVER-" + maker, "as_of": day, "part_maker": maker,
			"summary": "All notices for this maker's parts are loaded.", "source": "invented notice service",
		})
	}
	return t
}

// vehicles is what is known of two makes: in which dialect their codes are written
// and how long to wait.
func vehicles() *table {
	t := &table{columns: []string{"make", "model", "year_from", "year_to", "dialect", "wait_minutes", "display_limit_ohms", "source"}}
	t.add(map[string]string{
		"make": "Tarvena", "year_from": "2004", "year_to": "2009", "dialect": "legacy-a", "wait_minutes": "3", "display_limit_ohms": "6.3",
		"source": "invented service data",
	})
	t.add(map[string]string{"make": "Tarvena", "year_from": "2010", "dialect": "standard", "wait_minutes": "3", "source": "invented service data"})
	t.add(map[string]string{"make": "Oskeld", "dialect": "standard", "wait_minutes": "1", "source": "invented service data"})
	return t
}

func offers() *table {
	t := &table{columns: []string{
		"supplier", "item_number", "condition", "part_maker", "part_number", "kind", "currency", "price", "core_deposit",
		"freight", "handling", "return_freight", "restocking_percent", "days", "available", "valid_until",
		"weight_grams", "un_number", "core_days", "core_return_freight", "warranty_days",
	}}
	for n, g := range generations {
		for _, i := range items {
			base := map[string]string{
				"part_maker": g.partMaker, "part_number": g.number(i), "kind": i.kind, "currency": usd,
				"freight": "14.00", "handling": "35.00", "return_freight": "49.00", "valid_until": priceDay,
			}
			shipping(base, i)
			fresh := clone(base)
			fresh["supplier"], fresh["condition"] = "Mosswater Supply", "NEW"
			fresh["item_number"] = fmt.Sprintf("MW-%d-%d%s", g.series, i.offset, i.side[:1])
			fresh["price"] = fmt.Sprintf("%d.00", i.price*3+40+n*5)
			fresh["days"], fresh["restocking_percent"], fresh["available"], fresh["warranty_days"] = "9", "15", "yes", "730"
			if g.model == "Solane" && g.from == 2004 {
				fresh["available"] = "no"
			}
			t.add(fresh)
			if n%2 == 0 && i.kind != "CLOCK_SPRING" {
				reman := clone(base)
				reman["supplier"], reman["condition"] = "Farrowtull Works", "REMANUFACTURED"
				reman["item_number"] = fmt.Sprintf("FT-%d-%d%s", g.series, i.offset, i.side[:1])
				reman["price"] = fmt.Sprintf("%d.50", i.price*3/2+60)
				core{"50.00", "30", "18.50"}.into(reman)
				reman["days"], reman["restocking_percent"], reman["available"], reman["warranty_days"] = "6", "20", "yes", "365"
				t.add(reman)
			}
		}
	}
	return t
}

func clone(row map[string]string) map[string]string {
	out := make(map[string]string, len(row))
	for column, value := range row {
		out[column] = value
	}
	return out
}

// outcome is one line of outcomes.json, in the API's JSON form.
type outcome struct {
	Source    string `json:"source"`
	Seller    string `json:"seller"`
	Condition string `json:"condition"`
	Kind      string `json:"kind"`
	Result    string `json:"result"`
	Note      string `json:"note"`
}

// outcomes gives two yards records that differ, and one supplier a good one.
func outcomes() error {
	records := []struct {
		seller, condition, prefix string
		passed, failed            int
	}{
		{"kettlewick", "USED", "listings/kettlewick.past-", 18, 1},
		{"saltmarrow", "USED", "listings/saltmarrow.past-", 4, 5},
		{"farrowtull-works", "REMANUFACTURED", "offers/farrowtull-works.past-", 11, 1},
	}
	var all []outcome
	for _, r := range records {
		for n := range r.passed + r.failed {
			o := outcome{
				Source: fmt.Sprintf("%s%d", r.prefix, n+1), Seller: r.seller, Condition: r.condition,
				Kind: "BUCKLE_PRETENSIONER", Result: "PASSED", Note: "arrival check passed",
			}
			if n >= r.passed {
				o.Result, o.Note = "FAILED", "keying did not match the listing"
			}
			all = append(all, o)
		}
	}
	raw, err := json.MarshalIndent(all, "", "  ")
	if err != nil {
		return fmt.Errorf("outcomes: %w", err)
	}
	return os.WriteFile("outcomes.json", append(raw, '\n'), 0o600)
}
