// Package working says how a computed number came about, so that everyone can
// do the sum again: its formula with the numbers that went in. Packages that
// calculate make Steps; answers carry them, and --why prints them.
//
// A formula is plain arithmetic: decimal numbers, + − × / ( ) and %, which
// divides the number before it by 100, then perhaps words after a comma, as in
// "7.25 % × (185.00 + 50.00), rounded half away from zero". Amounts stand in
// major units as amount.Format writes them. Package workingtest does such sums
// again in tests.
package working

import (
	"strings"

	"beltwright.example/services/platform/amount"
)

// Rounded ends a formula whose value is rounded to the places it is written
// with.
const Rounded = ", rounded half away from zero"

// Step is one number and where it comes from.
type Step struct {
	// Number names what was computed, such as "tax".
	Number string
	// Formula is how, with the numbers that went in.
	Formula string
	// Value is the result: a decimal number.
	Value string
	// Source is where the rule is published; empty for plain arithmetic.
	Source string
}

// String writes the step in one line.
func (s Step) String() string {
	line := s.Number + " = " + s.Formula + " = " + s.Value
	if s.Source != "" {
		line += " (" + s.Source + ")"
	}
	return line
}

// Sum is the step that adds amounts of a currency; none of them gives 0.
func Sum(number, currency string, total int64, terms ...int64) Step {
	written := make([]string, 0, len(terms)+1)
	for _, term := range terms {
		written = append(written, Term(term, currency))
	}
	if len(terms) == 0 {
		written = append(written, Term(0, currency))
	}
	return Step{Number: number, Formula: strings.Join(written, " + "), Value: amount.Format(total, currency)}
}

// Term writes an amount as a formula has it: a debt stands in brackets.
func Term(value int64, currency string) string {
	if value < 0 {
		return "(" + amount.Format(value, currency) + ")"
	}
	return amount.Format(value, currency)
}
