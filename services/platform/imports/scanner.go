package imports

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// record is one row of the file, split into cells, or what is wrong with it.
type record struct {
	line  int
	size  int
	cells []string
	fault *Problem
}

// windowSize holds a record of full size, its line end and enough behind it for
// reads to be large.
const windowSize = 2 * MaxRecord

// scanner splits a file into records. It looks ahead by at most MaxRecord. After
// a record that cannot be read it goes on at the line after the one on which the
// record began: an unclosed quote costs its own row, not the rest of the file.
type scanner struct {
	from      io.Reader
	delimiter byte
	names     []string // columns of a record; none while the header is read

	buffer     []byte
	start, end int   // buffer[start:end] is read but not used yet
	ended      bool  // from has no more
	failed     error // from failed
	line       int   // of the first byte not used yet
}

func newScanner(from io.Reader) *scanner {
	return &scanner{from: from, delimiter: ',', line: 1, buffer: make([]byte, windowSize)}
}

func (s *scanner) window() []byte { return s.buffer[s.start:s.end] }

// fill reads until the window holds size bytes, at most windowSize, or the file
// ends.
func (s *scanner) fill(size int) {
	for idle := 0; s.end-s.start < size && !s.ended; {
		if s.end == len(s.buffer) {
			s.end = copy(s.buffer, s.window())
			s.start = 0
		}
		n, err := s.from.Read(s.buffer[s.end:])
		s.end += n
		if n == 0 && err == nil {
			if idle++; idle > 100 {
				err = io.ErrNoProgress
			}
		}
		if err != nil {
			s.ended = true
			if !errors.Is(err, io.EOF) {
				s.failed = err
			}
		}
	}
}

// use drops n bytes from the front and counts their lines.
func (s *scanner) use(n int) {
	s.line += bytes.Count(s.buffer[s.start:s.start+n], []byte{'\n'})
	s.start += n
}

// next returns the next record; io.EOF at the end, or why the file could not be
// read on.
func (s *scanner) next() (record, error) {
	if err := s.skipBlank(); err != nil {
		return record{}, err
	}
	out := record{line: s.line}
	end, lines, fault := s.find()
	if s.failed != nil {
		return record{}, s.failed
	}
	if fault == nil {
		out.size = end
		out.cells = s.split(bytes.TrimRight(s.window()[:end], "\r\n"))
		fault = s.judge(out.cells, lines)
		if fault == nil || lines == 1 {
			out.fault = fault
			s.use(end)
			return out, nil
		}
		// Most likely a stray quote that met another one lines below.
	}
	out.fault = fault
	out.size = s.skipLine()
	return out, s.failed
}

// skipBlank drops empty lines.
func (s *scanner) skipBlank() error {
	for {
		s.fill(2)
		switch {
		case s.failed != nil:
			return s.failed
		case s.start == s.end:
			return io.EOF
		case s.buffer[s.start] == '\n':
			s.use(1)
		case s.buffer[s.start] == '\r' && (s.start+1 == s.end || s.buffer[s.start+1] == '\n'):
			s.use(min(2, s.end-s.start))
		default:
			return nil
		}
	}
}

// skipLine drops what is left of the line and returns its length, at most the
// window's.
func (s *scanner) skipLine() int {
	used := 0
	for {
		s.fill(1)
		if s.start == s.end {
			return used
		}
		if i := bytes.IndexByte(s.window(), '\n'); i >= 0 {
			s.use(i + 1)
			return min(used+i+1, windowSize)
		}
		used = min(used+s.end-s.start, windowSize)
		s.start = s.end
	}
}

// where a scan stands within a record.
type quoteState int

const (
	cellStart quoteState = iota
	plain
	quoted
	quoteEnd // after a quote inside a quoted cell: its end, or a doubled one
	lineEnd  // after the carriage return behind a quoted cell
)

