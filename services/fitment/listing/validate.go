package listing

import (
	"fmt"
	"regexp"
	"strconv"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/vin"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/transport"
)

// Limits on what a listing may say.
const (
	// MaxEvidence bounds the statements of one listing.
	MaxEvidence = 64
	maxName     = 100
	maxCodes    = 800 // 64 codes with failure and status byte
	maxNote     = 2000
	maxCostNote = 1000
	maxRow      = 9
	maxVIN      = 17
	maxCavities = 64
	maxStages   = 8
	maxDays     = 365
	maxWarranty = 3650
	maxGrams    = 1_000_000
	maxOhms     = 1e9
	fullPercent = 10_000
	firstYear   = 1980
	lastYear    = 2039
)

var (
	marketShape       = regexp.MustCompile(`^[A-Z]{2}$`)
	jurisdictionShape = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)
	vinShape          = regexp.MustCompile(`^[A-Za-z0-9]*$`)
)

// Validate notes everything in a listing that cannot be right. Field names are
// preceded by prefix ("listing."). Output-only fields are not looked at. That a
// statement is possible does not make it true, or proof of anything: rules
// judge that.
func Validate(l *fitmentv1.Listing, prefix string, fields *check.Fields) {
	validateIdentity(l, prefix, fields)
	ValidateInline(l, prefix, fields)
}

// ValidateInline is Validate for a listing that is only to be decided: it needs
// no stock number, currency or even kind, since an empty listing is a fair
// question, whose answer is that nothing is proven.
func ValidateInline(l *fitmentv1.Listing, prefix string, fields *check.Fields) {
	validatePart(l, prefix, fields)
	validateVehicle(l.GetDonor(), prefix+"donor.", fields)
	if n := len(l.GetEvidence()); n > MaxEvidence {
		fields.Add(prefix+"evidence", fmt.Sprintf("has %d statements", n), fmt.Sprintf("at most %d", MaxEvidence))
	} else {
		for i, e := range l.GetEvidence() {
			validateEvidence(e, l.GetYard(), fmt.Sprintf("%sevidence[%d].", prefix, i), fields)
		}
	}
	validateBargain(l, prefix, fields)
	if l.GetReturnReport() != nil {
		ValidateReport(l.GetReturnReport(), prefix+"return_report.", fields)
	}
	fields.Text(prefix+"note", l.GetNote(), maxNote, false)
	fields.Int(prefix+"cost_note.cost", l.GetCostNote().GetCost(), 0, amount.Max)
	fields.Text(prefix+"cost_note.note", l.GetCostNote().GetNote(), maxCostNote, false)
}

// ValidateDays notes statements that are dated later than now: what nobody can
// have established yet proves nothing. A day's grace covers the time zones.
func ValidateDays(l *fitmentv1.Listing, prefix string, now time.Time, fields *check.Fields) {
	last := now.UTC().AddDate(0, 0, 1).Format(time.DateOnly)
	for i, e := range l.GetEvidence() {
		if e.GetDate() > last { // days compare as text
			fields.Add(fmt.Sprintf("%sevidence[%d].date", prefix, i), e.GetDate()+" lies in the future",
				"the day on which it was established")
		}
	}
}

func validateIdentity(l *fitmentv1.Listing, prefix string, fields *check.Fields) {
	if l.GetYard() != "" && !identity.ValidTenant(l.GetYard()) {
		fields.Add(prefix+"yard", strconv.Quote(l.GetYard())+" is no business's id", "1 to 32 of a-z, 0-9 and -")
	}
	if !stockShape.MatchString(l.GetStockNumber()) {
		fields.Add(prefix+"stock_number", strconv.Quote(l.GetStockNumber())+" is no stock number", "1 to 40 of A-Z, a-z, 0-9, _ and -")
	}
	if l.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add(prefix+"kind", "is missing", "a kind of part, such as BUCKLE_PRETENSIONER")
	}
	if l.GetCurrencyCode() == "" {
		fields.Add(prefix+"currency_code", "is missing", "an ISO 4217 code such as USD")
	}
}

func validatePart(l *fitmentv1.Listing, prefix string, fields *check.Fields) {
	if _, known := fitmentv1.Part_Kind_name[int32(l.GetKind())]; !known {
		fields.Add(prefix+"kind", fmt.Sprintf("%d is no kind", l.GetKind()), "a kind of part, such as BUCKLE_PRETENSIONER")
	}
	validatePosition(l.GetPosition(), prefix+"position.", fields)
	fields.Text(prefix+"part_maker", l.GetPartMaker(), maxName, false)
	validateNumber(l.GetPartNumber(), prefix+"part_number", fields)
}

func validatePosition(p *fitmentv1.Position, prefix string, fields *check.Fields) {
	fields.Int(prefix+"row", int64(p.GetRow()), 0, maxRow)
	if _, known := fitmentv1.Position_Side_name[int32(p.GetSide())]; !known {
		fields.Add(prefix+"side", fmt.Sprintf("%d is no side", p.GetSide()), "LEFT, RIGHT or CENTRE")
	}
}

