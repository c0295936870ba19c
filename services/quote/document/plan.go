package document

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/paper"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/quote"
)

// What needs room below a caption, so that it does not stand alone at the end of a
// page, and the room that all totals take in most quotes, in millimetres.
const (
	chartRoom, tableRoom = 52, 20

	totalsRoom = 82
)

// plan says what happens if a part fails, with the numbers of the plan and a
// picture of what it may cost.
func (p *quotePage) plan(line *quotev1.QuoteLine) {
	plan := line.GetPlan()
	p.Gap(1.5)
	p.Text("Plan: " + p.planWords(plan))
	outcomes := plan.GetDistribution()
	if len(outcomes) == 0 {
		return
	}
	bars := make([]paper.Bar, 0, len(outcomes))
	for _, outcome := range outcomes {
		bars = append(bars, paper.Bar{At: float64(outcome.GetCost()), Chance: outcome.GetProbability()})
	}
	p.Gap(1.5)
	p.Caption("How likely the plan costs how much, without the labour of fitting and with what days without the vehicle cost "+
		fmt.Sprintf("(%s a day):", p.cash(p.q.GetDayCost())), chartRoom)
	p.Bars(bars, p.cash(outcomes[0].GetCost()), p.cash(outcomes[len(outcomes)-1].GetCost()), []paper.Mark{
		{At: float64(plan.GetExpectedCost()), Name: fmt.Sprintf("expected, %s and %.1f days", p.cash(plan.GetExpectedCost()), plan.GetExpectedDays())},
		{At: float64(plan.GetQuantile95()), Name: fmt.Sprintf("not more than %s, 19 times in 20", p.cash(plan.GetQuantile95()))},
		{At: float64(plan.GetCvar95()), Name: p.cash(plan.GetCvar95()) + ", the mean of the dearest 1 in 20"},
	})
	p.ready(plan)
}

// planWords is the plan as it was put into words, or, where these have a banned
// word, in this document's own.
func (p *quotePage) planWords(plan *quotev1.PlanPurchaseResponse) string {
	if p.w.allows(plan.GetWords()) {
		return plan.GetWords()
	}
	var batches []string
	for _, batch := range plan.GetBatches() {
		batches = append(batches, strings.Join(batch.GetIds(), " together with "))
	}
	if len(batches) == 0 {
		batches = plan.GetOrder()
	}
	text := "buy " + strings.Join(batches, "; if that fails its check, return it and buy ") + "."
	if plan.GetUnrepairedProbability() > 0 {
		text += fmt.Sprintf(" With probability %s all of them fail and the vehicle stays unrepaired.", percent(plan.GetUnrepairedProbability()))
	}
	return text
}

// ready says how likely the vehicle is ready by when.
func (p *quotePage) ready(plan *quotev1.PlanPurchaseResponse) {
	parts := make([]string, 0, len(plan.GetReadyBy()))
	for _, by := range plan.GetReadyBy() {
		parts = append(parts, fmt.Sprintf("%s in %s", percent(by.GetProbability()), days(int64(by.GetDays()))))
	}
	if len(parts) > 0 {
		p.Small("Ready by: " + strings.Join(parts, "; ") + ".")
	}
	if deadline := p.q.GetDeadlineDays(); deadline > 0 {
		p.Small(fmt.Sprintf("Wanted within %s; being late counts as %s.", days(int64(deadline)), p.cash(p.q.GetLateCost())))
	}
}

// others lists what else may be bought, and what may be chosen between.
func (p *quotePage) others(line *quotev1.QuoteLine, first *quotev1.Option) {
	var rows []paper.Row
	for i, o := range line.GetOptions() {
		if o == first {
			continue
		}
		role := "not tried"
		switch {
		case o.GetFallback():
			role = "if all else fails"
		case o.GetPlanPlace() > 0:
			role = fmt.Sprintf("try %d", o.GetPlanPlace())
		}
		rows = append(rows, paper.Row{Cells: []string{
			strconv.Itoa(i + 1), role, prose.Joined(" ", o.GetPartMaker(), o.GetPartNumber()) + ": " + p.w.condition(o), prose.Joined(", ", o.GetSeller(), o.GetSource()),
			p.amount(o.GetLandedCost()), percent(o.GetPassProbability()), strconv.Itoa(int(o.GetDays())),
		}})
	}
	if len(rows) > 0 {
		p.Gap(1.5)
		p.Caption("What else may be bought, with all that it costs:", tableRoom)
		p.Table([]paper.Column{
			{Name: "no.", Share: 0.5, Number: true},
			{Name: "in the plan", Share: 1.3},
			{Name: "part", Share: 3},
			{Name: "seller", Share: 3},
			{Name: p.q.GetCurrencyCode(), Share: 1.2, Number: true},
			{Name: "passes", Share: 1, Number: true},
			{Name: "days", Share: 0.7, Number: true},
		}, rows)
	}
	p.choices(line)
}

