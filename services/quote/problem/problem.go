// Package problem says what is wrong with a problem that is to be computed, field
// by field, so that one answer names everything.
package problem

import (
	"fmt"
	"strconv"
	"unicode/utf8"

	"beltwright.example/services/platform/amount"
)

const (
	// MaxAmount bounds every amount, in minor units.
	MaxAmount = amount.Max
	// MaxID bounds an id, in characters.
	MaxID = 300
	// most violations are listed; the rest are counted. A caller who gets 20,000
	// prices wrong made one mistake, and learns nothing from the last 19,900.
	most = 100
)

// Violation names a field of the problem, what is wrong and what would be right.
type Violation struct {
	Field, Problem, Expected string
}

// InvalidError lists what is wrong with a problem.
type InvalidError struct {
	Violations []Violation
	// many violations there are, listed or not.
	many int
}

// Error names the first violation and counts all.
func (e *InvalidError) Error() string {
	first := e.Violations[0]
	return fmt.Sprintf("%s %s; expected %s (%d in all)", first.Field, first.Problem, first.Expected, e.many)
}

// Fields collects violations. The zero value is ready.
type Fields struct {
	violations []Violation
	left       int
}

// Add notes that a field is wrong, how, and what would be right.
func (f *Fields) Add(field, what, expected string) {
	if len(f.violations) == most {
		f.left++
		return
	}
	f.violations = append(f.violations, Violation{field, what, expected})
}

// Within demands 0 ≤ value ≤ high.
func (f *Fields) Within(field string, value, high int64) {
	if value < 0 || value > high {
		f.Add(field, strconv.FormatInt(value, 10)+" is out of range", fmt.Sprintf("0 to %d", high))
	}
}

// Currency demands an active code of ISO 4217.
func (f *Fields) Currency(field, code string) {
	if !amount.Known(code) {
		f.Add(field, fmt.Sprintf("%.20q is no currency in use", code), "an active code of ISO 4217, such as USD")
	}
}

// ID demands 1 to MaxID characters.
func (f *Fields) ID(field, id string) {
	if id == "" || utf8.RuneCountInString(id) > MaxID {
		f.Add(field, "is empty or too long", fmt.Sprintf("1 to %d characters", MaxID))
	}
}

// Err is nil, or an *InvalidError. Beyond a hundred violations the rest are only
// counted.
func (f *Fields) Err() error {
	if len(f.violations) == 0 {
		return nil
	}
	all := f.violations
	if f.left > 0 {
		all = append(all[:most:most], Violation{"more", fmt.Sprintf("%d further fields are wrong", f.left), "the same as above"})
	}
	return &InvalidError{all, len(f.violations) + f.left}
}
