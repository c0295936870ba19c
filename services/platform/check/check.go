// Package check collects what is wrong with a request, field by field, so that
// one answer names everything.
package check

import (
	"fmt"
	"math"
	"strconv"
	"time"
	"unicode"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Fields collects violations. The zero value is ready.
type Fields struct {
	violations []apierr.Violation
}

// Add notes that a field is wrong, how, and what would be right. A problem often
// quotes what the caller sent, of any length; see brief.
func (f *Fields) Add(field, problem, expected string) {
	f.violations = append(f.violations, apierr.Violation{Field: field, Problem: brief(problem), Expected: expected})
}

// OK tells whether nothing is wrong so far.
func (f *Fields) OK() bool { return len(f.violations) == 0 }

// Violations returns what was noted.
func (f *Fields) Violations() []apierr.Violation { return f.violations }

// Err returns nil, or INVALID_ARGUMENT naming every violation.
func (f *Fields) Err() error {
	if f.OK() {
		return nil
	}
	return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, f.violations...)
}

// Int demands low ≤ value ≤ high.
func (f *Fields) Int(field string, value, low, high int64) {
	if value < low || value > high {
		f.Add(field, fmt.Sprintf("%d is out of range", value), fmt.Sprintf("%d to %d", low, high))
	}
}

// Number demands a finite number, low ≤ value ≤ high.
func (f *Fields) Number(field string, value, low, high float64) {
	if math.IsNaN(value) || math.IsInf(value, 0) || value < low || value > high {
		f.Add(field, strconv.FormatFloat(value, 'g', -1, 64)+" is out of range",
			fmt.Sprintf("%g to %g", low, high))
	}
}

// Text demands valid UTF-8 without control characters, of at most longest
// characters, and not empty where required.
func (f *Fields) Text(field, value string, longest int, required bool) {
	switch {
	case value == "" && required:
		f.Add(field, "is missing", fmt.Sprintf("text of at most %d characters", longest))
	case !utf8.ValidString(value):
		f.Add(field, "is not valid UTF-8", "UTF-8 text")
	case utf8.RuneCountInString(value) > longest:
		f.Add(field, fmt.Sprintf("has %d characters", utf8.RuneCountInString(value)), fmt.Sprintf("at most %d", longest))
	default:
		for _, r := range value {
			if unicode.IsControl(r) {
				f.Add(field, "contains a control character", "plain text")
				return
			}
		}
	}
}

// Date demands an empty text or a day as YYYY-MM-DD between 1950 and 2100.
func (f *Fields) Date(field, value string) {
	if value == "" {
		return
	}
	day, err := time.Parse(time.DateOnly, value)
	if err != nil || day.Year() < 1950 || day.Year() > 2100 {
		f.Add(field, strconv.Quote(value)+" is no date", "a day from 1950 to 2100 as YYYY-MM-DD")
	}
}
