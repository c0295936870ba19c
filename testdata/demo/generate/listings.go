package main

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
)

// yard is a seller with its own terms.
type yard struct {
	slug, jurisdiction    string
	freight, perKilogram  string
	handling              string
	restocking, days      string
	warranty, priceFactor int
	core                  core
}

// core are a seller's terms for the old part; none where there is no deposit.
type core struct{ deposit, days, returnFreight string }

var yards = []yard{
	{"kettlewick", "US-WA", "22.00", "", "35.00", "15", "4", 60, 100, core{}},
	{"saltmarrow", "US-CO", "10.50", "1.50", "35.00", "25", "3", 30, 72, core{}},
	{"brindlefen", "US-MT", "16.50", "2.00", "38.50", "20", "5", 60, 92, core{}},
	{"osprey-hollow", "US-WA", "31.00", "", "35.00", "10", "2", 90, 118, core{"25.00", "21", "18.00"}},
}

// into writes the terms into a row.
func (c core) into(row map[string]string) {
	row["core_deposit"], row["core_days"], row["core_return_freight"] = c.deposit, c.days, c.returnFreight
}

// proof is how a column's statement is supported.
const (
	photo   = "shown: label photo@2026-09-14"
	picture = "shown: photo of the part@2026-09-14"
	paper   = "shown: auction condition report@2026-08-30"
	scan    = "shown: scan of the donor's module@2026-09-02"
	checked = "confirmed: visual inspection by R. Vey, independent inspector@2026-09-15"
	claimed = "claimed"
)

var listingColumns = []string{
	"stock_number", "kind", "kind_evidence", "row", "side", "position_evidence", "part_maker", "part_maker_evidence", "part_number", "part_number_evidence",
	"donor_vin", "donor_vin_evidence", "donor_make", "donor_model", "donor_year", "donor_year_evidence", "donor_build_date", "donor_body", "donor_restraint_text",
	"donor_drive_side", "donor_drive_side_evidence", "donor_market",
	"connector_interface", "connector_interface_evidence", "connector_keying", "connector_keying_evidence",
	"cavities", "cavities_evidence", "shorting_clip", "shorting_clip_evidence", "pigtail_cut", "pigtail_cut_evidence",
	"stages", "stages_evidence",
	"loop_ohms", "loop_ohms_evidence", "loop_method", "loop_clip", "loop_lead_ohms", "loop_meter_percent", "loop_meter_counts", "loop_meter_resolution",
	"deployment_marks", "deployment_marks_evidence", "crash_record", "crash_record_evidence",
	"deployment_code", "deployment_code_evidence", "belt_in_use_collision", "belt_in_use_collision_evidence",
	"flood", "flood_evidence", "fire", "fire_evidence", "recall_open", "recall_open_evidence",
	"label_legible", "label_legible_evidence", "pulled_by", "pulled_by_evidence",
	"damage", "damage_evidence", "cosmetic_damage", "cosmetic_damage_evidence", "programmable", "programmable_evidence",
	"donor_codes", "donor_codes_evidence", "theft_query_clear", "theft_query_clear_evidence", "seller_statement", "seller_statement_evidence",
	"price", "currency", "freight", "freight_per_kilogram", "handling", "return_freight", "restocking_percent", "days", "warranty_days",
	"core_deposit", "core_days", "core_return_freight", "weight_grams", "un_number", "in_component",
	"jurisdiction", "note",
}

// listings makes every yard's stock; the yard is told by the file's name, so
// there is one table, with the yard in the stock number's prefix.
func listings(random *rand.Rand) map[string]*table {
	tables := map[string]*table{}
	for _, y := range yards {
		tables[y.slug] = &table{columns: listingColumns}
	}
	serial := 0
	for copyNumber := range 6 {
		for gn, g := range generations {
			for in, i := range items {
				serial++
				y := yards[(copyNumber+gn+in)%len(yards)]
				row := proven(g, i, y, serial, random)
				vary(row, g, i, copyNumber, serial)
				tables[y.slug].add(row)
			}
		}
	}
	for _, special := range specials(random) {
		tables[special.yard.slug].add(special.row)
	}
	return tables
}

