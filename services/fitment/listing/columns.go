package listing

import (
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/imports"
)

// Columns that several places speak of.
const (
	colKind                  = "kind"
	colSide                  = "side"
	colRow                   = "row"
	colStockNumber           = "stock_number"
	colPartMaker             = "part_maker"
	colPartNumber            = "part_number"
	colLoopOhms              = "loop_ohms"
	colLoop2Ohms             = "loop_2_ohms"
	colLoopStage             = "loop_stage"
	colLoopMethod            = "loop_method"
	colLoopClip              = "loop_clip"
	colLoopLeadOhms          = "loop_lead_ohms"
	colLoopMeterPercent      = "loop_meter_percent"
	colLoopMeterCounts       = "loop_meter_counts"
	colLoopMeterResolution   = "loop_meter_resolution"
	colLoopDisplayLimit      = "loop_display_limit"
	colLoopBatteryOffMinutes = "loop_battery_off_minutes"
	colPrice                 = "price"
	colCurrency              = "currency"
	colJurisdiction          = "jurisdiction"
	colNote                  = "note"
	colCost                  = "cost"
	colCostNote              = "cost_note"
	colFreightPerKilogram    = "freight_per_kilogram"
	colWeightGrams           = "weight_grams"
	colUNNumber              = "un_number"
	colInComponent           = "in_component"
	colCoreDays              = "core_days"
	colCoreReturnFreight     = "core_return_freight"
)

// evidenceSuffix makes the name of the column that says how another is known.
const evidenceSuffix = "_evidence"

// statement is a column that becomes evidence.
type statement struct {
	column    string
	attribute fitmentv1.Evidence_Attribute
	// fills tells that the column fills a field of the listing's own too; such a
	// column makes evidence only where its evidence column says how it is known.
	fills bool
	// support is the evidence column; normally column + "_evidence".
	support string
	help    string
}

