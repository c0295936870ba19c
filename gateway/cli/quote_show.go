package cli

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"beltwright.example/gateway/plain"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/quote/quote"
)

// localTime is a time as the clock on the wall here says it.
func localTime(t time.Time) string {
	return t.Local().Format("2006-01-02 15:04 MST") //nolint:gosmopolitan // for the person at this terminal
}

// quoteView says how much of a quote is shown.
type quoteView struct {
	why, all bool
}

func (v *quoteView) bind(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&v.why, "why", false, "say how each number came about")
	cmd.Flags().BoolVar(&v.all, "all", false, "also list what is kept out because it does not fit or is another part")
}

func (v *quoteView) show(p *printer, q *quotev1.Quote) {
	p.linef("%s", quoteTitle(q))
	if q.GetSupersedes() != "" {
		p.linef("version %d, in the place of %s", q.GetVersion(), q.GetSupersedes())
	}
	showDifferences(p, q)
	if q.GetDeclineReason() != "" {
		p.linef("declined because: %s", q.GetDeclineReason())
	}
	if a := q.GetAuthorization(); a != nil {
		p.linef("allowed by %s", allowedBy(a))
	}
	lines := quote.Lines(q)
	for i, line := range lines {
		if len(lines) > 1 {
			p.linef("")
			p.linef("line %d: %s", i+1, strings.Join(nonEmpty(words(line.GetNeed().GetKind()), place(line.GetNeed().GetPosition()), lineState(line)), ", "))
		}
		v.line(p, q, line)
	}
	showTogether(p, q)
	showTotal(p, q)
	p.list("notices", q.GetNotices())
	if v.why {
		showWorkings(p, "the total", q.GetWorkings())
	}
}

func showDifferences(p *printer, q *quotev1.Quote) {
	differences := make([]string, 0, len(q.GetDifferences()))
	for _, d := range q.GetDifferences() {
		differences = append(differences, fmt.Sprintf("%s: %s → %s", d.GetWhat(), cmp.Or(d.GetBefore(), "none"), cmp.Or(d.GetAfter(), "none")))
	}
	p.list("changed", differences)
}

func quoteTitle(q *quotev1.Quote) string {
	switch {
	case q.GetState() == quotev1.Quote_SUPERSEDED:
		return fmt.Sprintf("%s, superseded by %s", q.GetName(), q.GetSupersededBy())
	case q.GetNumber() != "":
		return fmt.Sprintf("quote %s (%s), %s, good until %s", q.GetNumber(), q.GetName(), words(q.GetState()), localTime(q.GetValidUntil().AsTime()))
	case q.GetName() != "":
		return q.GetName() + ": a draft, which holds nothing"
	default:
		return "dry run: nothing held, nothing stored"
	}
}

func lineState(line *quotev1.QuoteLine) string {
	if line.GetState() == quotev1.QuoteLine_STATE_UNSPECIFIED {
		return ""
	}
	return words(line.GetState())
}

// line shows one line: its plan, what it holds or bought, and what may be bought.
func (v *quoteView) line(p *printer, q *quotev1.Quote, line *quotev1.QuoteLine) {
	plan, currency := line.GetPlan(), q.GetCurrencyCode()
	p.linef("plan: %s", plan.GetWords())
	if len(plan.GetDistribution()) > 0 {
		p.linef("expected %s and %.1f days; 19 times in 20 at most %s; mean of the worst 1 in 20: %s (days priced in, fitting left out)",
			cash(plan.GetExpectedCost(), currency), plan.GetExpectedDays(), cash(plan.GetQuantile95(), currency), cash(plan.GetCvar95(), currency))
		if chance := plan.GetUnrepairedProbability(); chance > 0 {
			p.linef("chance of ending unrepaired: %s", prose.Percent(chance))
		}
		if ready := readyWords(plan); ready != "" {
			p.linef("ready: %s", ready)
		}
	}
	if plan.GetLimited() != "" {
		p.linef("%s", plan.GetLimited())
	}
	if standing := standing(q, line); standing != "" {
		p.linef("%s", standing)
	}
	v.options(p, q, line)
	switch trade := line.GetTradeOff(); {
	case v.why || len(trade.GetNearestMisses()) > 0:
		showTradeOff(p, trade, currency)
	case len(trade.GetPoints()) > 1:
		showChoices(p, trade, currency)
	}
	if v.why {
		showWorkings(p, "the plan", plan.GetWorkings())
		for _, option := range line.GetOptions() {
			showWorkings(p, option.GetSource(), option.GetWorkings())
		}
	}
}