// proven is a listing with everything shown.
func proven(g generation, i item, y yard, serial int, random *rand.Rand) map[string]string {
	year := g.from + random.IntN(g.to-g.from+1)
	price := i.price*y.priceFactor/100 + random.IntN(25)
	row := map[string]string{
		"stock_number": fmt.Sprintf("%s-%04d", strings.ToUpper(y.slug[:2]), serial),
		"kind":         i.kind, "kind_evidence": picture,
		"row": i.positions[:1], "side": i.side, "position_evidence": paper,
		"part_maker": g.partMaker, "part_maker_evidence": photo, "part_number": g.number(i), "part_number_evidence": photo,
		"donor_vin": vin(g, year, serial), "donor_vin_evidence": "shown: photo of the VIN plate@2026-09-10",
		"donor_make": g.vehicleMake, "donor_model": g.model, "donor_body": g.body,
		"donor_year": strconv.Itoa(year), "donor_year_evidence": paper,
		"donor_drive_side": "LEFT", "donor_drive_side_evidence": paper, "donor_market": "US",
		"connector_interface": g.connector(i), "connector_interface_evidence": picture,
		"connector_keying": g.keying(i), "connector_keying_evidence": picture,
		"cavities": strconv.Itoa(i.cavities), "cavities_evidence": picture,
		"shorting_clip": "yes", "shorting_clip_evidence": picture,
		"pigtail_cut": "no", "pigtail_cut_evidence": picture,
		"deployment_marks": "no", "deployment_marks_evidence": checked,
		"crash_record": "no", "crash_record_evidence": scan, "deployment_code": "no", "deployment_code_evidence": scan,
		"belt_in_use_collision": "no", "belt_in_use_collision_evidence": paper,
		"flood": "no", "flood_evidence": paper, "fire": "no", "fire_evidence": paper,
		"label_legible": "yes", "label_legible_evidence": photo,
		"pulled_by": "employee 14", "pulled_by_evidence": "shown: work order@2026-09-14",
		"damage": "no", "damage_evidence": checked, "cosmetic_damage": "no", "cosmetic_damage_evidence": picture,
		"theft_query_clear": "yes", "theft_query_clear_evidence": "shown: answer of the theft bureau@2026-09-16",
		"seller_statement": "yes", "seller_statement_evidence": "shown: signed statement@2026-09-16",
		"price": fmt.Sprintf("%d.00", price), "currency": usd, "freight": y.freight, "handling": y.handling,
		"return_freight": "49.00", "restocking_percent": y.restocking, "days": y.days,
		"warranty_days": strconv.Itoa(y.warranty), "jurisdiction": y.jurisdiction,
	}
	row["freight_per_kilogram"] = y.perKilogram
	shipping(row, i)
	if i.stages > 0 {
		row["stages"], row["stages_evidence"] = strconv.Itoa(i.stages), photo
		loop(row, fmt.Sprintf("%.2f", 1.95+float64(random.IntN(30))/100))
		y.core.into(row)
	}
	return row
}

// shipping adds what a part weighs and which UN number it goes under.
func shipping(row map[string]string, i item) {
	row["weight_grams"] = strconv.Itoa(i.grams)
	if i.stages > 0 {
		row["un_number"] = "UN3268"
	}
}

// seatGrams is a seat with its side air bag, packed.
const seatGrams = 19_500

// loop adds the value that the donor's own module reported before removal.
func loop(row map[string]string, ohms string) {
	row["loop_ohms"], row["loop_ohms_evidence"] = ohms, scan
	row["loop_method"] = "MODULE_REPORTED"
}

// vary takes something away from most copies, so that the stock looks like
// stock: some proven, many half proven, some bad.
func vary(row map[string]string, g generation, i item, copyNumber, serial int) {
	switch copyNumber {
	case 0, 1:
		// proven as it is
	case 2: // the yard says so, nothing is shown; what it would go under is not known
		delete(row, "un_number")
		for column := range row {
			if strings.HasSuffix(column, "_evidence") {
				row[column] = claimed
			}
		}
	case 3:
		without(row, halfProven[serial%len(halfProven)]...)
		if i.kind == "SIDE_AIR_BAG" { // sold in its seat, which no handling is charged for
			row["in_component"], row["weight_grams"], row["handling"] = "yes", strconv.Itoa(seatGrams), ""
		}
	case 4:
		bad[serial%len(bad)](row, g, i)
	case 5:
		without(row, halfProven[(serial+1)%len(halfProven)]...)
		bad[(serial+3)%len(bad)](row, g, i)
	}
}

