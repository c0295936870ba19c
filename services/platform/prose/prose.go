// Package prose writes lists and numbers as people do.
package prose

import (
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

// ListOf joins what each item is called.
func ListOf[T any](items []T, name func(T) string) string {
	names := make([]string, len(items))
	for i, item := range items {
		names[i] = name(item)
	}
	return List(names)
}

// Decimal writes a number in full, without an exponent.
func Decimal(value float64) string { return strconv.FormatFloat(value, 'f', -1, 64) }
