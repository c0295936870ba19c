package listing

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/platform/transport"
)

// Target reads files of listings; the owner is the yard. An existing listing
// keeps its state, hold, buyer and time of listing; a row that says what the
// listing says already changes nothing. A row without a cost leaves the one that is
// stored: files are often made by and for others than those who know it. Now is asked for every row; it is the time
// of the change and the time at which the listing is held or not, so it must be
// the time that holds go by.
func Target(now func() (time.Time, error)) imports.Target {
	return imports.Target{
		Columns: Columns(),
		Map: func(row imports.Row, owner string, fields *check.Fields) (imports.Item, bool) {
			said := FromRow(row, owner, fields)
			if !fields.OK() {
				return imports.Item{}, false
			}
			return imports.Item{
				Key:  Key(said.GetYard(), said.GetStockNumber()),
				Name: said.GetName(),
				Merge: func(old []byte) ([]byte, bool, error) {
					at, err := now()
					if err != nil {
						return nil, false, err
					}
					return merge(old, said, at)
				},
			}, true
		},
	}
}

func merge(old []byte, said *fitmentv1.Listing, now time.Time) (value []byte, unchanged bool, err error) {
	if problem := future(said, now); problem != nil {
		return nil, false, problem
	}
	next := New(said, now)
	if old != nil {
		stored, err := Decode(old)
		if err != nil {
			return nil, false, err
		}
		said = KeepCost(keepAttached(said, stored), stored)
		if n := len(said.GetEvidence()); n > MaxEvidence {
			return nil, false, &imports.Problem{
				Field: colStockNumber, Text: fmt.Sprintf("has %d statements with those that name photos, which a file cannot take back", n),
				Expected: fmt.Sprintf("at most %d together; update the listing itself", MaxEvidence),
			}
		}
		revised, changed, err := Revise(stored, said, now)
		if err != nil {
			return nil, false, &imports.Problem{
				Field: colStockNumber, Text: status.Convert(err).Message(),
				Expected: "rows only for listings on sale; what is held keeps its part, evidence, price and terms, but may get more evidence",
			}
		}
		if !changed {
			return old, true, nil
		}
		next = revised
	}
	value, err = Encode(next)
	return value, false, err
}

// future names the first column whose statement is dated later than now.
func future(said *fitmentv1.Listing, now time.Time) error {
	var fields check.Fields
	ValidateDays(said, "", now, &fields)
	if fields.OK() {
		return nil
	}
	first := fields.Violations()[0]
	for i, e := range said.GetEvidence() {
		if first.Field == fmt.Sprintf("evidence[%d].date", i) {
			for _, s := range statements {
				if s.attribute == e.GetAttribute() {
					return &imports.Problem{Field: s.supportColumn(), Text: first.Problem, Expected: first.Expected}
				}
			}
		}
	}
	return &imports.Problem{Field: colStockNumber, Text: first.Problem, Expected: first.Expected}
}

// FromRow reads a row as what the yard says about one part. Everything wrong is
// noted under the name of its column.
func FromRow(row imports.Row, yard string, fields *check.Fields) *fitmentv1.Listing {
	r := &reader{row: row, fields: fields}
	l := &fitmentv1.Listing{
		Yard: yard, StockNumber: row.Text(colStockNumber),
		Kind:         fitmentv1.Part_Kind(r.enum(colKind, fitmentv1.Part_Kind_value, fitmentv1.Part_Kind_name)),
		Position:     r.position(),
		PartMaker:    row.Text(colPartMaker),
		PartNumber:   row.Text(colPartNumber),
		Donor:        r.donor(),
		CurrencyCode: strings.ToUpper(row.Text(colCurrency)),
		Jurisdiction: strings.ToUpper(row.Text(colJurisdiction)),
		Note:         row.Text(colNote),
	}
	l.Name = Name(l.GetYard(), l.GetStockNumber())
	l.Price = r.money(colPrice, l.GetCurrencyCode())
	if !row.Has(colPrice) {
		fields.Add(colPrice, "is missing", "a plain amount such as 180.00")
	}
	l.Terms = r.terms(l.GetCurrencyCode())
	l.CostNote = r.cost(l.GetCurrencyCode())
	columns := r.evidence(l)
	r.judge(l, columns)
	return l
}

// reader reads one row.
type reader struct {
	row    imports.Row
	fields *check.Fields
}

func (r *reader) enum(column string, values map[string]int32, names map[int32]string) int32 {
	text := r.row.Text(column)
	if text == "" {
		return 0
	}
	value, expected, ok := lookUp(text, values, names)
	if !ok {
		r.fields.Add(column, strconv.Quote(text)+" is not known", expected)
	}
	return value
}

func (r *reader) small(column string) int32 {
	value := r.row.Int(column, r.fields)
	if value < 0 || value > 1<<30 {
		r.fields.Add(column, strconv.FormatInt(value, 10)+" is out of range", "a small whole number")
		return 0
	}
	return int32(value)
}