// statements lists the columns that become evidence, in the order in which they
// stand in the stored listing.
var statements = []statement{
	{column: colPartNumber, attribute: fitmentv1.Evidence_PART_NUMBER, fills: true, help: "part number as read from the label"},
	{column: colPartMaker, attribute: fitmentv1.Evidence_PART_MAKER, fills: true, help: "maker of the part, as on its label"},
	{column: colKind, attribute: fitmentv1.Evidence_PART_KIND, fills: true, help: "kind of part in words, such as buckle pretensioner"},
	{column: colSide, attribute: fitmentv1.Evidence_PART_POSITION, fills: true, support: "position_evidence", help: "left, right or centre, as seated"},
	{column: "donor_drive_side", attribute: fitmentv1.Evidence_DONOR_DRIVE_SIDE, fills: true, help: "side of the donor's steering wheel: left or right"},
	{column: "donor_year", attribute: fitmentv1.Evidence_DONOR_MODEL_YEAR, fills: true, help: "donor's model year"},
	{column: "donor_vin", attribute: fitmentv1.Evidence_DONOR_VIN, fills: true, help: "donor's vehicle identification number"},
	{column: "connector_interface", attribute: fitmentv1.Evidence_CONNECTOR_INTERFACE, help: "connection interface, as the part's maker or ISO 19072 names it"},
	{column: "connector_keying", attribute: fitmentv1.Evidence_CONNECTOR_KEYING, help: "keying of the connector's housing"},
	{column: "cavities", attribute: fitmentv1.Evidence_CONNECTOR_CAVITIES, help: "number of cavities in the connector"},
	{column: "shorting_clip", attribute: fitmentv1.Evidence_SHORTING_CLIP_PRESENT, help: "shorting clip present and whole: yes or no"},
	{column: "pigtail_cut", attribute: fitmentv1.Evidence_PIGTAIL_CUT, help: "pigtail or harness cut: yes or no"},
	{column: "stages", attribute: fitmentv1.Evidence_STAGES, help: "number of stages (squibs)"},
	{column: colLoopOhms, attribute: fitmentv1.Evidence_LOOP_RESISTANCE, help: "loop resistance shown, in ohms, or OL for over-range"},
	{column: colLoop2Ohms, attribute: fitmentv1.Evidence_LOOP_RESISTANCE, help: "loop resistance of stage 2, read as loop_ohms was, which is then of stage 1"},
	{column: "deployment_marks", attribute: fitmentv1.Evidence_DEPLOYMENT_MARKS, help: "visible signs of deployment: yes or no"},
	{column: "crash_record", attribute: fitmentv1.Evidence_CRASH_RECORD, help: "donor's module stores a deployment or crash record: yes or no"},
	{column: "deployment_code", attribute: fitmentv1.Evidence_DEPLOYMENT_CODE, help: "donor's codes include one that means deployment commanded: yes or no"},
	{column: "belt_in_use_collision", attribute: fitmentv1.Evidence_BELT_IN_USE_COLLISION, help: "the belt was in use in a collision of the donor: yes or no"},
	{column: "flood", attribute: fitmentv1.Evidence_FLOOD, help: "the donor stood in a flood: yes or no"},
	{column: "fire", attribute: fitmentv1.Evidence_FIRE, help: "the donor was in a fire: yes or no"},
	{column: "recall_open", attribute: fitmentv1.Evidence_RECALL_OPEN, help: "a dated query of the donor's VIN found an open recall: yes or no"},
	{column: "recall_remedied", attribute: fitmentv1.Evidence_RECALL_REMEDIED, help: "the recall that covers this part was remedied before removal: yes or no"},
	{column: "label_legible", attribute: fitmentv1.Evidence_LABEL_LEGIBLE, help: "the part's label is legible in a photo: yes or no"},
	{column: "pulled_by", attribute: fitmentv1.Evidence_PULLED_BY, help: "name or number of who pulled the part"},
	{column: "donor_codes", attribute: fitmentv1.Evidence_DONOR_CODES, help: "the donor's restraint codes as read, separated by commas, or none"},
	{column: "damage", attribute: fitmentv1.Evidence_DAMAGE, help: "a cut, crack, bend, fraying, melted or corroded place: yes or no"},
	{column: "cosmetic_damage", attribute: fitmentv1.Evidence_COSMETIC_DAMAGE, help: "fading, scratches and the like: yes or no"},
	{column: "programmable", attribute: fitmentv1.Evidence_PROGRAMMABLE, help: "a control module that can be set up for another vehicle: yes or no"},
	{column: "theft_query_clear", attribute: fitmentv1.Evidence_THEFT_QUERY_CLEAR, help: "a dated query of the theft bureau by part number and donor VIN found nothing: yes or no"},
	{column: "seller_statement", attribute: fitmentv1.Evidence_SELLER_STATEMENT, help: "the seller's signed statement about part and donor is on hand: yes or no"},
	{column: "manufactured", attribute: fitmentv1.Evidence_MANUFACTURED, help: "when the part was made, by its label: 2006, 2006-03 or 2006-03-14"},
}

func (s statement) supportColumn() string {
	if s.support != "" {
		return s.support
	}
	return s.column + evidenceSuffix
}

// supportHelp documents every evidence column.
const supportHelp = "how the value is known: claimed, shown: what shows it, or confirmed: how by whom; " +
	"optionally with the day, as in shown: label photo @2026-10-02"

