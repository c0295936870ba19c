package quote

import (
	"fmt"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/prose"
)

// maxDifferences bounds what is listed; the rest is counted.
const maxDifferences = 100

// Differences lists what a customer sees differently in one version of a quote
// than in the one before: needs, what is bought first and then, prices, terms and
// totals. Times, numbers and holds are no difference. Totals stand before the lines,
// so that what is counted only is the least of it.
func Differences(before, after *quotev1.Quote) []*quotev1.Difference {
	d := &differ{before: before, after: after}
	d.terms()
	d.totals()
	d.lines()
	if n := len(d.found) - maxDifferences; n > 0 {
		d.found = append(d.found[:maxDifferences], &quotev1.Difference{What: fmt.Sprintf("and %d more", n)})
	}
	return d.found
}

type differ struct {
	before, after *quotev1.Quote
	found         []*quotev1.Difference
}

func (d *differ) add(what, before, after string) {
	if before != after {
		d.found = append(d.found, &quotev1.Difference{What: what, Before: before, After: after})
	}
}

// cash writes an amount of one of the two; nothing where it is not there.
func cash(q *quotev1.Quote, value int64) string {
	return amount.Format(value, q.GetCurrencyCode()) + " " + q.GetCurrencyCode()
}

// amounts compares an amount that is 0 where it plays no part.
func (d *differ) amounts(what string, before, after int64) {
	if before == after && d.before.GetCurrencyCode() == d.after.GetCurrencyCode() {
		return
	}
	if before != 0 || after != 0 {
		d.add(what, cash(d.before, before), cash(d.after, after))
	}
}

func (d *differ) terms() {
	b, a := d.before, d.after
	d.add("currency", b.GetCurrencyCode(), a.GetCurrencyCode())
	d.add("customer", b.GetCustomer(), a.GetCustomer())
	d.add("reference", b.GetReference(), a.GetReference())
	d.amounts("cost of a day", b.GetDayCost(), a.GetDayCost())
	d.add("tax rate", percentWords(b.GetTaxPercent()), percentWords(a.GetTaxPercent()))
	d.add("place whose tax rules count", b.GetTaxPlace(), a.GetTaxPlace())
	d.add("supplies", supplyWords(b), supplyWords(a))
	d.add("hours it is asked to be good for", hourWords(b), hourWords(a))
	d.add("limits", limitWords(b), limitWords(a))
	d.add("several parts bought at once", strconv.FormatBool(b.GetParallel()), strconv.FormatBool(a.GetParallel()))
	d.add("day to be ready by", dayWords(b.GetDeadlineDays()), dayWords(a.GetDeadlineDays()))
	d.amounts("cost of being late", b.GetLateCost(), a.GetLateCost())
}

// lines pairs the lines by their needs.
func (d *differ) lines() {
	before, after := Lines(d.before), Lines(d.after)
	paired := make(map[int]bool)
	for i, line := range after {
		at := -1
		for j, old := range before {
			if !paired[j] && proto.Equal(old.GetNeed(), line.GetNeed()) {
				at = j
				break
			}
		}
		name := "line " + strconv.Itoa(i+1)
		if at < 0 {
			d.add(name, "", needWords(line.GetNeed()))
			continue
		}
		paired[at] = true
		d.line(name, before[at], line)
	}
	for j, old := range before {
		if !paired[j] {
			d.add("line "+strconv.Itoa(j+1)+" of the version before", needWords(old.GetNeed()), "")
		}
	}
}

func (d *differ) line(name string, before, after *quotev1.QuoteLine) {
	d.add(name+", bought first", firstWords(before), firstWords(after))
	d.plan(name, before.GetPlan().GetOrder(), after.GetPlan().GetOrder())
	d.amounts(name+", expected cost", before.GetPlan().GetExpectedCost(), after.GetPlan().GetExpectedCost())
	d.add(name+", labour", labourWords(d.before, before.GetLabour()), labourWords(d.after, after.GetLabour()))
	old := make(map[string]*quotev1.Option, len(before.GetOptions()))
	for _, option := range before.GetOptions() {
		old[option.GetSource()] = option
	}
	for _, option := range after.GetOptions() {
		was, known := old[option.GetSource()]
		delete(old, option.GetSource())
		what := name + ", " + option.GetSource()
		if !known {
			d.add(what, "", cash(d.after, option.GetPrice()))
			continue
		}
		d.amounts(what+", price", was.GetPrice(), option.GetPrice())
		d.amounts(what+", in all", was.GetLandedCost(), option.GetLandedCost())
		d.amounts(what+", deposit on the old part", was.GetCoreDeposit(), option.GetCoreDeposit())
		d.amounts(what+", freight", was.GetFreight(), option.GetFreight())
		d.amounts(what+", kept where it goes back", was.GetReturnLoss(), option.GetReturnLoss())
		d.add(what+", part", numberWords(was), numberWords(option))
		d.add(what+", condition", was.GetConditionWords(), option.GetConditionWords())
		d.add(what+", days", dayWords(was.GetDays()), dayWords(option.GetDays()))
		d.add(what+", days of warranty", dayWords(was.GetWarrantyDays()), dayWords(option.GetWarrantyDays()))
		d.add(what+", days to return the old part", dayWords(was.GetCoreDays()), dayWords(option.GetCoreDays()))
	}
	for _, option := range before.GetOptions() {
		if _, gone := old[option.GetSource()]; gone {
			d.add(name+", "+option.GetSource(), cash(d.before, option.GetPrice()), "")
		}
	}
}

