// Package sheet writes CSV that is safe to open in a spreadsheet: RFC 4180 with
// every row as wide as the first, where a text that a spreadsheet would take for
// a formula begins with an apostrophe. Numbers stay numbers.
//
// That a text beginning with = + - @, a tab or a carriage return may run as a
// formula, and that an apostrophe before it prevents that, is what OWASP
// publishes as "CSV Injection"
// (https://owasp.org/www-community/attacks/CSV_Injection); so does it that the
// wide forms of these signs count in some languages, and that a separator in the
// middle of a text may begin a cell: programs set to some languages part cells at
// semicolons, and honour no quotes that do not open such a cell.
package sheet

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
)

// ErrWidth is returned for a row that has more or fewer cells than the first
// one, or none (RFC 4180, section 2, rule 4).
var ErrWidth = errors.New("every row has as many cells as the first, at least one")

// Writer writes rows. Make one with New. It holds nothing back: each row is one
// write.
type Writer struct {
	to    io.Writer
	width int
}

// New gives a writer of rows to to. The first row is the header.
func New(to io.Writer) *Writer { return &Writer{to: to} }

// Row writes one row. Cells are texts, or numbers as Number takes them; text that
// is not UTF-8 is mended with the replacement character. Errors: ErrWidth, or what
// the underlying writer says.
func (w *Writer) Row(cells ...string) error {
	if w.width == 0 {
		w.width = len(cells)
	}
	if len(cells) == 0 || len(cells) != w.width {
		return fmt.Errorf("a row of %d cells, where the first has %d: %w", len(cells), w.width, ErrWidth)
	}
	var row strings.Builder
	for i, cell := range cells {
		if i > 0 {
			row.WriteByte(',')
		}
		row.WriteString(quoted(Safe(cell)))
	}
	// A single empty cell would be an empty line, which readers skip.
	if row.Len() == 0 {
		row.WriteString(`""`)
	}
	row.WriteString("\r\n")
	if _, err := io.WriteString(w.to, row.String()); err != nil {
		return fmt.Errorf("write a row: %w", err)
	}
	return nil
}

// quoted puts a cell in quotes where RFC 4180 asks for it, and where white space
// at an end might be trimmed.
func quoted(cell string) string {
	if !strings.ContainsAny(cell, ",\"\r\n") && strings.TrimSpace(cell) == cell {
		return cell
	}
	return `"` + strings.ReplaceAll(cell, `"`, `""`) + `"`
}

// Safe is a cell as it is written: an apostrophe stands before what a spreadsheet
// might run, also where an apostrophe or white space is in front of it already, so
// that Plain gives the cell back exactly.
func Safe(cell string) string {
	cell = strings.ToValidUTF8(cell, string(unicode.ReplacementChar))
	return eachStart(cell, func(rest string) string {
		if runs(rest) {
			return "'" + rest
		}
		return rest
	})
}

// Plain is the text of a cell that was read from a sheet of this package.
func Plain(cell string) string {
	return eachStart(cell, func(rest string) string {
		if unmarked, marked := strings.CutPrefix(rest, "'"); marked && runs(unmarked) {
			return unmarked
		}
		return rest
	})
}

// breaks are the signs behind which some program may begin another cell.
const breaks = ";\t\r\n"

// eachStart changes a text where a cell may begin in it: at its front, and behind
// breaks. Change gets all that follows and may change its front only.
func eachStart(text string, change func(rest string) string) string {
	var out strings.Builder
	for text != "" {
		text = change(text)
		end := len(text)
		if first := strings.IndexAny(text, breaks); first >= 0 {
			end -= len(strings.TrimLeft(text[first:], breaks))
		}
		out.WriteString(text[:end])
		text = text[end:]
	}
	return out.String()
}

// runs tells whether a spreadsheet might run a text.
func runs(text string) bool { return !Number(text) && live(text) }

// live tells whether a spreadsheet might take the text for a formula. White space,
// signs that are not shown and apostrophes in front of it do not make it harmless:
// some programs trim them.
func live(cell string) bool {
	cell = strings.TrimLeft(cell, "'")
	if strings.IndexAny(cell, "\t\r\n\x00") == 0 {
		return true
	}
	first := strings.TrimLeftFunc(cell, func(r rune) bool {
		return r == '\'' || unicode.IsSpace(r) || unicode.IsControl(r) || unicode.Is(unicode.Cf, r)
	})
	return first != "" && strings.ContainsRune("=+-@＝＋－＠", []rune(first)[0])
}

// Number tells whether a cell is a plain number: digits with at most a minus in
// front and a point with digits in the middle. Nothing else that begins with a
// minus is one.
func Number(cell string) bool {
	whole, fraction, point := strings.Cut(strings.TrimPrefix(cell, "-"), ".")
	return digits(whole) && (!point || digits(fraction))
}

func digits(text string) bool {
	return text != "" && strings.Trim(text, "0123456789") == ""
}