func (r *reader) position() *fitmentv1.Position {
	text := r.row.Text(colSide)
	if strings.EqualFold(text, "center") {
		text = "centre"
	}
	p := &fitmentv1.Position{Row: r.small(colRow)}
	if text != "" {
		value, expected, ok := lookUp(text, fitmentv1.Position_Side_value, fitmentv1.Position_Side_name)
		if !ok {
			r.fields.Add(colSide, strconv.Quote(text)+" is no side", expected)
		}
		p.Side = fitmentv1.Position_Side(value)
	}
	if p.GetRow() == 0 && p.GetSide() == 0 {
		return nil
	}
	return p
}

func (r *reader) donor() *fitmentv1.Vehicle {
	return &fitmentv1.Vehicle{
		Vin:       strings.ToUpper(r.row.Text("donor_vin")),
		Make:      r.row.Text("donor_make"),
		Model:     r.row.Text("donor_model"),
		ModelYear: r.small("donor_year"),
		BuildDate: r.row.Text("donor_build_date"),
		Body:      r.row.Text("donor_body"),
		DriveSide: fitmentv1.Vehicle_DriveSide(r.enum("donor_drive_side", fitmentv1.Vehicle_DriveSide_value, fitmentv1.Vehicle_DriveSide_name)),
		Market:    strings.ToUpper(r.row.Text("donor_market")),

		RestraintText: r.row.Text("donor_restraint_text"),
	}
}

func (r *reader) money(column, currency string) int64 {
	text := r.row.Text(column)
	if text == "" {
		return 0
	}
	value, err := amount.Parse(text, currency)
	if err != nil {
		r.fields.Add(column, err.Error(), "a plain amount such as "+amount.Format(18000, currency)+", without sign or grouping")
	}
	return value
}

// cost is what the row says of the cost; nil where it says nothing.
func (r *reader) cost(currency string) *fitmentv1.CostNote {
	if !r.row.Has(colCost) && !r.row.Has(colCostNote) {
		return nil
	}
	return &fitmentv1.CostNote{Cost: r.money(colCost, currency), Note: r.row.Text(colCostNote)}
}

func (r *reader) terms(currency string) *fitmentv1.Terms {
	t := &fitmentv1.Terms{
		Freight:       r.money("freight", currency),
		Handling:      r.money("handling", currency),
		ReturnFreight: r.money("return_freight", currency),
		Days:          r.small("days"),
		WarrantyDays:  r.small("warranty_days"),
		CoreDeposit:   r.money("core_deposit", currency),

		FreightPerKilogram: r.money(colFreightPerKilogram, currency),
		WeightGrams:        int64(r.small(colWeightGrams)),
		CoreDays:           r.small(colCoreDays),
		CoreReturnFreight:  r.money(colCoreReturnFreight, currency),
	}
	t.InComponent, _ = r.row.YesNo(colInComponent, r.fields)
	number, ok := transport.ReadUN(r.row.Text(colUNNumber))
	if !ok {
		r.fields.Add(colUNNumber, strconv.Quote(r.row.Text(colUNNumber))+" is none that such a part has", transport.ExpectedUN)
	}
	t.UnNumber = number
	if text := r.row.Text("restocking_percent"); text != "" {
		points, err := amount.Scaled(text, 2, fullPercent)
		if err != nil {
			r.fields.Add("restocking_percent", err.Error(), "a percentage from 0 to 100 with at most two decimals")
		}
		t.RestockingBasisPoints = int32(points)
	}
	return t
}

// judge validates the whole listing and names the columns at fault. A column
// that could not even be read is not named twice.
func (r *reader) judge(l *fitmentv1.Listing, evidenceColumns []statement) {
	named := map[string]bool{}
	for _, v := range r.fields.Violations() {
		named[v.Field] = true
	}
	var whole check.Fields
	Validate(l, "", &whole)
	for _, v := range whole.Violations() {
		column := columnFor(v.Field, evidenceColumns)
		if !named[column] {
			named[column] = true
			r.fields.Add(column, v.Problem, v.Expected)
		}
	}
}

// columnFor finds the column that fills a field such as "donor.vin" or
// "evidence[2].by".
func columnFor(field string, evidenceColumns []statement) string {
	if column, ok := columnOf[field]; ok {
		return column
	}
	rest, ok := strings.CutPrefix(field, "evidence[")
	if !ok {
		return field
	}
	index, part, _ := strings.Cut(rest, "].")
	i, err := strconv.Atoi(index)
	if err != nil || i >= len(evidenceColumns) {
		return field
	}
	if inner, isReading := strings.CutPrefix(part, "reading."); isReading {
		if column, known := readingColumnOf[inner]; known {
			return column
		}
		return evidenceColumns[i].column
	}
	if part == "value" || part == "reading" {
		return evidenceColumns[i].column
	}
	return evidenceColumns[i].supportColumn()
}