// standing says what is bought, to be ordered or held for a line; empty where nothing is.
func standing(q *quotev1.Quote, line *quotev1.QuoteLine) string {
	held := line.GetHeldListing()
	switch {
	case line.GetState() == quotev1.QuoteLine_ACCEPTED && held != "":
		return "bought: " + held
	case line.GetState() == quotev1.QuoteLine_ACCEPTED:
		return "to order now: " + quote.FirstBuy(line.GetOptions()).GetSource()
	case q.GetState() == quotev1.Quote_OPEN && held != "":
		return fmt.Sprintf("held: %s until %s, fence %d", held, localTime(line.GetHold().GetExpireTime().AsTime()), line.GetHold().GetFence())
	default:
		return ""
	}
}

// showChoices shows in short what may be chosen between; --why shows all of it.
func showChoices(p *printer, trade *quotev1.TradeOff, currency string) {
	p.linef("the choices; no other of %d ways beats one of these in cost, risk and days at once:", trade.GetPolicies())
	told, least := quote.Telling(trade), leastWorst(trade)
	rows := make([][]string, 0, len(told))
	for at, n := range told {
		point, next := trade.GetPoints()[n], ""
		if at+1 < len(told) && told[at+1] == n+1 && point.GetBreakEvenDayCost() != "" {
			next = perDay(point.GetBreakEvenDayCost(), currency)
		}
		worst := cash(point.GetWorstRegret(), currency)
		if slices.Contains(least, n+1) {
			worst += ", the least"
		}
		rows = append(rows, []string{
			strconv.Itoa(n + 1), cash(point.GetExpectedCost(), currency), cash(point.GetCvar95(), currency),
			fmt.Sprintf("%.1f", point.GetExpectedDays()), next, worst, startWords(point),
		})
	}
	p.table([]string{"", "expected", "worst 1 in 20", "days", "like the next if a day costs", "regretted at most", "buys"}, rows)
	if more := len(trade.GetPoints()) - len(told); more > 0 {
		p.linef("and %d more that begin like one of these; --why lists all, with the cost of a day at which neighbours change places", more)
	}
}

// startWords says what a policy buys first, and how much goes on.
func startWords(point *quotev1.TradePoint) string {
	const named = 2
	buys := make([]string, 0, len(point.GetBatches())+1)
	for _, batch := range point.GetBatches() {
		buys = append(buys, strings.Join(batch.GetIds(), " and "))
	}
	if point.GetFallback() {
		buys = append(buys, "a new part")
	}
	if len(buys) > named+1 {
		buys = append(buys[:named], fmt.Sprintf("%d more", len(buys)-named))
	}
	return strings.Join(buys, ", then ")
}

// readyWords says how likely the vehicle is ready by some days: the first, the
// last, and where there are more, some in between.
func readyWords(plan *quotev1.PlanPurchaseResponse) string {
	const most = 4
	ready := plan.GetReadyBy()
	texts := make([]string, 0, len(ready))
	for _, r := range ready {
		texts = append(texts, fmt.Sprintf("%s by day %d", chanceReady(plan, r), r.GetDays()))
	}
	if len(texts) > most {
		texts = slices.Concat(texts[:most-1], []string{"…"}, texts[len(texts)-1:])
	}
	return strings.Join(texts, ", ")
}

// chanceReady writes the chance of being ready by a day, never as certain where the
// plan may leave the vehicle unrepaired.
func chanceReady(plan *quotev1.PlanPurchaseResponse, ready *quotev1.ReadyBy) string {
	const rare, common = 0.01, 0.99
	chance := ready.GetProbability()
	switch {
	case chance >= 1 && plan.GetUnrepairedProbability() > 0:
		return prose.Percent(math.Nextafter(1, 0))
	case chance < rare || chance > common:
		return prose.Percent(chance)
	default:
		return fmt.Sprintf("%.3g %%", chance*100)
	}
}

