package document

import (
	"bytes"
	"fmt"
	"strconv"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/answers"
	"beltwright.example/services/platform/sheet"
	"beltwright.example/services/quote/quote"
)

// Column is a column of a quote's sheet.
type Column struct {
	// Name heads it.
	Name string
	// Help says what it holds.
	Help string

	value func(r sheetRow) string
}

// sheetRow is what a row is made of: a line and its first purchase.
type sheetRow struct {
	q      *quotev1.Quote
	number int
	line   *quotev1.QuoteLine
	option *quotev1.Option
	share  quote.Share
	w      *wording
}

// shared is a line's share of what is charged once, as of its total.
func shared(of func(s quote.Share) int64) func(sheetRow) string {
	return func(r sheetRow) string {
		return money(func(*quotev1.Option) int64 { return of(r.share) })(r)
	}
}

func money(of func(o *quotev1.Option) int64) func(sheetRow) string {
	return func(r sheetRow) string {
		if r.option == nil {
			return ""
		}
		return amount.Format(of(r.option), r.q.GetCurrencyCode())
	}
}

func text(of func(o *quotev1.Option) string) func(sheetRow) string {
	return func(r sheetRow) string { return of(r.option) }
}

// Columns are the columns of a quote's sheet, one row a line of the quote with its
// first purchase; where nothing may be bought the purchase's columns are empty.
// Amounts are in major units of the currency.
func Columns() []Column {
	return append(lineColumns(), purchaseColumns()...)
}

func lineColumns() []Column {
	return []Column{
		{"quote", "resource name of the quote", func(r sheetRow) string { return r.q.GetName() }},
		{"number", "its number; empty for a draft", func(r sheetRow) string { return r.q.GetNumber() }},
		{"version", "its version, from 1", func(r sheetRow) string { return strconv.Itoa(int(max(r.q.GetVersion(), 1))) }},
		{"state", "its state", func(r sheetRow) string { return words(r.q.GetState()) }},
		{"customer", "the shop's name or number for its customer", func(r sheetRow) string { return r.q.GetCustomer() }},
		{"reference", "the shop's own reference", func(r sheetRow) string { return r.q.GetReference() }},
		{"prepared", "when it was prepared, RFC 3339", func(r sheetRow) string { return stamp(r.q.GetCreateTime()) }},
		{"valid_until", "until when it is good, RFC 3339", func(r sheetRow) string { return stamp(r.q.GetValidUntil()) }},
		{"line", "line of the quote, from 1", func(r sheetRow) string { return strconv.Itoa(r.number) }},
		{"line_state", "accepted, declined or empty", func(r sheetRow) string { return words(r.line.GetState()) }},
		{"kind", "kind of part", func(r sheetRow) string { return words(r.line.GetNeed().GetKind()) }},
		{"row", "row of seats from the front, 1 and up; empty where not stated", func(r sheetRow) string {
			if row := r.line.GetNeed().GetPosition().GetRow(); row > 0 {
				return strconv.Itoa(int(row))
			}
			return ""
		}},
		{"side", "left, right or centre, as seated", func(r sheetRow) string { return words(r.line.GetNeed().GetPosition().GetSide()) }},
		{"kept_out", "how many the gate or a limit kept out", func(r sheetRow) string { return strconv.Itoa(len(r.line.GetExcluded())) }},
		{"currency", "currency of every amount, ISO 4217", func(r sheetRow) string { return r.q.GetCurrencyCode() }},
	}
}

func purchaseColumns() []Column {
	return []Column{
		{"source", "listing or offer that is bought first", text((*quotev1.Option).GetSource)},
		{"seller", "yard or supplier", text((*quotev1.Option).GetSeller)},
		{"condition", "its condition, in the words that the law of the places wants or allows", func(r sheetRow) string {
			if r.option == nil {
				return ""
			}
			return r.w.condition(r.option)
		}},
		{"part_maker", "maker of the part", text((*quotev1.Option).GetPartMaker)},
		{"part_number", "part number", text((*quotev1.Option).GetPartNumber)},
		{"price", "price of the part, before tax", money((*quotev1.Option).GetPrice)},
		{"core_deposit", "deposit on the old part", money((*quotev1.Option).GetCoreDeposit)},
		{"tax", "tax", money((*quotev1.Option).GetTax)},
		{"freight", "freight of this part by itself; the quote counts it once for each seller", money((*quotev1.Option).GetFreight)},
		{"handling", "handling of hazardous goods", money((*quotev1.Option).GetHandling)},
		{"check_labour", "labour of the arrival check", money((*quotev1.Option).GetCheckLabour)},
		{"fit_labour", "labour of fitting and proving the repair", money((*quotev1.Option).GetFitLabour)},
		{"supplies", "supplies; of a quote of several lines on the first only", money((*quotev1.Option).GetSupplies)},
		{"landed_cost", "all of these amounts, the part bought by itself", money((*quotev1.Option).GetLandedCost)},
		{"freight_share", "this line's share of its seller's freight", shared(func(s quote.Share) int64 { return s.Freight })},
		{"handling_share", "this line's share of its seller's handling", shared(func(s quote.Share) int64 { return s.Handling })},
		{"tax_share", "this line's share of the tax, which is rounded for the whole quote", shared(func(s quote.Share) int64 { return s.Tax })},
		{"line_total", "this line's part of the quote's total; the lines' add up to it", shared(func(s quote.Share) int64 { return s.Total })},
		{"core_refund", "expected back with the old part, lawful freight taken off", money((*quotev1.Option).GetCoreRefund)},
		{"days", "days from order to arrival", number(func(o *quotev1.Option) string { return strconv.Itoa(int(o.GetDays())) })},
		{"pass_probability", "chance of passing the arrival check, 0 to 1", number(func(o *quotev1.Option) string {
			return strconv.FormatFloat(o.GetPassProbability(), 'f', 4, 64)
		})},
		{"warranty_days", "days of warranty", number(func(o *quotev1.Option) string { return strconv.Itoa(int(o.GetWarrantyDays())) })},
	}
}

func number(of func(o *quotev1.Option) string) func(sheetRow) string {
	return func(r sheetRow) string {
		if r.option == nil {
			return ""
		}
		return of(r.option)
	}
}

// CSV writes a quote as a sheet (see Columns). Errors: *SumError.
func CSV(q *quotev1.Quote) ([]byte, error) {
	if _, err := sumsOf(q); err != nil {
		return nil, err
	}
	var out bytes.Buffer
	to := sheet.New(&out)
	columns := Columns()
	header := make([]string, len(columns))
	for i, column := range columns {
		header[i] = column.Name
	}
	if err := to.Row(header...); err != nil {
		return nil, fmt.Errorf("write the header: %w", err)
	}
	shares, err := quote.Shares(q)
	if err != nil {
		return nil, &SumError{Quote: q.GetName()}
	}
	w := wordingOf(q)
	for i, line := range quote.Lines(q) {
		row := sheetRow{q: q, number: i + 1, line: line, option: quote.FirstBuy(line.GetOptions()), share: shares[i], w: w}
		cells := make([]string, len(columns))
		for j, column := range columns {
			cells[j] = column.value(row)
		}
		if err := to.Row(cells...); err != nil {
			return nil, fmt.Errorf("write line %d: %w", i+1, err)
		}
	}
	return out.Bytes(), nil
}

// JSON writes a quote as the API has it.
func JSON(q *quotev1.Quote) ([]byte, error) {
	raw, err := answers.JSON(q)
	return append(raw, '\n'), err
}