func validateNumber(number, field string, fields *check.Fields) {
	if number == "" {
		return
	}
	fields.Text(field, number, maxName, false)
	if _, err := catalogue.NumberKey(number); err != nil {
		fields.Add(field, err.Error(), "letters A to Z and digits, with spaces, dots, dashes or slashes between")
	}
}

func validateVehicle(v *fitmentv1.Vehicle, prefix string, fields *check.Fields) {
	validateVIN(v.GetVin(), prefix+"vin", fields)
	fields.Text(prefix+"make", v.GetMake(), maxName, false)
	fields.Text(prefix+"model", v.GetModel(), maxName, false)
	if v.GetModelYear() != 0 {
		fields.Int(prefix+"model_year", int64(v.GetModelYear()), firstYear, lastYear)
	}
	fields.Date(prefix+"build_date", v.GetBuildDate())
	fields.Text(prefix+"body", v.GetBody(), maxName, false)
	if _, known := fitmentv1.Vehicle_DriveSide_name[int32(v.GetDriveSide())]; !known {
		fields.Add(prefix+"drive_side", fmt.Sprintf("%d is no side", v.GetDriveSide()), "LEFT or RIGHT")
	}
	if v.GetMarket() != "" && !marketShape.MatchString(v.GetMarket()) {
		fields.Add(prefix+"market", strconv.Quote(v.GetMarket())+" is no market", "an ISO 3166-1 alpha-2 code such as US")
	}
	fields.Text(prefix+"series", v.GetSeries(), maxName, false)
	fields.Text(prefix+"plant", v.GetPlant(), maxName, false)
	vin.ValidateFiled(v, prefix, fields)
	if _, known := fitmentv1.Vehicle_VehicleClass_name[int32(v.GetVehicleClass())]; !known {
		fields.Add(prefix+"vehicle_class", fmt.Sprintf("%d is no class", v.GetVehicleClass()), "a class such as PASSENGER_CAR")
	}
}

// validateVIN refuses only what no VIN looks like. Whether it is a right one is
// a question of provenance, which a rule answers.
func validateVIN(number, field string, fields *check.Fields) {
	if len(number) > maxVIN || !vinShape.MatchString(number) {
		fields.Add(field, "is no VIN", "at most 17 letters and digits")
	}
}

func validateBargain(l *fitmentv1.Listing, prefix string, fields *check.Fields) {
	if l.GetCurrencyCode() != "" && !amount.Known(l.GetCurrencyCode()) {
		fields.Add(prefix+"currency_code", strconv.Quote(l.GetCurrencyCode())+" is no currency", "an active ISO 4217 code such as USD")
	}
	fields.Int(prefix+"price", l.GetPrice(), 0, amount.Max)
	t := l.GetTerms()
	fields.Int(prefix+"terms.freight", t.GetFreight(), 0, amount.Max)
	fields.Int(prefix+"terms.handling", t.GetHandling(), 0, amount.Max)
	fields.Int(prefix+"terms.return_freight", t.GetReturnFreight(), 0, amount.Max)
	fields.Int(prefix+"terms.core_deposit", t.GetCoreDeposit(), 0, amount.Max)
	fields.Int(prefix+"terms.restocking_basis_points", int64(t.GetRestockingBasisPoints()), 0, fullPercent)
	fields.Int(prefix+"terms.days", int64(t.GetDays()), 0, maxDays)
	fields.Int(prefix+"terms.warranty_days", int64(t.GetWarrantyDays()), 0, maxWarranty)
	validateCarriage(t, prefix+"terms.", fields)
	if l.GetJurisdiction() != "" && !jurisdictionShape.MatchString(l.GetJurisdiction()) {
		fields.Add(prefix+"jurisdiction", strconv.Quote(l.GetJurisdiction())+" is no jurisdiction", "an ISO 3166-2 code such as US-WA")
	}
}

// validateCarriage is about what a part's way to the buyer takes, and the old part's
// way back.
func validateCarriage(t *fitmentv1.Terms, prefix string, fields *check.Fields) {
	fields.Int(prefix+"freight_per_kilogram", t.GetFreightPerKilogram(), 0, amount.Max)
	fields.Int(prefix+"weight_grams", t.GetWeightGrams(), 0, maxGrams)
	if number := t.GetUnNumber(); number != "" && number != transport.UN3268 && number != transport.UN0503 {
		fields.Add(prefix+"un_number", strconv.Quote(number)+" is none that such a part has", transport.ExpectedUN)
	}
	fields.Int(prefix+"core_days", int64(t.GetCoreDays()), 0, maxDays)
	fields.Int(prefix+"core_return_freight", t.GetCoreReturnFreight(), 0, amount.Max)
}

func knownKind(kind fitmentv1.Part_Kind) bool {
	_, known := fitmentv1.Part_Kind_name[int32(kind)]
	return known && kind != fitmentv1.Part_KIND_UNSPECIFIED
}