func (v *quoteView) options(p *printer, q *quotev1.Quote, line *quotev1.QuoteLine) {
	rows := make([][]string, 0, len(line.GetOptions()))
	for _, o := range line.GetOptions() {
		role := "not tried"
		switch {
		case o.GetFallback():
			role = "fallback"
		case o.GetPlanPlace() > 0:
			role = strconv.Itoa(int(o.GetPlanPlace()))
		}
		rows = append(rows, []string{
			role, o.GetSource(), cmp.Or(o.GetConditionWords(), words(o.GetCondition())), cash(o.GetPrice(), q.GetCurrencyCode()), cash(o.GetLandedCost(), q.GetCurrencyCode()),
			fmt.Sprintf("%.0f %% (%d of %d passed)", o.GetPassProbability()*100, o.GetPassed(), o.GetOutcomes()), fmt.Sprintf("%d d", o.GetDays()),
		})
	}
	if len(rows) > 0 {
		p.table([]string{"plan", "source", "condition", "price", "landed", "passes its check", "days"}, rows)
	}
	shut, hidden := make([]string, 0, len(line.GetExcluded())), 0
	for _, e := range line.GetExcluded() {
		if !v.all && quote.Beside(e) {
			hidden++
			continue
		}
		text := fmt.Sprintf("%s: %s", e.GetSource(), plain.Excluded(e.GetReason()))
		if e.GetRemedy() != "" {
			text += " → " + e.GetRemedy()
		}
		shut = append(shut, text)
	}
	p.list("kept out", shut)
	if hidden > 0 {
		p.linef("%d more do not fit, or are other parts altogether; --all lists them", hidden)
	}
}

func showTogether(p *printer, q *quotev1.Quote) {
	b, currency := q.GetBasket(), q.GetCurrencyCode()
	if b == nil {
		return
	}
	proof := "and nothing cheaper exists"
	if !b.GetProven() {
		proof = "and no choice costs less than " + cash(b.GetBound(), currency)
	}
	p.linef("")
	p.linef("bought together: %s; each line by itself: %s; %s", cash(b.GetTotal(), currency), cash(b.GetSeparateTotal(), currency), proof)
	for _, note := range b.GetNotes() {
		p.linef("  - %s", note)
	}
}

func showTotal(p *printer, q *quotev1.Quote) {
	t, currency := q.GetTotal(), q.GetCurrencyCode()
	if t == nil {
		return
	}
	parts := make([]string, 0, 8)
	for _, part := range []struct {
		name  string
		value int64
	}{
		{"parts", t.GetParts()},
		{"deposits on old parts", t.GetCoreDeposits()},
		{"tax", t.GetTax()},
		{"freight", t.GetFreight()},
		{"handling", t.GetHandling()},
		{"fitting", t.GetFitLabour()},
		{"arrival checks", t.GetCheckLabour()},
		{"supplies", t.GetSupplies()},
	} {
		if part.value != 0 {
			parts = append(parts, part.name+" "+cash(part.value, currency))
		}
	}
	text := totalWords(q)
	if len(parts) > 1 {
		text += ": " + strings.Join(parts, ", ")
	}
	p.linef("%s", text)
	if t.GetCoreRefunds() > 0 {
		p.linef("expected back with the old parts: %s", cash(t.GetCoreRefunds(), currency))
	}
}

func totalWords(q *quotev1.Quote) string {
	text := "total "
	if q.GetState() == quotev1.Quote_PARTLY_ACCEPTED { // the quote says what was offered, its papers and books what is owed
		text = "total of all lines, declined ones included, "
	}
	return text + cash(q.GetTotal().GetTotal(), q.GetCurrencyCode())
}

func showQuotes(p *printer, answer *quotev1.ListQuotesResponse) {
	rows := make([][]string, 0, len(answer.GetQuotes()))
	for _, q := range answer.GetQuotes() {
		total := ""
		if q.GetTotal() != nil {
			total = cash(q.GetTotal().GetTotal(), q.GetCurrencyCode())
		}
		rows = append(rows, []string{
			q.GetName(), words(q.GetState()), strconv.Itoa(len(quote.Lines(q))), total,
			localTime(q.GetValidUntil().AsTime()), q.GetCustomer(), q.GetReference(),
		})
	}
	p.table([]string{"quote", "state", "lines", "total", "good until", "customer", "reference"}, rows)
	if token := answer.GetNextPageToken(); token != "" {
		p.linef("more: --page-token %s", token)
	}
}