// find returns the length of the record at the front with its line end, and the
// lines that it spans; or what is wrong.
func (s *scanner) find() (end, lines int, fault *Problem) {
	state, lines := cellStart, 1
	for i := 0; ; i++ {
		if s.start+i == s.end {
			s.fill(i + 1)
		}
		if s.start+i == s.end {
			if state == quoted {
				return 0, lines, unclosed("the end of the file")
			}
			return i, lines, nil
		}
		b := s.buffer[s.start+i]
		if i >= MaxRecord && (b != '\n' || state == quoted) {
			if state == quoted {
				return 0, lines, unclosed(fmt.Sprintf("%d bytes", MaxRecord))
			}
			return 0, lines, &Problem{
				Field: wholeRow, Text: fmt.Sprintf("is longer than %d bytes", MaxRecord),
				Expected: fmt.Sprintf("a row of at most %d bytes", MaxRecord),
			}
		}
		if b == '\n' && state != quoted {
			return i + 1, lines, nil
		}
		if b == '\n' {
			lines++
		}
		state, fault = s.step(state, b)
		if fault != nil {
			return 0, lines, fault
		}
	}
}

// step moves over one byte of a record.
func (s *scanner) step(state quoteState, b byte) (quoteState, *Problem) {
	switch {
	case state == quoted && b == '"':
		return quoteEnd, nil
	case state == quoted:
		return quoted, nil
	case b == s.delimiter && state != lineEnd:
		return cellStart, nil
	case state == quoteEnd && b == '"':
		return quoted, nil
	case state == quoteEnd && b == '\r':
		return lineEnd, nil
	case state == quoteEnd || state == lineEnd:
		return state, &Problem{
			Field: wholeRow, Text: "has text after a closing quote",
			Expected: `a separator after the quote; a quote inside a cell is doubled: "5"" hose"`,
		}
	case b == '"' && state == cellStart:
		return quoted, nil
	case b == '"':
		return state, &Problem{
			Field: wholeRow, Text: "has a quote inside a cell that does not begin with one",
			Expected: `the whole cell in quotes, the inner one doubled: "5"" hose"`,
		}
	default:
		return plain, nil
	}
}

// split cuts a well-formed record, without its line end, into cells.
func (s *scanner) split(raw []byte) []string {
	text := string(raw) // one copy; the cells share it
	cells := make([]string, 0, max(len(s.names), 8))
	for {
		cell, rest, more := s.cut(text)
		cells = append(cells, cell)
		if !more {
			return cells
		}
		text = rest
	}
}

// cut takes the first cell off.
func (s *scanner) cut(text string) (cell, rest string, more bool) {
	if !strings.HasPrefix(text, `"`) {
		return strings.Cut(text, string(rune(s.delimiter)))
	}
	i := 1
	for {
		i += strings.IndexByte(text[i:], '"')
		if i+1 < len(text) && text[i+1] == '"' {
			i += 2
			continue
		}
		break
	}
	return strings.ReplaceAll(text[1:i], `""`, `"`), text[min(i+2, len(text)):], i+1 < len(text)
}

// wholeRow stands for the column where no single one is at fault.
const wholeRow = "row"

func unclosed(until string) *Problem {
	return &Problem{
		Field: wholeRow, Text: "opens a quote that is not closed before " + until,
		Expected: `a closing quote; a quote inside a cell is doubled: "5"" hose"`,
	}
}

// judge finds what is wrong with a record as a whole.
func (s *scanner) judge(cells []string, lines int) *Problem {
	if s.names == nil {
		return nil
	}
	if len(cells) != len(s.names) {
		text := fmt.Sprintf("has %d cells", len(cells))
		if len(cells) == 1 {
			text = "has 1 cell"
		}
		if lines > 1 {
			text += fmt.Sprintf(" over %d lines", lines)
		}
		return &Problem{Field: wholeRow, Text: text, Expected: fmt.Sprintf("%d, as in the header", len(s.names))}
	}
	for i, cell := range cells {
		if !utf8.ValidString(cell) {
			return &Problem{Field: s.names[i], Text: "is not valid UTF-8", Expected: "a file saved as UTF-8"}
		}
	}
	return nil
}
