// Package offers reads suppliers' price lists of remanufactured and new parts.
package offers

import (
	"errors"
	"fmt"
	"regexp"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/platform/partnumber"
	"beltwright.example/services/platform/transport"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// Kind is the kind of record that an offer is stored as, under the tenant whose
// price list it is.
const Kind = "offer"

// MaxDays bounds the days from order to arrival.
const MaxDays = 3650

const (
	maxGrams    = 1_000_000
	maxCoreDays = 365
)

// Prefix opens the resource name of every offer.
const Prefix = "offers/"

var itemNumber = regexp.MustCompile(`^[A-Za-z0-9_-]{1,40}$`)

// Target reads a price list, a row an offer. Amounts are plain decimal numbers
// in the row's currency ("180.00"), an empty one being 0.
func Target() imports.Target {
	return imports.Target{Columns: columns(), Map: mapRow}
}

func columns() []imports.Column {
	return []imports.Column{
		{Name: "supplier", Required: true, Help: "who sells it"},
		{Name: "item_number", Required: true, Help: "the supplier's own number: 1 to 40 letters, digits, hyphens and underscores"},
		{Name: "condition", Required: true, Help: "new or remanufactured"},
		{Name: "part_maker", Required: true, Help: "who makes the part"},
		{Name: "part_number", Required: true, Help: "the maker's part number"},
		{Name: "kind", Required: true, Help: "kind of part, in words: buckle pretensioner, driver air bag, clock spring, …"},
		{Name: "currency", Required: true, Help: "ISO 4217 code of every amount in the row, such as USD"},
		{Name: "price", Required: true, Help: "price, a decimal number such as 180.00"},
		{Name: "core_deposit", Help: "deposit on the old part"},
		{Name: "freight", Help: "freight to the buyer"},
		{Name: "handling", Help: "handling of hazardous goods"},
		{Name: "return_freight", Help: "freight of a return"},
		{Name: "restocking_percent", Help: "restocking charge in percent of the price, 0 to 100 with at most two decimals"},
		{Name: "days", Required: true, Help: "days from order to arrival, a whole number"},
		{Name: "available", Help: "yes, or no where the supplier cannot deliver; empty is yes"},
		{Name: "valid_until", Help: "last day on which the price holds, YYYY-MM-DD; empty is no end"},
		{Name: "freight_per_kilogram", Help: "freight of each kilogram or part of one, on top of freight"},
		{Name: "weight_grams", Help: "weight packed, in grams, at most 1000000"},
		{Name: "un_number", Help: "UN number that it is shipped under, UN3268 or UN0503; empty where not known"},
		{Name: "in_component", Help: "shipped inside a completed component, such as a seat: yes or no; empty is no"},
		{Name: "core_days", Help: "days after arrival within which the old part must be back for its deposit; empty where not stated"},
		{Name: "core_return_freight", Help: "lawful freight of sending the old part back"},
		{Name: "warranty_days", Help: "days of warranty; empty is none"},
	}
}

// mapRow turns a row into the record of an offer.
func mapRow(row imports.Row, owner string, fields *check.Fields) (imports.Item, bool) {
	before := len(fields.Violations())
	offer := &quotev1.Offer{
		Supplier:   row.Text("supplier"),
		ItemNumber: row.Text("item_number"),
		Condition:  condition(row, fields),
		PartMaker:  row.Text("part_maker"),
		PartNumber: row.Text("part_number"),
		Kind:       partKind(row, fields),
		Available:  available(row, fields),
		ValidUntil: row.Text("valid_until"),
	}
	money(row, offer, fields)
	carriage(row, offer, fields)
	offer.Days = number[int32](row, "days", MaxDays, fields)
	offer.WarrantyDays = number[int32](row, "warranty_days", MaxDays, fields)
	if !row.Has("days") {
		fields.Add("days", "is missing", "days from order to arrival, such as 4")
	}
	fields.Date("valid_until", offer.GetValidUntil())
	id := identity(offer, fields)
	if len(fields.Violations()) > before {
		return imports.Item{}, false
	}
	return imports.Item{
		Key:   store.Key{Tenant: owner, Kind: Kind, ID: id},
		Name:  Prefix + id,
		Merge: func(old []byte) ([]byte, bool, error) { return merge(old, offer) },
	}, true
}

// identity checks what names the offer and its part and returns the offer's id.
func identity(offer *quotev1.Offer, fields *check.Fields) string {
	fields.Text("supplier", offer.GetSupplier(), 80, true)
	slug, err := quote.Slug(offer.GetSupplier())
	if err != nil && offer.GetSupplier() != "" {
		fields.Add("supplier", err.Error(), "a name of 1 to 32 letters A–Z (no accents) and digits, words apart by spaces")
	}
	if !itemNumber.MatchString(offer.GetItemNumber()) {
		fields.Add("item_number", fmt.Sprintf("%.60q is no item number", offer.GetItemNumber()),
			"1 to 40 letters A–Z, digits, hyphens and underscores")
	}
	fields.Text("part_maker", offer.GetPartMaker(), 80, true)
	fields.Text("part_number", offer.GetPartNumber(), 80, true)
	if _, err := partnumber.Key(offer.GetPartNumber()); err != nil && offer.GetPartNumber() != "" {
		fields.Add("part_number", fmt.Sprintf("%.60q is no part number", offer.GetPartNumber()), "1 to 40 letters A–Z and digits; spaces, full stops, hyphens and slashes do not count")
	}
	return slug + "." + offer.GetItemNumber()
}

// money reads the row's currency and amounts.
func money(row imports.Row, offer *quotev1.Offer, fields *check.Fields) {
	offer.CurrencyCode = row.Text("currency")
	if !amount.Known(offer.GetCurrencyCode()) {
		fields.Add("currency", fmt.Sprintf("%.60q is no currency in use", offer.GetCurrencyCode()), "an active code of ISO 4217, such as USD")
		return // how many decimals an amount may have depends on it
	}
	read := func(column string) int64 {
		if !row.Has(column) {
			return 0
		}
		value, err := amount.Parse(row.Text(column), offer.GetCurrencyCode())
		if err != nil {
			fields.Add(column, fmt.Sprintf("%.80s", err.Error()), "an amount such as "+amount.Format(18000, offer.GetCurrencyCode()))
		}
		return value
	}
	if !row.Has("price") {
		fields.Add("price", "is missing", "an amount such as "+amount.Format(18000, offer.GetCurrencyCode()))
	}
	offer.Price = read("price")
	offer.CoreDeposit = read("core_deposit")
	offer.Freight = read("freight")
	offer.Handling = read("handling")
	offer.ReturnFreight = read("return_freight")
	offer.FreightPerKilogram = read("freight_per_kilogram")
	offer.CoreReturnFreight = read("core_return_freight")
	offer.RestockingBasisPoints = restocking(row, fields)
}

// carriage reads what a part's way to the buyer takes, and the old part's way back.
func carriage(row imports.Row, offer *quotev1.Offer, fields *check.Fields) {
	offer.WeightGrams = number[int64](row, "weight_grams", maxGrams, fields)
	offer.CoreDays = number[int32](row, "core_days", maxCoreDays, fields)
	offer.InComponent, _ = row.YesNo("in_component", fields)
	un, ok := transport.ReadUN(row.Text("un_number"))
	if !ok {
		fields.Add("un_number", fmt.Sprintf("%.60q is none that such a part has", row.Text("un_number")), transport.ExpectedUN)
	}
	offer.UnNumber = un
}

// number reads a whole number from 0 to most, 0 where the cell is empty.
func number[N int32 | int64](row imports.Row, column string, most int64, fields *check.Fields) N {
	value := row.Int(column, fields)
	fields.Int(column, value, 0, most)
	return N(value)
}

// restocking reads a percentage into hundredths of a percent.
func restocking(row imports.Row, fields *check.Fields) int32 {
	const column = "restocking_percent"
	if !row.Has(column) {
		return 0
	}
	points, err := amount.Scaled(row.Text(column), 2, 100_00)
	if err != nil {
		fields.Add(column, fmt.Sprintf("%.80s", err.Error()), "0 to 100 with at most two decimals, such as 20")
	}
	return int32(points)
}

func condition(row imports.Row, fields *check.Fields) quotev1.Offer_Condition {
	switch text := row.Text("condition"); strings.ToLower(text) {
	case "new":
		return quotev1.Offer_NEW
	case "remanufactured":
		return quotev1.Offer_REMANUFACTURED
	default:
		fields.Add("condition", fmt.Sprintf("%.60q is no condition of a supplier's part", text), "new or remanufactured")
		return quotev1.Offer_CONDITION_UNSPECIFIED
	}
}

func partKind(row imports.Row, fields *check.Fields) fitmentv1.Part_Kind {
	text := row.Text("kind")
	words := strings.FieldsFunc(strings.ToUpper(text), func(r rune) bool { return r == ' ' || r == '_' || r == '-' })
	kind := fitmentv1.Part_Kind(fitmentv1.Part_Kind_value[strings.Join(words, "_")])
	if kind == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add("kind", fmt.Sprintf("%.60q is no kind of part", text), "one of "+strings.Join(kinds(), ", "))
	}
	return kind
}

// kinds lists the kinds in words, in the order of the wire contract.
func kinds() []string {
	values := fitmentv1.Part_KIND_UNSPECIFIED.Descriptor().Values()
	words := make([]string, 0, values.Len())
	for i := range values.Len() {
		if value := values.Get(i); value.Number() != 0 {
			words = append(words, strings.ToLower(strings.ReplaceAll(string(value.Name()), "_", " ")))
		}
	}
	return words
}

func available(row imports.Row, fields *check.Fields) bool {
	yes, stated := row.YesNo("available", fields)
	return yes || !stated
}

// merge makes the stored value; an offer replaces the one of the same name.
func merge(old []byte, offer *quotev1.Offer) (value []byte, unchanged bool, err error) {
	if old != nil {
		stored := &quotev1.Offer{}
		if err := proto.Unmarshal(old, stored); err != nil {
			return nil, false, errors.New("the stored offer cannot be read")
		}
		if proto.Equal(stored, offer) {
			return old, true, nil
		}
	}
	value, err = proto.MarshalOptions{Deterministic: true}.Marshal(offer)
	if err != nil {
		return nil, false, fmt.Errorf("store offer: %w", err)
	}
	return value, false, nil
}