// plainColumns are the columns that become no evidence.
var plainColumns = []imports.Column{
	{Name: colStockNumber, Required: true, Help: "the yard's own number for the part: 1 to 40 letters, digits, _ or -"},
	{Name: colRow, Help: "row of seats, 1 is the front"},
	{Name: "donor_make", Help: "donor's make"},
	{Name: "donor_model", Help: "donor's model"},
	{Name: "donor_build_date", Help: "donor's date of build, YYYY-MM-DD"},
	{Name: "donor_body", Help: "donor's body in words, such as coupe"},
	{Name: "donor_restraint_text", Help: "what the maker filed about the donor's restraints, in free text"},
	{Name: "donor_market", Help: "market the donor was built for, an ISO 3166-1 alpha-2 code"},
	{Name: colLoopStage, Help: "stage that loop_ohms is of, 1 to 8; empty where not known, or beside loop_2_ohms"},
	{Name: colLoopMethod, Help: "module reported, substitute load, meter at component or meter at harness"},
	{Name: colLoopClip, Help: "shorting clip during the reading: out, in or unknown"},
	{Name: colLoopLeadOhms, Help: "ohms shown with the leads touched together; empty where the meter was nulled"},
	{Name: colLoopMeterPercent, Help: "meter's accuracy, percentage of the reading"},
	{Name: colLoopMeterCounts, Help: "meter's accuracy, counts of the last digit"},
	{Name: colLoopMeterResolution, Help: "one count of the meter's last digit, in ohms"},
	{Name: colLoopDisplayLimit, Help: "upper end of the module's display in ohms, where its value is clipped"},
	{Name: colLoopBatteryOffMinutes, Help: "minutes between disconnecting the battery and the reading"},
	{Name: colPrice, Required: true, Help: "price, a plain amount such as 180.00"},
	{Name: colCurrency, Required: true, Help: "currency of price and terms, ISO 4217"},
	{Name: "freight", Help: "freight to the buyer"},
	{Name: "handling", Help: "handling of hazardous goods"},
	{Name: "return_freight", Help: "freight of a return, paid by the buyer"},
	{Name: "restocking_percent", Help: "restocking charge, percentage of the price with at most two decimals"},
	{Name: "days", Help: "days from order to arrival"},
	{Name: "warranty_days", Help: "days of warranty"},
	{Name: "core_deposit", Help: "deposit on the old part"},
	{Name: colCoreDays, Help: "days after arrival within which the old part must be back for its deposit"},
	{Name: colCoreReturnFreight, Help: "lawful freight of sending the old part back"},
	{Name: colFreightPerKilogram, Help: "freight of each kilogram or part of one, on top of freight"},
	{Name: colWeightGrams, Help: "weight packed, in grams, at most 1000000"},
	{Name: colUNNumber, Help: "UN number that it is shipped under, UN3268 or UN0503; empty where not known"},
	{Name: colInComponent, Help: "shipped inside a completed component, such as a seat: yes or no"},
	{Name: colJurisdiction, Help: "jurisdiction the yard stands in, an ISO 3166-2 code such as US-WA"},
	{Name: colNote, Help: "remarks shown to buyers"},
	{Name: colCost, Help: "what the part cost the yard, a plain amount such as 40.00; shown to the yard alone; with cost_note empty too, what is stored stays"},
	{Name: colCostNote, Help: "remarks on the cost, shown to the yard alone"},
}

// Columns are all columns of a file of listings.
func Columns() []imports.Column {
	columns := make([]imports.Column, 0, len(plainColumns)+2*len(statements))
	columns = append(columns, plainColumns...)
	for _, s := range statements {
		columns = append(columns,
			imports.Column{Name: s.column, Required: s.column == colKind, Help: s.help},
			imports.Column{Name: s.supportColumn(), Help: supportHelp})
	}
	return columns
}

// columnOf gives the column that fills a field of the listing.
var columnOf = map[string]string{
	"yard": colStockNumber, "stock_number": colStockNumber, "kind": colKind, "position.row": colRow, "position.side": colSide,
	"part_maker": colPartMaker, "part_number": colPartNumber, "donor.vin": "donor_vin", "donor.make": "donor_make",
	"donor.model": "donor_model", "donor.model_year": "donor_year", "donor.build_date": "donor_build_date",
	"donor.body": "donor_body", "donor.drive_side": "donor_drive_side", "donor.market": "donor_market", "donor.restraint_text": "donor_restraint_text",
	"currency_code": colCurrency, "price": colPrice, "terms.freight": "freight", "terms.handling": "handling",
	"terms.return_freight": "return_freight", "terms.core_deposit": "core_deposit", "terms.days": "days",
	"terms.restocking_basis_points": "restocking_percent", "terms.warranty_days": "warranty_days",
	"terms.freight_per_kilogram": colFreightPerKilogram, "terms.weight_grams": colWeightGrams, "terms.un_number": colUNNumber,
	"terms.core_days": colCoreDays, "terms.core_return_freight": colCoreReturnFreight,
	"jurisdiction": colJurisdiction, "note": colNote, "cost_note.cost": colCost, "cost_note.note": colCostNote, "evidence": colStockNumber,
}

// readingColumnOf gives the column that fills a field of the loop's reading.
var readingColumnOf = map[string]string{
	"method": colLoopMethod, "shorting_clip": colLoopClip,
	"lead_ohms": colLoopLeadOhms, "meter.percent_of_reading": colLoopMeterPercent, "meter.counts": colLoopMeterCounts,
	"meter.resolution_ohms": colLoopMeterResolution, "display_limit_ohms": colLoopDisplayLimit,
	"battery_off_minutes": colLoopBatteryOffMinutes, "stage": colLoopStage, "kind": colKind, "position.row": colRow, "position.side": colSide,
}
