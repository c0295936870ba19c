package imports

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
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

// scanner splits a file into records. It looks ahead by at most MaxRecord.
//
// A record that cannot be read is refused whole, with all lines of its quoted
// cells: what stands inside a cell is never read as a row of its own. Where a
// quoted cell goes wrong, the text up to the quote that closes it belongs to it
// (see rejoin). A quote that nothing closes costs the line that it stands on and
// no more; its fault then says that the lines below were read as rows.
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
	found := s.find()
	if s.failed != nil {
		return record{}, s.failed
	}
	out.size, out.fault = found.end, found.fault
	if out.fault == nil {
		out.cells = s.split(bytes.TrimRight(s.window()[:found.end], "\r\n"))
		out.fault = s.judge(out.cells)
	}
	inner := bytes.Count(bytes.TrimSuffix(s.window()[:found.end], []byte{'\n'}), []byte{'\n'})
	if out.fault != nil && inner > 0 {
		out.fault.Text += fmt.Sprintf("; lines %d to %d are refused as this one row", out.line, out.line+inner)
	}
	s.use(found.end)
	if found.open {
		out.size += s.skipLine()
	}
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
	used, skipped := 0, 0
	for {
		s.fill(1)
		if s.start == s.end {
			return used
		}
		if i := bytes.IndexByte(s.window(), '\n'); i >= 0 {
			s.use(i + 1)
			return min(used+i+1, windowSize)
		}
		skipped += s.end - s.start
		used = min(skipped, windowSize)
		s.start = s.end
		if skipped > MaxSkip {
			s.failed = malformed(fmt.Sprintf("line %d", s.line), fmt.Sprintf("goes on for more than %d bytes", MaxSkip),
				"rows of at most "+strconv.Itoa(MaxRecord)+" bytes, each on its own line")
			return used
		}
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
	spoilt   // at text behind a quoted cell
	stray    // at a quote inside a plain cell
)

// finding is where the record at the front ends, and what is wrong with it.
type finding struct {
	end   int  // its length, with its line end
	open  bool // its last line goes on behind end
	fault *Problem
}

// find finds the end of the record at the front.
func (s *scanner) find() finding {
	var out finding
	state := cellStart
	cell, opened, closed := 0, 0, 0 // where a cell began, its quote, and the quote that seemed to end it
	for i := 0; ; i++ {
		b, more := s.peek(i)
		switch {
		case !more && state == quoted:
			return s.lonely(out.with(unclosed("the end of the file")), opened)
		case !more:
			out.end = i
			return out
		case i >= MaxRecord && state == quoted:
			return s.lonely(out.with(unclosed(fmt.Sprintf("%d bytes", MaxRecord))), opened)
		case b == '\n' && state != quoted:
			out.end = i + 1
			return out
		case i >= MaxRecord:
			out.end, out.open = i, true
			return out.with(tooLong())
		}
		before := state
		state = s.step(state, b)
		switch {
		case state == cellStart:
			cell = i + 1
		case state == quoted && before == cellStart:
			opened = i
		case state == quoteEnd:
			closed = i
		case state == stray:
			out = out.with(strayQuote())
			state = plain
			if len(bytes.TrimLeft(s.window()[cell:i], " \t")) == 0 {
				state, opened = quoted, i // space before the quote
			}
		case state == spoilt:
			out = out.with(textBehind())
			var ok bool
			if i, opened, state, ok = s.rejoin(opened, closed); !ok {
				return s.lonely(out, opened)
			}
			closed = i
		}
	}
}

// with notes a fault; of several, the first counts.
func (f finding) with(fault *Problem) finding {
	if f.fault == nil {
		f.fault = fault
	}
	return f
}

// lonely ends a record with the line of a quote that nothing closes.
func (s *scanner) lonely(out finding, opened int) finding {
	if n := bytes.IndexByte(s.window()[opened:], '\n'); n >= 0 {
		out.end = opened + n + 1
		return out
	}
	out.end, out.open = len(s.window()), true
	return out
}

// peek returns a byte at the front, false behind the end of the file.
func (s *scanner) peek(i int) (byte, bool) {
	if s.start+i >= s.end {
		s.fill(i + 1)
	}
	if s.start+i >= s.end {
		return 0, false
	}
	return s.buffer[s.start+i], true
}