// choices lists the plans that no other one beats, the parts by their numbers.
func (p *quotePage) choices(line *quotev1.QuoteLine) {
	trade := line.GetTradeOff()
	if len(trade.GetPoints()) < 2 {
		return
	}
	numbers := map[string]string{}
	for i, o := range line.GetOptions() {
		numbers[o.GetSource()] = strconv.Itoa(i + 1)
	}
	told := quote.Telling(trade)
	rows := make([]paper.Row, 0, len(told))
	for _, i := range told {
		point := trade.GetPoints()[i]
		text := policy(point, numbers)
		if int32(i+1) == trade.GetLeastWorstRegret() {
			text += " (least worst regret)"
		}
		rows = append(rows, paper.Row{Cells: []string{
			text, p.amount(point.GetExpectedCost()), p.amount(point.GetCvar95()), fmt.Sprintf("%.1f", point.GetExpectedDays()),
		}})
	}
	p.Gap(1.5)
	p.Caption("Plans that no other one beats in cost, risk and days at once, before these are rounded; the parts by their numbers:", tableRoom)
	p.Table([]paper.Column{
		{Name: "plan", Share: 5},
		{Name: "expected", Share: 1.2, Number: true},
		{Name: "dearest 1 in 20", Share: 1.4, Number: true},
		{Name: "days", Share: 0.8, Number: true},
	}, rows)
	if more := len(trade.GetPoints()) - len(told); more > 0 {
		p.Text(fmt.Sprintf("And %d more, which begin like one of these.", more))
	}
}

// policy is what is bought in which order, by number: "1, then 3 with 4, then the
// new part".
func policy(point *quotev1.TradePoint, numbers map[string]string) string {
	var steps []string
	for _, batch := range point.GetBatches() {
		names := make([]string, 0, len(batch.GetIds()))
		for _, id := range batch.GetIds() {
			names = append(names, cmp.Or(numbers[id], id))
		}
		steps = append(steps, strings.Join(names, " with "))
	}
	if point.GetFallback() {
		steps = append(steps, "the new part")
	}
	return strings.Join(steps, ", then ")
}

// totals adds up: the work, the parts before tax, the tax and the total, each by
// itself (16 CCR 3356(c)), and supplies item by item.
func (p *quotePage) totals() {
	t := cmp.Or(p.accepted, p.sums)
	p.Keep(totalsRoom)
	p.Heading("Total")
	p.Small("If the first part of each line passes its arrival check.")
	if p.accepted != nil {
		p.Small("Of the accepted lines only; all lines came to " + p.cash(p.sums.GetTotal()) + ".")
	}
	rows := []paper.Row{
		{Cells: []string{"parts, before tax", p.amount(t.GetParts())}},
		{Cells: []string{"deposits on old parts", p.amount(t.GetCoreDeposits())}},
		{Cells: []string{"labour of fitting and proving the repair", p.amount(t.GetFitLabour())}},
		{Cells: []string{"labour of arrival checks", p.amount(t.GetCheckLabour())}},
		{Cells: []string{"labour, subtotal", p.amount(t.GetFitLabour() + t.GetCheckLabour())}},
	}
	for _, supply := range p.q.GetSupplies() {
		rows = append(rows, paper.Row{Cells: []string{"supplies: " + supply.GetLabel(), p.amount(supply.GetAmount())}})
	}
	switch {
	case p.q.GetSuppliesPercent() != "":
		rows = append(rows, paper.Row{Cells: []string{"supplies, " + p.q.GetSuppliesPercent() + " % of labour", p.amount(t.GetSupplies())}})
	case t.GetSupplies() > 0:
		rows = append(rows, paper.Row{Cells: []string{"supplies, subtotal", p.amount(t.GetSupplies())}})
	}
	taxed := prose.Joined(" ", "tax", labelled("at", prose.Joined(" ", p.q.GetTaxPercent(), "%")))
	if p.q.GetTaxPercent() == "" {
		taxed = "tax"
	}
	rows = append(
		rows,
		paper.Row{Cells: []string{"freight, once for each seller", p.amount(t.GetFreight())}},
		paper.Row{Cells: []string{"handling of hazardous goods, once for each seller", p.amount(t.GetHandling())}},
		paper.Row{Cells: []string{prose.Joined(", ", taxed, p.q.GetTaxPlace()), p.amount(t.GetTax())}},
		paper.Row{Cells: []string{"total", p.amount(t.GetTotal())}, Strong: true},
	)
	p.Table([]paper.Column{{Name: "", Share: 6}, {Name: p.q.GetCurrencyCode(), Share: 1.4, Number: true}}, rows)
	if t.GetCoreDeposits() > 0 && t.GetCoreRefunds() > 0 {
		p.Gap(1)
		p.Small(fmt.Sprintf("Expected back once the old parts are returned: %s, the lawful freight of sending them taken off.", p.cash(t.GetCoreRefunds())))
	}
}

