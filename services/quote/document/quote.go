package document

import (
	"fmt"
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/quote"
)

// Quote draws a quote as PDF. Accepted is what the accepted lines come to where only
// some are, nil otherwise. Errors: *WordingError, *SumError, paper.ErrSize, and what
// cannot be drawn.
func Quote(q *quotev1.Quote, accepted *quotev1.QuoteTotal, from Letterhead, size paper.Size) ([]byte, error) {
	sums, err := sumsOf(q)
	if err != nil {
		return nil, err
	}
	if accepted != nil {
		if err := addsUp(q, accepted); err != nil {
			return nil, err
		}
	}
	for _, supply := range q.GetSupplies() {
		if law := quote.Forbids(quote.AllOptions(q), supply.GetLabel()); law != nil {
			return nil, &WordingError{Item: supply.GetLabel(), Source: law.GetSource()}
		}
	}
	sheet := paper.Sheet{Size: size, Title: title(q), Foot: from.Name, Made: made(q.GetIssueTime(), q.GetCreateTime())}
	return paper.Render(sheet, func(d *paper.Doc) {
		// The wording counts what it leaves out, so each drawing has its own.
		p := &quotePage{Doc: d, q: q, w: wordingOf(q), sums: sums, accepted: accepted, lines: quote.Lines(q)}
		from.draw(d)
		p.draw()
	})
}

// title names a quote.
func title(q *quotev1.Quote) string {
	if q.GetNumber() == "" {
		return "Draft quote, without number"
	}
	text := "Quote " + q.GetNumber()
	if q.GetVersion() > 1 {
		text += fmt.Sprintf(", version %d", q.GetVersion())
	}
	return text
}

// quotePage is a quote being drawn.
type quotePage struct {
	*paper.Doc

	q              *quotev1.Quote
	w              *wording
	sums, accepted *quotev1.QuoteTotal
	lines          []*quotev1.QuoteLine
}

func (p *quotePage) cash(value int64) string { return cash(value, p.q.GetCurrencyCode()) }

func (p *quotePage) draw() {
	p.Title(title(p.q))
	p.head()
	for i, line := range p.lines {
		p.line(i, line)
	}
	p.totals()
	p.basket()
	p.differences()
	p.law()
	p.authorization()
	p.w.leftOut(p.Doc)
}

// states says in words what a state means to the customer.
var states = map[quotev1.Quote_State]string{
	quotev1.Quote_DRAFT:           "draft: nothing is held, and prices may change",
	quotev1.Quote_DRY_RUN:         "dry run: nothing is held or stored",
	quotev1.Quote_OPEN:            "open",
	quotev1.Quote_ACCEPTED:        "accepted",
	quotev1.Quote_PARTLY_ACCEPTED: "accepted in part",
	quotev1.Quote_DECLINED:        "declined",
	quotev1.Quote_EXPIRED:         "ran out",
	quotev1.Quote_SUPERSEDED:      "a new version has taken its place",
}

// head says what the quote is, for whom and until when.
func (p *quotePage) head() {
	q := p.q
	p.Pairs([]paper.Pair{
		{Name: "state", Value: states[q.GetState()]},
		{Name: "prepared", Value: moment(q.GetCreateTime())},
		{Name: "issued", Value: moment(q.GetIssueTime())},
		{Name: "good until", Value: moment(q.GetValidUntil())},
		{Name: "closed", Value: moment(q.GetCloseTime())},
		{Name: "customer", Value: q.GetCustomer()},
		{Name: "reference", Value: p.w.text(q.GetReference())},
		{Name: "vehicle", Value: vehicle(p.lines[0].GetNeed().GetVehicle())},
		{Name: "takes the place of", Value: q.GetSupersedes()},
		{Name: "its place is taken by", Value: q.GetSupersededBy()},
		{Name: "reason for declining", Value: p.w.text(q.GetDeclineReason())},
	})
	for _, text := range p.w.prescribed {
		p.Gap(2)
		p.Huge(text, 13)
	}
	p.Gap(1)
}

