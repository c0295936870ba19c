package sheet_test

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/platform/sheet"
)

func written(t *testing.T, rows ...[]string) string {
	t.Helper()
	var to bytes.Buffer
	w := sheet.New(&to)
	for _, row := range rows {
		if err := w.Row(row...); err != nil {
			t.Fatalf("row %q: %v", row, err)
		}
	}
	return to.String()
}

// Signs and remedy: OWASP, "CSV Injection". The quoting: RFC 4180, section 2,
// rules 1, 5, 6 and 7, whose examples are among these rows.
func TestCells(t *testing.T) {
	t.Parallel()
	for cell, want := range map[string]string{
		"":                 `""`,
		"seat belt":        "seat belt",
		`=1+1`:             `'=1+1`,
		"+49 30 1":         "'+49 30 1",
		"-2+3":             "'-2+3",
		"-":                "'-",
		"@SUM(A1)":         "'@SUM(A1)",
		"\t=1":             "'\t'=1",
		"\r=1":             "\"'\r'=1\"",
		" =1":              "' =1",
		"'=1":              "''=1",
		"'tis":             "'tis",
		"x;=1":             "x;'=1",
		"x; '-2+3;4":       "x;' '-2+3;4",
		"x;\t@A1":          "x;\t'@A1",
		"x\r\n+1+1":        "\"x\r\n'+1+1\"",
		"x;-5":             "x;-5",
		"a; b":             "a; b",
		"\u200b=1":         "'\u200b=1",
		"＝1":               "'＝1",
		`=HYPERLINK("x,")`: `"'=HYPERLINK(""x,"")"`,
		"-12.50":           "-12.50",
		"0":                "0",
		"-1e5":             "'-1e5",
		"-.5":              "'-.5",
		"-1.":              "'-1.",
		"1.2.3":            "1.2.3",
		"aaa,ccc":          `"aaa,ccc"`,
		"b\r\nbb":          "\"b\r\nbb\"",
		`b"bb`:             `"b""bb"`,
		" padded ":         `" padded "`,
		"a\xffb":           "a\ufffdb",
	} {
		if got := written(t, []string{cell}); got != want+"\r\n" {
			t.Errorf("%q is written as %q, want %q", cell, got, want+"\r\n")
		}
	}
}

func TestRowsAreAsWideAsTheFirst(t *testing.T) {
	t.Parallel()
	w := sheet.New(io.Discard)
	if err := w.Row(); !errors.Is(err, sheet.ErrWidth) {
		t.Errorf("a row without cells: %v", err)
	}
	if err := w.Row("a", "b"); err != nil {
		t.Fatal(err)
	}
	for _, row := range [][]string{{}, {"a"}, {"a", "b", "c"}} {
		if err := w.Row(row...); !errors.Is(err, sheet.ErrWidth) {
			t.Errorf("%d cells after a row of 2: %v", len(row), err)
		}
	}
}

type full struct{}

var errFull = errors.New("disk full")

func (full) Write([]byte) (int, error) { return 0, errFull }

func TestAFailedWriteIsTold(t *testing.T) {
	t.Parallel()
	if err := sheet.New(full{}).Row("a"); !errors.Is(err, errFull) {
		t.Errorf("writing to a full disk: %v", err)
	}
}

// What is written, the standard library's reader reads, and Plain gives the cells
// back; no cell that was read, nor what a program that parts cells at semicolons,
// tabs or line ends would make of it, begins with a sign that a spreadsheet runs,
// unless it is a number.
func TestSheetsAreReadBack(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		width := rapid.IntRange(1, 5).Draw(t, "width")
		cell := rapid.OneOf(
			rapid.String(),
			rapid.StringMatching(`['=+\-@\t ]{0,4}[0-9.a,"\n]{0,6}`),
			rapid.StringMatching(`[a;'=\t\n\-5 ]{0,10}`),
		)
		rows := rapid.SliceOfN(rapid.SliceOfN(cell, width, width), 1, 6).Draw(t, "rows")
		var to bytes.Buffer
		w := sheet.New(&to)
		for _, row := range rows {
			if err := w.Row(row...); err != nil {
				t.Fatal(err)
			}
		}
		checkReadBack(t, to.String(), rows)
	})
}

// fataler is what of a test is needed to stop it.
type fataler interface {
	Fatalf(format string, args ...any)
}

func checkReadBack(t fataler, text string, rows [][]string) {
	got, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatalf("read %q: %v", text, err)
	}
	for _, row := range got {
		for i, cell := range row {
			for _, part := range append(strings.FieldsFunc(cell, func(r rune) bool { return strings.ContainsRune(";\t\r\n", r) }), cell) {
				if part != "" && strings.ContainsAny(part[:1], "=+-@\t\r") && !sheet.Number(part) {
					t.Fatalf("the cell %q would run", part)
				}
			}
			row[i] = sheet.Plain(cell)
		}
	}
	want := make([][]string, len(rows))
	for i, row := range rows {
		for _, cell := range row {
			// The reader makes CR LF one LF (its documentation), inside quotes too.
			want[i] = append(want[i], strings.ReplaceAll(strings.ToValidUTF8(cell, "\ufffd"), "\r\n", "\n"))
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Fatalf("read back (-want +got):\n%s", diff)
	}
}

func FuzzSafe(f *testing.F) {
	for _, cell := range []string{"", "=1", "-5.00", "'-", "a\r\nb", "\xff=1", "a;=1;'-5\t@"} {
		f.Add(cell)
	}
	f.Fuzz(func(t *testing.T, cell string) {
		safe := sheet.Safe(cell)
		if !utf8.ValidString(safe) {
			t.Fatalf("%q is no text", safe)
		}
		if got, want := sheet.Plain(safe), strings.ToValidUTF8(cell, "\ufffd"); got != want {
			t.Fatalf("%q became %q and came back as %q", cell, safe, got)
		}
		checkReadBack(t, written(t, []string{cell}), [][]string{{cell}})
	})
}
