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
	line(freightTerms(t, currency), statedAmount("handling ", t.GetHandling(), currency, ""), statedNumber("", int64(t.GetDays()), " days"))
	line(statedAmount("return freight ", t.GetReturnFreight(), currency, ""), restockingTerms(t), statedNumber("", int64(t.GetWarrantyDays()), " days of warranty"))
	inside := ""
	if t.GetInComponent() {
		inside = "inside a component"
	}
	line(statedNumber("", t.GetWeightGrams(), " g"), t.GetUnNumber(), inside)
	line(coreTerms(t, currency))
}

func statedAmount(before string, value int64, currency, after string) string {
	if value == 0 {
		return ""
	}
	return before + cash(value, currency) + after
}

func statedNumber(before string, value int64, after string) string {
	if value == 0 {
		return ""
	}
	return fmt.Sprintf("%s%d%s", before, value, after)
}

func freightTerms(t *fitmentv1.Terms, currency string) string {
	text := statedAmount("freight ", t.GetFreight(), currency, "")
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
	text := "deposit on the old part " + cash(t.GetCoreDeposit(), currency) +
		statedNumber(", back within ", int64(t.GetCoreDays()), " days")
	return text + statedAmount("; sending it back costs ", t.GetCoreReturnFreight(), currency, "")
}