// line draws one need: what is bought first, what happens if it fails, and what
// else there is.
func (p *quotePage) line(i int, line *quotev1.QuoteLine) {
	name := partOf(line.GetNeed().GetKind(), line.GetNeed().GetPosition())
	if len(p.lines) > 1 {
		name = prose.Joined(": ", fmt.Sprintf("Line %d of %d", i+1, len(p.lines)), name)
	}
	if line.GetState() != quotev1.QuoteLine_STATE_UNSPECIFIED && len(p.lines) > 1 {
		name += ", " + words(line.GetState())
	}
	p.Heading(name)
	first := quote.FirstBuy(line.GetOptions())
	if first == nil {
		p.Text("There is nothing that may be bought for this.")
	} else {
		p.first(line, first)
		p.plan(line)
		p.others(line, first)
	}
	if n := len(line.GetExcluded()); n > 0 {
		p.Gap(1)
		p.Small(fmt.Sprintf("%d more that were looked at are kept out: they are not proven to fit and to be fit for use again, or lie outside limits that were set.", n))
	}
}

// first draws what is bought first, each service and part with its price (16 CCR
// 3356(c) asks for that).
func (p *quotePage) first(line *quotev1.QuoteLine, o *quotev1.Option) {
	labour := func(minutes int32) string {
		return fmt.Sprintf("%d min at %s an hour", minutes, p.cash(line.GetLabour().GetHourlyRate()))
	}
	number := slices.Index(line.GetOptions(), o) + 1
	rows := [][]string{{fmt.Sprintf("part, no. %d", number), prose.Joined(" ", o.GetPartMaker(), o.GetPartNumber()) + ": " + p.w.condition(o), p.amount(o.GetPrice())}}
	if o.GetCoreDeposit() > 0 {
		rows = append(rows, []string{"deposit", "on the old part; " + p.core(o), p.amount(o.GetCoreDeposit())})
	}
	rows = append(
		rows,
		[]string{"labour", "fitting, and proving the repair: " + labour(line.GetLabour().GetFitMinutes()), p.amount(o.GetFitLabour())},
		[]string{"labour", "arrival check: " + labour(line.GetLabour().GetCheckMinutes()), p.amount(o.GetCheckLabour())},
	)
	p.Table([]paper.Column{{Name: "for", Share: 1}, {Name: "what", Share: 6}, {Name: p.q.GetCurrencyCode(), Share: 1.4, Number: true}}, paper.Rows(rows...))
	p.Gap(1)
	p.Pairs([]paper.Pair{
		{Name: "seller", Value: prose.Joined(", ", o.GetSeller(), o.GetSource())},
		{Name: "from order to arrival", Value: days(int64(o.GetDays()))},
		{Name: "passes its arrival check", Value: chance(o)},
		{Name: "warranty", Value: warranty(o.GetWarrantyDays())},
		{Name: "must be new with it", Value: strings.Join(p.w.sentences(o.GetOneUse()), "; ")},
		{Name: "replaced with it", Value: strings.Join(p.w.sentences(o.GetReplaceWith()), "; ")},
		{Name: "transport", Value: strings.Join(p.w.sentences(o.GetTransport()), " ")},
	})
}

// amount is an amount in a column that names the currency.
func (p *quotePage) amount(value int64) string { return amount.Format(value, p.q.GetCurrencyCode()) }

// core says on what terms a deposit comes back.
func (p *quotePage) core(o *quotev1.Option) string {
	terms := "it is given back when the old part is"
	if o.GetCoreDays() > 0 {
		terms += fmt.Sprintf(", at the latest %s after arrival", days(int64(o.GetCoreDays())))
	}
	switch back := o.GetCoreRefund(); {
	case back <= 0:
		return terms + "; it is not counted as coming back"
	case back > o.GetCoreDeposit():
		return fmt.Sprintf("%s; expected back with the tax on it, less the freight of sending it lawfully: %s", terms, p.cash(back))
	default:
		return fmt.Sprintf("%s; expected back, less the freight of sending it lawfully: %s", terms, p.cash(back))
	}
}

func days(n int64) string {
	if n == 1 {
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}

func warranty(n int32) string {
	if n == 0 {
		return "none by the seller"
	}
	return days(int64(n))
}

// chance says how likely a part passes its arrival check and what is known of its
// seller; the chance itself stands on what others sell too.
func chance(o *quotev1.Option) string {
	text := percent(o.GetPassProbability()) + " expected; "
	if o.GetOutcomes() > 0 {
		text += fmt.Sprintf("%d of %d such parts of this seller passed", o.GetPassed(), o.GetOutcomes())
	} else {
		text += "no such part of this seller has a report"
	}
	if o.GetUnreported() > 0 {
		text += fmt.Sprintf(", %d more without a report", o.GetUnreported())
	}
	if o.GetLowerBound() > 0 {
		text += "; at 95 % confidence at least " + percent(o.GetLowerBound())
	}
	return text
}
