package cli

import (
	"fmt"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// showTerms shows a seller's terms; what he does not state is left out.
func showTerms(p *printer, t *fitmentv1.Terms, currency string) {
	line := func(items ...string) {
		stated := make([]string, 0, len(items))
		for _, item := range items {
			if item != "" {
				stated = append(stated, item)
			}
		}
		if len(stated) > 0 {
			p.linef("%s", strings.Join(stated, ", "))
		}
	}
	line(freightTerms(t, currency), statedAmount("handling ", t.GetHandling(), currency), dayCount(t.GetDays(), ""))
	line(statedAmount("return freight ", t.GetReturnFreight(), currency), restockingTerms(t), dayCount(t.GetWarrantyDays(), " of warranty"))
	weight, inside := "", ""
	if t.GetWeightGrams() > 0 {
		weight = fmt.Sprintf("%d g", t.GetWeightGrams())
	}
	if t.GetInComponent() {
		inside = "inside a component"
	}
	line(weight, t.GetUnNumber(), inside)
	line(coreTerms(t, currency))
}

func statedAmount(before string, value int64, currency string) string {
	if value == 0 {
		return ""
	}
	return before + cash(value, currency)
}

// dayCount says how many days; after follows them. None is left out.
func dayCount(days int32, after string) string {
	switch days {
	case 0:
		return ""
	case 1:
		return "1 day" + after
	default:
		return fmt.Sprintf("%d days%s", days, after)
	}
}

func freightTerms(t *fitmentv1.Terms, currency string) string {
	text := statedAmount("freight ", t.GetFreight(), currency)
	if t.GetFreightPerKilogram() == 0 {
		return text
	}
	if text == "" {
		text = "freight "
	} else {
		text += " and "
	}
	return text + cash(t.GetFreightPerKilogram(), currency) + " a kilogram"
}

// restockingTerms writes hundredths of a percent as a percentage.
func restockingTerms(t *fitmentv1.Terms) string {
	points := int64(t.GetRestockingBasisPoints())
	if points == 0 {
		return ""
	}
	percent := strings.TrimRight(strings.TrimRight(fmt.Sprintf("%d.%02d", points/100, points%100), "0"), ".")
	return "restocking " + percent + " %"
}

func coreTerms(t *fitmentv1.Terms, currency string) string {
	if t.GetCoreDeposit() == 0 {
		return ""
	}
	text := "deposit on the old part " + cash(t.GetCoreDeposit(), currency)
	if t.GetCoreDays() > 0 {
		text += ", back within " + dayCount(t.GetCoreDays(), "")
	}
	return text + statedAmount("; sending it back costs ", t.GetCoreReturnFreight(), currency)
}