// rejoin decides where a quoted cell goes on that has text behind the quote that
// seemed to close it. The quotes from there on tell: one that can only close a
// cell, since text stands before it and a separator or line end behind it,
// closes ours; one that can only open a cell means that ours ended before, and
// is where to go on if it stands on the same line. It returns the place of that
// quote and the state behind it; not ok where our cell must end with its line.
func (s *scanner) rejoin(opened, closed int) (at, open int, state quoteState, ok bool) {
	for closed-1 > opened && s.buffer[s.start+closed-1] == '"' {
		closed--
	}
	for at = s.quoteFrom(closed); at >= 0; {
		end, closes, opens := s.quotes(at)
		switch {
		case closes:
			return end - 1, opened, quoteEnd, true
		case opens && bytes.IndexByte(s.window()[opened:at], '\n') < 0:
			return at, at, quoted, true
		case opens:
			return 0, opened, spoilt, false
		}
		at = s.quoteFrom(end)
	}
	return 0, opened, spoilt, false
}

// quoteFrom returns the place of the next quote, -1 where a record of the
// largest size has none.
func (s *scanner) quoteFrom(from int) int {
	for {
		window := s.window()
		window = window[:min(len(window), MaxRecord)]
		if from < len(window) {
			if n := bytes.IndexByte(window[from:], '"'); n >= 0 {
				return from + n
			}
			from = len(window)
		}
		if from >= MaxRecord {
			return -1
		}
		if _, more := s.peek(from); !more {
			return -1
		}
	}
}

// quotes reads the quotes that stand together from at on: where they end, and
// whether they can only close a cell or only open one. Pairs are quotes inside
// a cell, or empty cells, and say neither.
func (s *scanner) quotes(at int) (end int, closes, opens bool) {
	for end = at; end < MaxRecord; end++ {
		if b, more := s.peek(end); !more || b != '"' {
			break
		}
	}
	if (end-at)%2 == 0 {
		return end, false, false
	}
	before := s.buffer[s.start+at-1] // there is one: the cell's first quote stands before
	closes = s.endsCell(end)
	return end, closes, !closes && (before == s.delimiter || before == '\n')
}

// endsCell tells whether a separator, a line end or the end of the file is there.
func (s *scanner) endsCell(at int) bool {
	b, more := s.peek(at)
	if more && b == '\r' {
		b, more = s.peek(at + 1)
		return !more || b == '\n'
	}
	return !more || b == s.delimiter || b == '\n'
}

// step moves over one byte of a record.
func (s *scanner) step(state quoteState, b byte) quoteState {
	switch {
	case state == quoted && b == '"':
		return quoteEnd
	case state == quoted:
		return quoted
	case b == s.delimiter && state != lineEnd:
		return cellStart
	case state == quoteEnd && b == '"':
		return quoted
	case state == quoteEnd && b == '\r':
		return lineEnd
	case state == quoteEnd || state == lineEnd:
		return spoilt
	case b == '"' && state == cellStart:
		return quoted
	case b == '"':
		return stray
	default:
		return plain
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
		Field: wholeRow, Text: "opens a quote that is not closed before " + until + "; the lines below were read as rows of their own",
		Expected: `a closing quote; a quote inside a cell is doubled: "5"" hose"`,
	}
}

func textBehind() *Problem {
	return &Problem{
		Field: wholeRow, Text: "has text after a closing quote",
		Expected: `a separator after the quote; a quote inside a cell is doubled: "5"" hose"`,
	}
}

func strayQuote() *Problem {
	return &Problem{
		Field: wholeRow, Text: "has a quote inside a cell that does not begin with one",
		Expected: `the whole cell in quotes, the inner one doubled: "5"" hose"`,
	}
}

func tooLong() *Problem {
	return &Problem{
		Field: wholeRow, Text: fmt.Sprintf("is longer than %d bytes", MaxRecord),
		Expected: fmt.Sprintf("a row of at most %d bytes", MaxRecord),
	}
}

// judge finds what is wrong with a record as a whole.
func (s *scanner) judge(cells []string) *Problem {
	if s.names == nil {
		return nil
	}
	if len(cells) != len(s.names) {
		text := fmt.Sprintf("has %d cells", len(cells))
		if len(cells) == 1 {
			text = "has 1 cell"
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
