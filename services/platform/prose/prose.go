// Package prose writes lists and numbers as people do.
package prose

import (
	"fmt"
	"strconv"
	"strings"
)

// List joins texts: "a", "a and b", "a, b and c"; empty for none.
func List(texts []string) string {
	last := len(texts) - 1
	if last < 1 {
		return strings.Join(texts, "")
	}
	return strings.Join(texts[:last], ", ") + " and " + texts[last]
}

// Some joins at most so many texts and counts the others: "a, b, c and 4 more".
func Some(texts []string, most int) string {
	if more := len(texts) - most; more > 0 {
		return strings.Join(texts[:most], ", ") + " and " + strconv.Itoa(more) + " more"
	}
	return List(texts)
}

// ListOf joins what each item is called.
func ListOf[T any](items []T, name func(T) string) string {
	names := make([]string, len(items))
	for i, item := range items {
		names[i] = name(item)
	}
	return List(names)
}

// Joined joins the texts that are not empty.
func Joined(between string, texts ...string) string {
	var kept []string
	for _, text := range texts {
		if text != "" {
			kept = append(kept, text)
		}
	}
	return strings.Join(kept, between)
}

// Decimal writes a number in full, without an exponent.
func Decimal(value float64) string { return strconv.FormatFloat(value, 'f', -1, 64) }

// Percent writes a chance with two significant figures, more where it is near
// certain, and never as 0 or 100 where it is neither.
func Percent(p float64) string {
	const least, most = 0.0001, 0.9999
	switch {
	case p > 0 && p < least:
		return "below 0.01 %"
	case p > most && p < 1:
		return "above 99.99 %"
	case p < 0.1:
		return fmt.Sprintf("%.2g %%", p*100)
	case p <= 0.99 || p >= 1:
		return fmt.Sprintf("%.0f %%", p*100)
	default:
		return strings.TrimRight(fmt.Sprintf("%.2f", p*100), "0.") + " %"
	}
}
