package imports

import (
	"math"
	"strconv"
	"strings"

	"beltwright.example/services/platform/check"
)

// Row is one row of a file. A column that the file does not have reads as an
// empty cell.
type Row struct {
	// Line is the line on which the row starts, the header being line 1.
	Line int

	cells   []string
	columns map[string]int
}

// NewRow makes a row from its cells by column name.
func NewRow(line int, cells map[string]string) Row {
	row := Row{Line: line, columns: make(map[string]int, len(cells))}
	for name, text := range cells {
		row.columns[foldName(name)] = len(row.cells)
		row.cells = append(row.cells, text)
	}
	return row
}

// Text returns the cell, without the space around it.
func (r Row) Text(column string) string {
	i, ok := r.columns[foldName(column)]
	if !ok || i >= len(r.cells) {
		return ""
	}
	return strings.TrimSpace(r.cells[i])
}

// Has tells whether the cell is not empty.
func (r Row) Has(column string) bool { return r.Text(column) != "" }

// Int returns the cell as a whole number, 0 where it is empty; anything else is
// noted as a violation. Its range is the caller's to check.
func (r Row) Int(column string, fields *check.Fields) int64 {
	text := r.Text(column)
	if text == "" {
		return 0
	}
	value, err := strconv.ParseInt(text, 10, 64)
	if err != nil {
		fields.Add(column, quote(text)+" is no whole number", "digits only, such as 12")
		return 0
	}
	return value
}

// Number returns the cell as a finite number with a decimal point, 0 where it is
// empty; anything else is noted as a violation. Its range is the caller's to
// check.
func (r Row) Number(column string, fields *check.Fields) float64 {
	text := r.Text(column)
	if text == "" {
		return 0
	}
	value, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) || !plainNumber(text) {
		fields.Add(column, quote(text)+" is no number", "a number with a decimal point, such as 2.1")
		return 0
	}
	return value
}

// YesNo returns the cell as yes or no; stated is false where it is empty.
// Anything else is noted as a violation.
func (r Row) YesNo(column string, fields *check.Fields) (yes, stated bool) {
	switch text := r.Text(column); strings.ToLower(text) {
	case "":
		return false, false
	case "yes", "y", "true", "1":
		return true, true
	case "no", "n", "false", "0":
		return false, true
	default:
		fields.Add(column, quote(text)+" is neither yes nor no", "yes, no or nothing")
		return false, false
	}
}

// plainNumber keeps out hexadecimal floats and digits joined by underscores.
func plainNumber(text string) bool {
	return strings.Trim(text, "0123456789+-.eE") == ""
}

// quote quotes a cell for a message, shortened.
func quote(text string) string {
	const longest = 60
	if runes := []rune(text); len(runes) > longest {
		text = string(runes[:longest]) + "…"
	}
	return strconv.Quote(text)
}

// foldName makes column names comparable: lower case, words joined by one space.
func foldName(name string) string {
	if isFolded(name) {
		return name
	}
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool {
		return r == ' ' || r == '_' || r == '-' || r == '\t' || r == '\u00a0'
	})
	return strings.Join(words, " ")
}

// isFolded spares the work for the usual names: lower-case words with one space
// between them.
func isFolded(name string) bool {
	last := byte(' ')
	for i := range len(name) {
		b := name[i]
		if (b < 'a' || b > 'z') && (b < '0' || b > '9') && (b != ' ' || last == ' ') {
			return false
		}
		last = b
	}
	return last != ' '
}