func without(row map[string]string, columns ...string) {
	for _, column := range columns {
		for _, suffix := range []string{"", "_evidence"} {
			delete(row, column+suffix)
		}
		if column == "loop_ohms" {
			delete(row, "loop_method")
		}
	}
}

// halfProven lists what is often missing.
var halfProven = [][]string{
	{"crash_record", "deployment_code"},
	{"loop_ohms"},
	{"flood", "fire", "belt_in_use_collision"},
	{"connector_keying", "cavities"},
	{"donor_vin"},
	{"label_legible", "pulled_by", "part_number"},
	{"deployment_marks", "damage", "cosmetic_damage"},
	{"stages", "shorting_clip", "pigtail_cut", "connector_interface"},
	{"donor_drive_side", "donor_year", "theft_query_clear", "seller_statement"},
}

// bad lists what rules a part out.
var bad = []func(row map[string]string, g generation, i item){
	set("flood", "yes", paper),
	set("fire", "yes", paper),
	set("belt_in_use_collision", "yes", paper),
	set("deployment_marks", "yes", picture),
	set("crash_record", "yes", scan),
	set("deployment_code", "yes", scan),
	set("pigtail_cut", "yes", picture),
	set("shorting_clip", "no", picture),
	func(row map[string]string, _ generation, _ item) {
		row["connector_keying"] = string(rune('A' + (row["connector_keying"][:1][0]-'A'+1)%4))
	},
	set("connector_interface", "ISO 19072-5", picture),
	set("cavities", "3", picture),
	set("label_legible", "no", photo),
	func(row map[string]string, _ generation, i item) {
		if i.stages > 0 {
			row["stages"] = strconv.Itoa(3 - i.stages)
		}
	},
	func(row map[string]string, _ generation, i item) {
		if i.stages > 0 {
			loop(row, "5.90")
		}
	},
	func(row map[string]string, _ generation, _ item) {
		// one character off: the check digit no longer agrees
		row["donor_vin"] = row["donor_vin"][:16] + string('0'+('9'-row["donor_vin"][16]))
	},
	set("donor_drive_side", "RIGHT", paper),
	set("recall_open", "yes", "shown: query of the notice service@2026-11-20"),
	set("pulled_by", "unknown", claimed),
}

func set(column, value, evidence string) func(map[string]string, generation, item) {
	return func(row map[string]string, _ generation, _ item) {
		row[column], row[column+"_evidence"] = value, evidence
	}
}

// special is a listing that the README's tries and the tests speak of.
type special struct {
	yard yard
	row  map[string]string
}

// specials are donors for the demo's own repair: the passenger's buckle
// pretensioner of a 2006 Tarvena Solane.
func specials(random *rand.Rand) []special {
	solane, buckle := generations[0], items[0]
	named := func(y yard, stock, price string, change func(row map[string]string)) special {
		row := proven(solane, buckle, y, 9000+len(stock)+random.IntN(500), random)
		row["stock_number"], row["price"] = stock, price
		if change != nil {
			change(row)
		}
		return special{y, row}
	}
	split := func(stock, number, built string) special { return splitLap(random, stock, number, built) }
	module := func(stock, number string, change func(row map[string]string)) special {
		return controlModule(random, stock, number, change)
	}
	return []special{
		split("DUNE-1", lateLap, "2005-06-14"),
		split("DUNE-2", earlyLap, "2004-12-03"),
		named(yards[0], "SOLANE-1", "128.00", nil),
		named(yards[1], "SOLANE-2", "84.00", nil),
		named(yards[3], "SOLANE-3", "139.00", func(row map[string]string) {
			row["part_number"], row["donor_year"] = chain[1], "2010"
			row["donor_vin"] = vin(solane, 2010, 9777)
		}),
		named(yards[2], "SOLANE-4", "96.00", func(row map[string]string) {
			row["part_number"], row["donor_year"] = chain[2], "2011"
			row["donor_vin"] = vin(solane, 2011, 9778)
		}),
		named(yards[2], "SOLANE-8", "91.00", func(row map[string]string) {
			row["part_number"], row["donor_year"] = chain[3], "2012"
			row["donor_vin"] = vin(solane, 2012, 9779)
		}),
		named(yards[0], "SOLANE-9", "104.00", func(row map[string]string) {
			row["donor_restraint_text"] = "Driver and passenger air bags, without pretensioners"
		}),
		named(yards[2], "SOLANE-10", "66.00", func(row map[string]string) {
			row["damage"], row["damage_evidence"] = "yes", picture
			row["theft_query_clear"] = "no"
		}),
		named(yards[1], "SOLANE-11", "58.00", func(row map[string]string) {
			without(row, "deployment_code")
			row["donor_codes"], row["donor_codes_evidence"] = "B0051, B0058", scan
		}),
		module("FJORD-1", openModule, nil),
		module("FJORD-2", boundModule, nil),
		module("FJORD-3", "", func(row map[string]string) { row["programmable"], row["programmable_evidence"] = "yes", claimed }),
		named(yards[2], "SOLANE-5", "75.00", func(row map[string]string) { without(row, "part_number", "label_legible") }),
		named(yards[3], "SOLANE-7", "92.00", func(row map[string]string) {
			// Somebody has put a meter on it, against the makers' service texts.
			loop(row, "OL")
			row["loop_method"], row["loop_clip"] = "METER_AT_COMPONENT", "OUT"
			row["pulled_by"], row["pulled_by_evidence"] = "unknown", claimed
			row["cosmetic_damage"] = "yes"
		}),
		named(yards[1], "SOLANE-6", "39.00", func(row map[string]string) {
			row["deployment_marks"], row["deployment_marks_evidence"] = "yes", picture
		}),
	}
}

