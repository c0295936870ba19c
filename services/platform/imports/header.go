package imports

import (
	"bytes"
	"errors"
	"fmt"
	"io"
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
				Field: fmt.Sprintf("column %d", i+1), Problem: "has no name", Expected: "one of " + list(columns),
			})
		case twice:
			wrong = append(wrong, apierr.Violation{
				Field: known[name], Problem: fmt.Sprintf("is the name of columns %d and %d", first+1, i+1), Expected: "each column once",
			})
		case known[name] == "":
			wrong = append(wrong, apierr.Violation{
				Field: short(cell), Problem: "is no column of this kind of file", Expected: "one of " + list(columns),
			})
		default:
			places[name] = i
		}
	}
	for _, column := range columns {
		if _, ok := places[foldName(column.Name)]; column.Required && !ok {
			wrong = append(wrong, apierr.Violation{
				Field: column.Name, Problem: "is missing in the header", Expected: "a column of this name",
			})
		}
	}
	return places, wrong
}

// list names all columns.
func list(columns []Column) string {
	names := make([]string, len(columns))
	for i, column := range columns {
		names[i] = column.Name
	}
	return strings.Join(names, ", ")
}
