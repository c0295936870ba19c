// Package demo is the demo scenario: every make, model, yard, supplier, part
// number, person and price in it is invented. The CSV files are made by the
// program in the folder generate and can be imported by hand as well.
package demo

import (
	"embed"
	"fmt"
	"strings"
	"time"
)

//go:generate go run ./generate

//go:embed *.csv outcomes.json
var files embed.FS

// Day is the day on which the files say that recall coverage and price lists
// were current.
const Day = "2026-11-25"

// File returns one of the scenario's files, with Day moved to today in it, so
// that the demo's recall coverage is as fresh as it was meant to be.
func File(name string, today time.Time) ([]byte, error) {
	raw, err := files.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("demo scenario: %w", err)
	}
	text := strings.ReplaceAll(string(raw), Day, today.Format(time.DateOnly))
	return []byte(strings.ReplaceAll(text, priceDay(Day), priceDay(today.Format(time.DateOnly)))), nil
}

// priceDay is the last day of a price list that was current on a day.
func priceDay(day string) string {
	current, err := time.Parse(time.DateOnly, day)
	if err != nil { // only for a Day that is no date
		return day
	}
	return current.AddDate(1, 0, 0).Format(time.DateOnly)
}

// Yards lists the yards whose stock the scenario holds, each in a file
// listings-YARD.csv.
func Yards() []string {
	return []string{"kettlewick", "saltmarrow", "brindlefen", "osprey-hollow"}
}
