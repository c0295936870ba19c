package imports

import (
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
)

// cellsOf reads a text with the scanner: the cells of its good records with
// their lines.
func cellsOf(t *testing.T, from io.Reader) (cells [][]string, lines []int, faults int) {
	t.Helper()
	s := newScanner(from)
	for {
		next, err := s.next()
		switch {
		case errors.Is(err, io.EOF):
			return cells, lines, faults
		case err != nil:
			t.Fatal(err)
		case next.fault != nil:
			faults++
		default:
			cells = append(cells, next.cells)
			lines = append(lines, next.line)
		}
	}
}

// FuzzScanner compares with the standard library's reader wherever that one
// reads the whole text, and demands that the way a text arrives changes nothing.
// Rows at the size limit are in TestRowsAreAnswered: long texts slow a fuzzer
// down to nothing.
func FuzzScanner(f *testing.F) {
	for _, seed := range []string{
		"a,b\n1,2\n", "a;b\r\n\"1\r\n\";\"2\"\"\"\r\n", "\"a", "a\"b\n", "\"a\"b\n", "\n\n\r\n\ra\n", ",\n,,\n", "\"\"\n\"\",\"\"",
		"\"a\"\r,b\n", "é,\xff\n", "\"5\" x\nb\nc\"\n", "a, \"b\nc\"\nd\n", "\"5\" x,\"b\nc\"\r\n", "\"a\" b\n\"\"\"c\"\"\"\n",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		cells, lines, faults := cellsOf(t, strings.NewReader(text))
		slow, slowLines, slowFaults := cellsOf(t, iotest.OneByteReader(strings.NewReader(text)))
		if faults != slowFaults || !cmp.Equal(cells, slow) || !cmp.Equal(lines, slowLines) {
			t.Fatalf("read byte by byte: %q %v and %d faults; at once: %q %v and %d", slow, slowLines, slowFaults, cells, lines, faults)
		}
		if len(text) > MaxRecord {
			return
		}
		want, wantLines, err := standard(text)
		if err != nil {
			return // it stops where we go on
		}
		if faults > 0 || !cmp.Equal(want, cells) || !cmp.Equal(wantLines, lines) {
			t.Fatalf("%q: %d faults; (-want +got):\n%s%s", text, faults, cmp.Diff(want, cells), cmp.Diff(wantLines, lines))
		}
	})
}

// standard reads a text with encoding/csv. That reader drops carriage returns
// before line ends inside cells and one at the end of the text, so texts with
// other carriage returns are not compared.
func standard(text string) (cells [][]string, lines []int, err error) {
	if strings.Contains(text, "\r") {
		return nil, nil, errors.New("not comparable")
	}
	r := csv.NewReader(strings.NewReader(text))
	r.FieldsPerRecord = -1
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			return cells, lines, nil
		}
		if err != nil {
			return nil, nil, err
		}
		line, _ := r.FieldPos(0)
		cells = append(cells, record)
		lines = append(lines, line)
	}
}