// splitLap is a lap pretensioner of a car whose part changed within a model year.
func splitLap(random *rand.Rand, stock, number, built string) special {
	dune, lap := generations[7], item{"LAP_PRETENSIONER", "1 RIGHT", "RIGHT", 0, 1, 2, 90, 600}
	row := proven(dune, lap, yards[0], 8000+len(stock)+random.IntN(500), random)
	row["stock_number"], row["part_number"], row["donor_build_date"] = stock, number, built
	row["donor_year"], row["donor_vin"] = "2005", vin(dune, 2005, 8000+random.IntN(500))
	row["connector_interface"], row["connector_keying"] = "ISO 19072-5", "B"
	row["donor_restraint_text"] = "Driver air bag, without pretensioners"
	if number == earlyLap { // of a kind that counts as an explosive
		row["un_number"] = "UN0503"
	}
	return special{yards[0], row}
}

// controlModule is a restraint control module; an empty number leaves its label
// unread.
func controlModule(random *rand.Rand, stock, number string, change func(row map[string]string)) special {
	row := proven(generations[4], item{"CONTROL_MODULE", "1 CENTRE", "CENTRE", 0, 0, 52, 140, 750}, yards[3], 7000+len(stock)+random.IntN(500), random)
	row["stock_number"], row["part_number"] = stock, number
	row["connector_interface"], row["connector_keying"] = "two-bay plug", "A"
	without(row, "shorting_clip")
	if number == "" {
		without(row, "part_number")
	}
	if change != nil {
		change(row)
	}
	return special{yards[3], row}
}

// weights and the transliteration are those of 49 CFR 565.15.
const (
	letters = "ABCDEFGHJKLMNPRSTUVWXYZ"
	values  = "12345678123457923456789"
)

var weights = [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// vin makes a VIN with a right check digit for a maker that does not exist.
func vin(g generation, year, serial int) string {
	seventh := "4"
	if year >= 2010 {
		seventh = "D"
	}
	codes := "ABCDEFGHJKLMNPRSTVWXY123456789"
	text := fmt.Sprintf("5Z%s%s%sB%sK0%cA%06d", g.vehicleMake[:1], g.model[:1], upper(g.body), seventh, codes[(year-1980)%30], serial)
	text = strings.NewReplacer("O", "X", "I", "J", "Q", "R").Replace(text)
	sum := 0
	for n, c := range text {
		value := int(c - '0')
		if at := strings.IndexRune(letters, c); at >= 0 {
			value = int(values[at] - '0')
		}
		sum += value * weights[n]
	}
	digit := "0123456789X"[sum%11]
	return text[:8] + string(digit) + text[9:]
}

func upper(word string) string { return strings.ToUpper(word[:1]) }