// basket says how the sellers of several lines were chosen.
func (p *quotePage) basket() {
	basket := p.q.GetBasket()
	if basket == nil {
		return
	}
	proven := "no cheaper choice of sellers exists"
	if !basket.GetProven() {
		proven = "no choice of sellers costs less than " + p.cash(basket.GetBound())
	}
	p.Small(fmt.Sprintf("Bought together, parts and freight come to %s; each by itself to %s; %s.", p.cash(basket.GetTotal()), p.cash(basket.GetSeparateTotal()), proven))
	for _, note := range p.w.sentences(basket.GetNotes()) {
		p.Small(note)
	}
}

// differences lists what changed since the version or draft before.
func (p *quotePage) differences() {
	var rows []paper.Row
	for _, difference := range p.q.GetDifferences() {
		cells := []string{difference.GetWhat(), difference.GetBefore(), difference.GetAfter()}
		if p.w.text(strings.Join(cells, "\n")) != "" {
			rows = append(rows, paper.Row{Cells: cells})
		}
	}
	if len(rows) == 0 {
		return
	}
	p.Heading("What changed")
	p.Table([]paper.Column{{Name: "what", Share: 2}, {Name: "before", Share: 3}, {Name: "now", Share: 3}}, rows)
}

// law repeats the cautions that are for the customer, what the labour for the arrival
// check is for, and what the law asks.
func (p *quotePage) law() {
	notices := quote.ForCustomer(p.q.GetNotices())
	for _, line := range p.lines {
		for _, arrival := range quote.FirstBuy(line.GetOptions()).GetArrivalChecks() {
			notices = append(notices, "In the arrival check: "+prose.Joined(" It passes if: ", arrival.GetCheck(), arrival.GetPass()))
		}
	}
	if kept := p.w.sentences(notices); len(kept) > 0 {
		p.Heading("Please note")
		p.List(kept)
	}
	if told := p.w.told(); len(told) > 0 {
		p.Heading("What the law asks")
		p.List(told)
	}
	p.Small("What is said of the law is given with its source and is no legal advice: check local law. The vehicle maker's procedure and licensed practice come first.")
}

// authorization records the customer's word or, where the quote still waits for
// it, has room for it.
func (p *quotePage) authorization() {
	room := 20.0
	if p.q.GetState() == quotev1.Quote_OPEN {
		room = 46 // with the lines to sign on
	}
	p.Keep(room)
	p.Heading("The customer's authorisation")
	if a := p.q.GetAuthorization(); a.GetBy() != "" {
		p.Text("Recorded: " + prose.Joined("; ", person(a, p.q.GetCurrencyCode()), p.w.text(a.GetNote())))
		if parts := p.fitted(); a.GetUsedPart() && parts != "" {
			p.Text("It covers the fitting of " + parts + ".")
		}
		return
	}
	switch p.q.GetState() {
	case quotev1.Quote_OPEN:
	case quotev1.Quote_DRAFT, quotev1.Quote_DRY_RUN:
		p.Text("There is room for it once the quote is issued.")
		return
	default:
		p.Text("None is recorded.")
		return
	}
	p.Text(fmt.Sprintf("I allow this work for at most ____________ %s; for more, ask me first.", p.q.GetCurrencyCode()))
	for _, o := range p.w.consents() {
		p.Text("□ I give the authorisation that this asks for: " + o.GetText() + " (" + o.GetSource() + ")")
	}
	p.Blanks("name", "signature", "day")
}

// fitted says which parts from other vehicles the customer allows: those of the
// lines that are accepted.
func (p *quotePage) fitted() string {
	var parts []string
	for _, place := range quote.Accepted(p.q) {
		line := p.lines[place]
		if o := quote.FirstBuy(line.GetOptions()); o.GetCondition() == quotev1.Offer_USED {
			parts = append(parts, fmt.Sprintf("%s (%s)", partOf(line.GetNeed().GetKind(), line.GetNeed().GetPosition()), p.w.condition(o)))
		}
	}
	return prose.Joined(", ", parts...)
}
