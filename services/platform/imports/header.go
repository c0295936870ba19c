package imports

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// readHeader reads the first line, sets the scanner up for the rows and returns
// each column's place. Its errors name every column that is wrong.
func readHeader(s *scanner, columns []Column) (map[string]int, error) {
	if err := skipMark(s); err != nil {
		return nil, err
	}
	if err := s.skipBlank(); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, malformed("header", "is missing: the file is empty", "a first line that names the columns: "+list(columns))
		}
		return nil, err
	}
	s.delimiter = detectDelimiter(firstLine(s))
	header, err := s.next()
	if err != nil {
		return nil, err
	}
	if header.fault != nil {
		return nil, malformed("header", header.fault.Text, header.fault.Expected)
	}
	if n := len(header.cells); n > MaxColumns {
		return nil, malformed("header", fmt.Sprintf("has %d columns", n), fmt.Sprintf("at most %d", MaxColumns))
	}
	places, violations := place(header.cells, columns)
	if len(violations) > 0 {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_MALFORMED_REQUEST, violations...)
	}
	s.names = make([]string, len(header.cells))
	for _, column := range columns {
		if i, ok := places[foldName(column.Name)]; ok {
			s.names[i] = column.Name
		}
	}
	return places, nil
}

// skipMark drops a UTF-8 byte order mark and refuses a UTF-16 one.
func skipMark(s *scanner) error {
	s.fill(3)
	switch start := s.window(); {
	case s.failed != nil:
		return s.failed
	case bytes.HasPrefix(start, []byte("\xef\xbb\xbf")):
		s.use(3)
	case bytes.HasPrefix(start, []byte("\xff\xfe")), bytes.HasPrefix(start, []byte("\xfe\xff")):
		return malformed("header", "is UTF-16", "a file saved as UTF-8")
	}
	return nil
}

// firstLine returns what the window holds of the first line, once it holds all
// of it or a record's worth.
func firstLine(s *scanner) []byte {
	for size := 1; ; size = s.end - s.start + 1 {
		s.fill(size)
		if i := bytes.IndexByte(s.window(), '\n'); i >= 0 {
			return s.window()[:i]
		}
		if s.ended || s.end-s.start > MaxRecord {
			return s.window()
		}
	}
}

// detectDelimiter returns the separator that a header line uses most outside
// quotes; a comma where it uses none.
func detectDelimiter(line []byte) byte {
	counts := map[byte]int{}
	inside := false
	for _, b := range line {
		if b == '"' {
			inside = !inside
		}
		if !inside {
			counts[b]++
		}
	}
	best := byte(',')
	for _, b := range []byte{';', '\t'} {
		if counts[b] > counts[best] {
			best = b
		}
	}
	return best
}

// place finds each known column in the header.
func place(cells []string, columns []Column) (map[string]int, []apierr.Violation) {
	known := make(map[string]string, len(columns))
	for _, column := range columns {
		known[foldName(column.Name)] = column.Name
	}
	explained := false
	once := func(expected string) string { // the first problem names all columns, for the others too
		if explained {
			return expected
		}
		explained = true
		return expected + "; the columns are " + list(columns)
	}
	places := make(map[string]int, len(cells))
	var wrong []apierr.Violation
	for i, cell := range cells {
		name := foldName(cell)
		first, twice := places[name]
		switch {
		case !utf8.ValidString(cell):
			wrong = append(wrong, apierr.Violation{
				Field: fmt.Sprintf("column %d", i+1), Problem: "has a name that is not valid UTF-8", Expected: "a file saved as UTF-8",
			})
		case name == "":
			wrong = append(wrong, apierr.Violation{
				Field: fmt.Sprintf("column %d", i+1), Problem: "has no name", Expected: once("the name of a column"),
			})
		case twice:
			wrong = append(wrong, apierr.Violation{
				Field: known[name], Problem: fmt.Sprintf("is the name of columns %d and %d", first+1, i+1), Expected: "each column once",
			})
		case known[name] == "":
			wrong = append(wrong, apierr.Violation{
				Field: brief(cell), Problem: "is no column of this kind of file", Expected: once(nearest(name, columns)),
			})
		default:
			places[name] = i
		}
	}
	wrong = capped(wrong)
	for _, column := range columns {
		if _, ok := places[foldName(column.Name)]; column.Required && !ok {
			wrong = append(wrong, apierr.Violation{
				Field: column.Name, Problem: "is missing in the header", Expected: "a column of this name",
			})
		}
	}
	return places, wrong
}

// maxNamed bounds the columns that one error names.
const maxNamed = 20

// capped leaves out the problems beyond what anybody reads.
func capped(wrong []apierr.Violation) []apierr.Violation {
	more := len(wrong) - maxNamed
	if more <= 0 {
		return wrong
	}
	return append(wrong[:maxNamed], apierr.Violation{
		Field: "header", Problem: fmt.Sprintf("has %d more columns that are wrong", more), Expected: "none but the known columns",
	})
}

// nearest suggests the column that an unknown name is most likely meant to be.
func nearest(name string, columns []Column) string {
	best, distance := "", max(len(name)/3, 1)+1
	for _, column := range columns {
		if d := edits(name, foldName(column.Name)); d < distance {
			best, distance = column.Name, d
		}
	}
	if best == "" {
		return "a column of this kind of file"
	}
	return strconv.Quote(best)
}

// edits counts the characters to put in, take out or replace to turn one text
// into the other (the Levenshtein distance). A name too long to be a slip of the
// pen is as far away as it is long.
func edits(from, to string) int {
	a, b := []rune(from), []rune(to)
	if len(a) > 2*len(b) {
		return len(a)
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i, x := range a {
		diagonal := row[0]
		row[0] = i + 1
		for j, y := range b {
			replaced := diagonal
			if x != y {
				replaced++
			}
			diagonal = row[j+1]
			row[j+1] = min(replaced, row[j]+1, diagonal+1)
		}
	}
	return row[len(b)]
}

// brief shortens a column's name as a file spells it.
func brief(name string) string {
	const longest = 60
	if runes := []rune(name); len(runes) > longest {
		return string(runes[:longest]) + "…"
	}
	return name
}

// list names all columns.
func list(columns []Column) string {
	names := make([]string, len(columns))
	for i, column := range columns {
		names[i] = column.Name
	}
	return strings.Join(names, ", ")
}