// plan compares two orders of purchase, without what they begin with alike.
func (d *differ) plan(name string, before, after []string) {
	same := 0
	for same < min(len(before), len(after)) && before[same] == after[same] {
		same++
	}
	what := name + ", plan"
	if same > 0 {
		what += fmt.Sprintf(" from place %d on", same+1)
	}
	d.add(what, orderWords(before[same:]), orderWords(after[same:]))
}

// orderWords names the first of what is bought in order, and counts the rest.
func orderWords(sources []string) string {
	const named = 4
	if n := len(sources) - named; n > 0 {
		return strings.Join(sources[:named], ", ") + fmt.Sprintf(" and %d more", n)
	}
	return strings.Join(sources, ", ")
}

func (d *differ) totals() {
	b, a := d.before.GetTotal(), d.after.GetTotal()
	for _, part := range []struct {
		what          string
		before, after int64
	}{
		{"parts", b.GetParts(), a.GetParts()},
		{"deposits on old parts", b.GetCoreDeposits(), a.GetCoreDeposits()},
		{"tax", b.GetTax(), a.GetTax()},
		{"freight", b.GetFreight(), a.GetFreight()},
		{"handling of dangerous goods", b.GetHandling(), a.GetHandling()},
		{"labour of fitting", b.GetFitLabour(), a.GetFitLabour()},
		{"labour of arrival checks", b.GetCheckLabour(), a.GetCheckLabour()},
		{"supplies in all", b.GetSupplies(), a.GetSupplies()},
		{"total", b.GetTotal(), a.GetTotal()},
		{"expected back with the old parts", b.GetCoreRefunds(), a.GetCoreRefunds()},
	} {
		d.amounts(part.what, part.before, part.after)
	}
}

func firstWords(line *quotev1.QuoteLine) string {
	option := FirstBuy(line.GetOptions())
	if option == nil {
		return ""
	}
	return partWords(option) + " " + option.GetSource()
}

func numberWords(option *quotev1.Option) string {
	return strings.TrimSpace(option.GetPartMaker() + " " + option.GetPartNumber())
}

func needWords(need *fitmentv1.Need) string {
	words := kindWords(need.GetKind())
	if p := need.GetPosition(); p.GetRow() > 0 || p.GetSide() != 0 {
		words += fmt.Sprintf(", row %d %s", p.GetRow(), strings.ToLower(p.GetSide().String()))
	}
	return words
}

func labourWords(q *quotev1.Quote, labour *quotev1.Labour) string {
	if labour.GetFitMinutes() == 0 && labour.GetCheckMinutes() == 0 {
		return ""
	}
	return fmt.Sprintf("%d minutes of fitting, %d of the check, at %s an hour", labour.GetFitMinutes(), labour.GetCheckMinutes(), cash(q, labour.GetHourlyRate()))
}

func supplyWords(q *quotev1.Quote) string {
	if q.GetSuppliesPercent() != "" {
		return q.GetSuppliesPercent() + " % of labour"
	}
	items := make([]string, 0, len(q.GetSupplies()))
	for _, item := range q.GetSupplies() {
		items = append(items, item.GetLabel()+" "+cash(q, item.GetAmount()))
	}
	return strings.Join(items, ", ")
}

func limitWords(q *quotev1.Quote) string {
	var set []string
	limits := q.GetLimits()
	if v := limits.GetMaxCost(); v > 0 {
		set = append(set, "expected cost "+cash(q, v))
	}
	if v := limits.GetMaxCvar(); v > 0 {
		set = append(set, "mean of the worst 1 in 20 "+cash(q, v))
	}
	if v := limits.GetMaxDays(); v > 0 {
		set = append(set, "expected days "+prose.Decimal(v))
	}
	if v := limits.GetMinLowerBound(); v > 0 {
		set = append(set, "lower bound of the chance "+prose.Decimal(v))
	}
	return strings.Join(set, ", ")
}

func percentWords(percent string) string {
	if percent == "" || percent == "0" {
		return ""
	}
	return percent + " %"
}

func dayWords(days int32) string {
	if days == 0 {
		return ""
	}
	return strconv.Itoa(int(days))
}

func hourWords(q *quotev1.Quote) string { return dayWords(q.GetValidHours()) }
