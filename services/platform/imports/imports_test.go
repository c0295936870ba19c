package imports_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

func TestMain(m *testing.M) {
	if dir := os.Getenv(childDir); dir != "" {
		if err := importForEver(dir, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1) //nolint:forbidigo // this is the child's main
		}
		return
	}
	goleak.VerifyTestMain(m)
}

// shelf is a small kind of file: a stock number, a price and a note.
func shelf() imports.Target {
	return imports.Target{
		Columns: []imports.Column{
			{Name: "stock number", Required: true, Help: "the yard's own number"},
			{Name: "price", Help: "in whole units"},
			{Name: "note", Help: "free text"},
		},
		Map: func(row imports.Row, owner string, fields *check.Fields) (imports.Item, bool) {
			id := row.Text("stock number")
			fields.Text("stock number", id, 20, true)
			price := row.Int("price", fields)
			fields.Int("price", price, 0, 1000)
			return imports.Item{
				Key:  store.Key{Tenant: owner, Kind: "shelf", ID: id},
				Name: "shelves/" + owner + "." + id,
				Merge: func(old []byte) ([]byte, bool, error) {
					if strings.HasPrefix(string(old), "sold") {
						return nil, false, &imports.Problem{Field: "stock number", Text: "is sold", Expected: "a new number"}
					}
					value := []byte(fmt.Sprint(price, " ", row.Text("note")))
					return value, string(value) == string(old), nil
				},
			}, true
		},
	}
}

func open(t *testing.T) store.Store {
	t.Helper()
	s := embeddedtest.Open(t, t.TempDir(), embedded.Options{NoSync: true})
	return s
}

// load imports a text and renders each result on a line.
func load(t *testing.T, st store.Store, text string, dry bool) ([]string, *fitmentv1.ImportSummary, error) {
	t.Helper()
	var lines []string
	in := imports.Input{Options: &fitmentv1.ImportOptions{DryRun: dry}, Owner: "north-yard", Read: strings.NewReader(text)}
	sum, err := imports.Run(t.Context(), st, shelf(), in, func(r *fitmentv1.RowResult) error {
		lines = append(lines, render(r))
		return nil
	})
	return lines, sum, err
}

func render(r *fitmentv1.RowResult) string {
	text := strings.TrimSpace(fmt.Sprintf("%d %s %s", r.GetRow(), r.GetOutcome(), r.GetName()))
	for _, p := range r.GetProblems() {
		text += fmt.Sprintf(" [%s: %s; %s]", p.GetField(), p.GetProblem(), p.GetExpected())
	}
	return text
}

func TestRowsAreAnswered(t *testing.T) {
	t.Parallel()
	const quoteHelp = `the whole cell in quotes, the inner one doubled: "5"" hose"`
	const behindHelp = `a separator after the quote; a quote inside a cell is doubled: "5"" hose"`
	cases := []struct {
		name, file string
		want       []string
	}{
		{"plain", "stock number,price,note\nA1,5,good\nA2,6,\n", []string{
			"2 CREATED shelves/north-yard.A1", "3 CREATED shelves/north-yard.A2",
		}},
		{"byte order mark, CRLF, semicolons, other order and spelling", "\xef\xbb\xbfNote;Stock_Number\r\n\"a;b\";A1\r\n", []string{
			"2 CREATED shelves/north-yard.A1",
		}},
		{"tabs", "stock number\tnote\nA1\ta,b;c\n", []string{"2 CREATED shelves/north-yard.A1"}},
		{"header only", "stock number\n", nil},
		{"blank lines count as lines", "\n\nstock number\n\r\n\nA1\n\nA2", []string{
			"6 CREATED shelves/north-yard.A1", "8 CREATED shelves/north-yard.A2",
		}},
		{"a row over two lines", "stock number,note\nA1,\"two\nlines\"\nA2,x\n", []string{
			"2 CREATED shelves/north-yard.A1", "4 CREATED shelves/north-yard.A2",
		}},
		{"doubled quotes", "stock number,note\nA1,\"5\"\" hose\"\n", []string{"2 CREATED shelves/north-yard.A1"}},
		{"bad rows between good ones", "stock number,price\nA1,1\nA2,much\n,3\nA4,4,4\nA5\nA6,6\n", []string{
			"2 CREATED shelves/north-yard.A1",
			`3 REJECTED [price: "much" is no whole number; digits only, such as 12]`,
			"4 REJECTED [stock number: is missing; text of at most 20 characters]",
			"5 REJECTED [row: has 3 cells; 2, as in the header]",
			"6 REJECTED [row: has 1 cell; 2, as in the header]",
			"7 CREATED shelves/north-yard.A6",
		}},
		{"every problem of a row", "stock number,price\n,-4\n", []string{
			"2 REJECTED [stock number: is missing; text of at most 20 characters] [price: -4 is out of range; 0 to 1000]",
		}},
		{"unclosed quote", "stock number,note\nA1,\"oops\nA2,x\nA3,y\n", []string{
			`2 REJECTED [row: opens a quote that is not closed before the end of the file; the lines below were read as rows of their own; a closing quote; a quote inside a cell is doubled: "5"" hose"]`,
			"3 CREATED shelves/north-yard.A2", "4 CREATED shelves/north-yard.A3",
		}},
		{"unclosed quote that meets another", "stock number,note\nA1,\"oops\nA2,\"x\"\nA3,y\n", []string{
			`2 REJECTED [row: has text after a closing quote; a separator after the quote; a quote inside a cell is doubled: "5"" hose"]`,
			"3 CREATED shelves/north-yard.A2", "4 CREATED shelves/north-yard.A3",
		}},
		{"unclosed quote that another one closes", "stock number,note\nA1,\"oops\nA2,x\n\",A3\nA4,y\n", []string{
			"2 REJECTED [row: has 3 cells; lines 2 to 4 are refused as this one row; 2, as in the header]",
			"5 CREATED shelves/north-yard.A4",
		}},
		{"quote inside a plain cell", "stock number,note\nA1,5\" hose\nA2,x\n", []string{
			"2 REJECTED [row: has a quote inside a cell that does not begin with one; " + quoteHelp + "]",
			"3 CREATED shelves/north-yard.A2",
		}},
		{"a misquoted cell over lines", "stock number,note\nA1,\"first 5\" clip\nB1,inner\nlast\"\nA2,x\n", []string{
			"2 REJECTED [row: has text after a closing quote; lines 2 to 4 are refused as this one row; " + behindHelp + "]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"a misquoted cell over lines, with line ends of two bytes", "stock number,note\r\nA1,\"5\" clip\r\nB1,inner\r\n\",\r\nA2,x\r\n", []string{
			"2 REJECTED [row: has text after a closing quote; lines 2 to 4 are refused as this one row; " + behindHelp + "]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"a misquoted cell over lines, the last one of the file", "stock number,note\nA1,\"5\" clip\nB1,inner\nsaid \"\"so\"\"\"", []string{
			"2 REJECTED [row: has text after a closing quote; lines 2 to 4 are refused as this one row; " + behindHelp + "]",
		}},
		{"a misquoted cell, then more cells over lines", "stock number,price,note\nA1,\"5\" clip,\"a\nB1,6,inner\nb\"\nA2,,x\n", []string{
			"2 REJECTED [row: has text after a closing quote; lines 2 to 4 are refused as this one row; " + behindHelp + "]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"a misquoted cell on one line, good ones below", "stock number,note\nA1,\"5\" clip\nA2,\"\"\nA3,\"\"\"x\"\"\"\nA4,\"two\nlines\"\n", []string{
			"2 REJECTED [row: has text after a closing quote; " + behindHelp + "]",
			"3 CREATED shelves/north-yard.A2", "4 CREATED shelves/north-yard.A3", "5 CREATED shelves/north-yard.A4",
		}},
		{"space before the quote of a cell over lines", "stock number,note\nA1, \"first\nB1,inner\nlast\"\nA2,x\n", []string{
			"2 REJECTED [row: has a quote inside a cell that does not begin with one; lines 2 to 4 are refused as this one row; " + quoteHelp + "]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"a stray quote before a cell over lines", "stock number,price,note\nA1,5\" clip,\"first\nB1,6,inner\nlast\"\nA2,,x\n", []string{
			"2 REJECTED [row: has a quote inside a cell that does not begin with one; lines 2 to 4 are refused as this one row; " + quoteHelp + "]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"a good cell over lines before a misquoted one", "stock number,price,note\nA1,\"a\nB1,6,inner\nb\",\"oops\nA2,,\"x\"\n", []string{
			"2 REJECTED [row: has text after a closing quote; lines 2 to 4 are refused as this one row; " + behindHelp + "]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"too many cells with lines inside", "stock number,note\nA1,\"first\nB1,inner\nlast\",y\nA2,x\n", []string{
			"2 REJECTED [row: has 3 cells; lines 2 to 4 are refused as this one row; 2, as in the header]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"not UTF-8 over lines", "stock number,note\nA1,\"caf\xe9\nB1,inner\n\"\nA2,x\n", []string{
			"2 REJECTED [note: is not valid UTF-8; lines 2 to 4 are refused as this one row; a file saved as UTF-8]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"too long behind a cell over lines", "stock number,note\nA1,\"a\nB1,inner\n\"," + strings.Repeat("x", imports.MaxRecord) + "\nA2,x\n", []string{
			"2 REJECTED [row: is longer than 65536 bytes; lines 2 to 4 are refused as this one row; a row of at most 65536 bytes]",
			"5 CREATED shelves/north-yard.A2",
		}},
		{"the closing quote out of sight", "stock number,note\nA1,\"5\" clip\n" + strings.Repeat("\n", imports.MaxRecord) + "A2,6\"\nA3,x\n", []string{
			"2 REJECTED [row: has text after a closing quote; " + behindHelp + "]",
			"65539 REJECTED [row: has a quote inside a cell that does not begin with one; " + quoteHelp + "]",
			"65540 CREATED shelves/north-yard.A3",
		}},
		{"not UTF-8", "stock number,note\nA1,caf\xe9\nA2,café\n", []string{
			"2 REJECTED [note: is not valid UTF-8; a file saved as UTF-8]", "3 CREATED shelves/north-yard.A2",
		}},
		{"zero byte in a key", "stock number\nA\x00B\nA2\n", []string{
			"2 REJECTED [stock number: contains a control character; plain text]", "3 CREATED shelves/north-yard.A2",
		}},
		{"a key again", "stock number,price\nA1,1\n" + strings.Repeat("A1,2\n", 2) + "A1,1\n", []string{
			"2 CREATED shelves/north-yard.A1", "3 UPDATED shelves/north-yard.A1",
			"4 UNCHANGED shelves/north-yard.A1", "5 UPDATED shelves/north-yard.A1",
		}},
		{"longer than a row may be", "stock number,note\nA1," + strings.Repeat("x", imports.MaxRecord) + "\nA2,y\n", []string{
			"2 REJECTED [row: is longer than 65536 bytes; a row of at most 65536 bytes]", "3 CREATED shelves/north-yard.A2",
		}},
		{"longer than any window", "stock number,note\nA1," + strings.Repeat("x", 5*imports.MaxRecord) + "\nA2,y", []string{
			"2 REJECTED [row: is longer than 65536 bytes; a row of at most 65536 bytes]", "3 CREATED shelves/north-yard.A2",
		}},
		{"just as long as it may be", "stock number,note\nA1," + strings.Repeat("x", imports.MaxRecord-3) + "\nA2,y", []string{
			"2 CREATED shelves/north-yard.A1", "3 CREATED shelves/north-yard.A2",
		}},
		{"unclosed quote with much behind it", "stock number\n\"A1\n" + strings.Repeat("\n", imports.MaxRecord) + "A2\n", []string{
			`2 REJECTED [row: opens a quote that is not closed before 65536 bytes; the lines below were read as rows of their own; a closing quote; a quote inside a cell is doubled: "5"" hose"]`,
			"65539 CREATED shelves/north-yard.A2",
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			st := open(t)
			dry, _, err := load(t, st, c.file, true)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, dry); diff != "" {
				t.Errorf("dry run (-want +got):\n%s", diff)
			}
			place, err := st.Place(t.Context())
			if err != nil || place.Version != 0 {
				t.Fatalf("the dry run stored something: %v, %v", place, err)
			}
			got, sum, err := load(t, st, c.file, false)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if int(sum.GetRows()) != len(c.want) || sum.GetRows() != sum.GetCreated()+sum.GetUpdated()+sum.GetUnchanged()+sum.GetRejected() {
				t.Errorf("sums do not add up: %v", sum)
			}
		})
	}
}

func TestTheSameFileAgainChangesNothing(t *testing.T) {
	t.Parallel()
	st := open(t)
	var file strings.Builder
	file.WriteString("stock number,price\n")
	for i := range 3500 {
		fmt.Fprintf(&file, "A%d,%d\n", i, i%900)
	}
	if _, sum, err := load(t, st, file.String(), false); err != nil || sum.GetCreated() != 3500 {
		t.Fatal(sum, err)
	}
	before, err := st.Place(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_, sum, err := load(t, st, file.String(), false)
	if err != nil || sum.GetUnchanged() != 3500 || sum.GetRows() != 3500 {
		t.Fatal(sum, err)
	}
	if after, err := st.Place(t.Context()); err != nil || after != before {
		t.Errorf("the second import wrote: %v → %v, %v", before, after, err)
	}
}

func TestHeadersAreRefused(t *testing.T) {
	t.Parallel()
	many := "stock number" + strings.Repeat(",x", imports.MaxColumns)
	cases := []struct {
		name, file string
		fields     []string
	}{
		{"empty file", "", []string{"header"}},
		{"only a mark", "\xef\xbb\xbf", []string{"header"}},
		{"only blank lines", "\n\r\n\n", []string{"header"}},
		{"unknown column", "stock number,colour\nA1,red\n", []string{"colour"}},
		{"missing required column", "price\n1\n", []string{"stock number"}},
		{"twice, spelled otherwise", "stock number,price,Price\nA1,1,2\n", []string{"price"}},
		{"no name", "stock number,,price\n", []string{"column 2"}},
		{"several at once", "colour,price,PRICE\n", []string{"colour", "price", "stock number"}},
		{"too many columns", many + "\n", []string{"header"}},
		{"UTF-16", "\xff\xfes\x00", []string{"header"}},
		{"not UTF-8", "stock number,pr\xefce\n", []string{"column 2"}},
		{"unclosed quote", "\"stock number\nA1\n", []string{"header"}},
		{"endless", strings.Repeat("x", 3*imports.MaxRecord), []string{"header"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			lines, _, err := load(t, open(t), c.file, false)
			if len(lines) > 0 {
				t.Errorf("rows were answered: %v", lines)
			}
			if status.Code(err) != codes.InvalidArgument || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_MALFORMED_REQUEST {
				t.Fatalf("got %v", err)
			}
			var fields []string
			for _, detail := range status.Convert(err).Details() {
				if bad, ok := detail.(*errdetails.BadRequest); ok {
					for _, v := range bad.GetFieldViolations() {
						fields = append(fields, v.GetField())
					}
				}
			}
			if diff := cmp.Diff(c.fields, fields); diff != "" {
				t.Errorf("(-want +got):\n%s\n%v", diff, err)
			}
		})
	}
}

// TestHeaderProblemsAreBrief: all columns are named once, a slip of the pen gets
// the name that was meant, and no header makes an error that no one can read.
func TestHeaderProblemsAreBrief(t *testing.T) {
	t.Parallel()
	const all = "the columns are stock number, price, note"
	for header, want := range map[string][]string{
		"stok_number,prise,colour": {
			`stok_number: is no column of this kind of file; expected "stock number"; ` + all,
			`prise: is no column of this kind of file; expected "price"`,
			"colour: is no column of this kind of file; expected a column of this kind of file",
			"stock number: is missing in the header; expected a column of this name",
		},
		"stock number,,": {
			"column 2: has no name; expected the name of a column; " + all,
			"column 3: has no name; expected the name of a column",
		},
		strings.Repeat("x", 1000): {
			strings.Repeat("x", 60) + "…: is no column of this kind of file; expected a column of this kind of file; " + all,
			"stock number: is missing in the header; expected a column of this name",
		},
	} {
		if diff := cmp.Diff(want, headerProblems(t, header)); diff != "" {
			t.Errorf("%.100s (-want +got):\n%s", header, diff)
		}
	}
	many := headerProblems(t, strings.Repeat("x,", imports.MaxColumns-1)+"y")
	if n := len(many); n != 22 || many[20] != "header: has 180 more columns that are wrong; expected none but the known columns" || !strings.HasPrefix(many[21], "stock number") {
		t.Errorf("%d problems: %v", n, many)
	}
}

// headerProblems imports a file of one line and returns what is wrong with it.
func headerProblems(t *testing.T, header string) (problems []string) {
	t.Helper()
	_, _, err := load(t, open(t), header+"\n", false)
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				problems = append(problems, v.GetField()+": "+v.GetDescription())
			}
		}
	}
	return problems
}

// TestRowsThatCannotBeAnsweredAreNamed: their reader did not catch up, yet they
// are stored, and the caller must know.
func TestRowsThatCannotBeAnsweredAreNamed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		cause error
		want  codes.Code
	}{
		"too slow":    {fmt.Errorf("index: %w", context.DeadlineExceeded), codes.DeadlineExceeded},
		"gone":        {context.Canceled, codes.Canceled},
		"broken":      {errors.New("the index has a secret"), codes.Unavailable},
		"status":      {status.Error(codes.DeadlineExceeded, "late"), codes.DeadlineExceeded},
		"store ended": {store.ErrClosed, codes.Unavailable},
	} {
		st := open(t)
		in := imports.Input{
			Owner: "y", Read: strings.NewReader("stock number,price\nA1,1\nA2,-1\n\nA3,3\n"),
			Committed: func(context.Context) error { return c.cause },
		}
		answered := 0
		_, err := imports.Run(t.Context(), st, shelf(), in, func(*fitmentv1.RowResult) error { answered++; return nil })
		if status.Code(err) != c.want || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_NOT_READY || retryDelay(err) <= 0 {
			t.Errorf("%s: %v", name, err)
		}
		if text := err.Error(); !strings.Contains(text, "rows 2 to 5 are stored") || !strings.Contains(text, "import the file again") || strings.Contains(text, "secret") {
			t.Errorf("%s: %s", name, text)
		}
		if _, err := st.Get(t.Context(), store.Key{Tenant: "y", Kind: "shelf", ID: "A3"}); err != nil || answered != 0 {
			t.Errorf("%s: %v, %d rows answered", name, err, answered)
		}
	}
}

// retryDelay returns the RetryInfo of an error, 0 where it has none.
func retryDelay(err error) time.Duration {
	for _, detail := range status.Convert(err).Details() {
		if retry, ok := detail.(*errdetails.RetryInfo); ok {
			return retry.GetRetryDelay().AsDuration()
		}
	}
	return 0
}

// meddler changes a record between the import's reading and its writing.
type meddler struct {
	store.Store

	times int
	value string
}

func (m *meddler) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	if m.times > 0 {
		m.times--
		put := store.Put{Key: changes[0].Puts[0].Key, Expect: store.Whatever, Value: fmt.Appendf(nil, m.value, m.times)}
		if _, err := m.Store.Apply(ctx, store.Change{Puts: []store.Put{put}}); err != nil {
			return nil, err
		}
	}
	return m.Store.Apply(ctx, changes...)
}

func TestConflictsAreMergedAgain(t *testing.T) {
	t.Parallel()
	const file = "stock number,price\nA1,1\nA2,2\nA1,3\n"
	cases := []struct {
		name  string
		times int
		value string
		want  []string
	}{
		{"once", 1, "other %d", []string{
			"2 UPDATED shelves/north-yard.A1", "3 CREATED shelves/north-yard.A2", "4 UPDATED shelves/north-yard.A1",
		}},
		{"to what the last row says", 1, "3 %.0d", []string{
			"2 UPDATED shelves/north-yard.A1", "3 CREATED shelves/north-yard.A2", "4 UPDATED shelves/north-yard.A1",
		}},
		{"to a state that refuses", 1, "sold %d", []string{
			"2 REJECTED shelves/north-yard.A1 [stock number: is sold; a new number]",
			"3 CREATED shelves/north-yard.A2",
			"4 REJECTED shelves/north-yard.A1 [stock number: is sold; a new number]",
		}},
		{"for ever", 1 << 30, "other %d", []string{
			"2 REJECTED shelves/north-yard.A1 [row: met another change of its record 16 times; the row again, in a new import]",
			"3 CREATED shelves/north-yard.A2",
			"4 REJECTED shelves/north-yard.A1 [row: met another change of its record 16 times; the row again, in a new import]",
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			got, _, err := load(t, &meddler{Store: open(t), times: c.times, value: c.value}, file, false)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}

// TestDryRunSaysWhatTheRealRunDoes compares the two, and the store afterwards
// with a plain reading of the file.
func TestDryRunSaysWhatTheRealRunDoes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		st := open(t)
		for range 2 {
			rows := rapid.SliceOfN(rapid.Custom(func(r *rapid.T) string {
				return fmt.Sprintf("K%d,%d", rapid.IntRange(0, 6).Draw(r, "key"), rapid.IntRange(-1, 2).Draw(r, "price"))
			}), 0, 30).Draw(r, "rows")
			file := "stock number,price\n" + strings.Join(rows, "\n") + "\n"
			want := map[string]string{}
			for _, row := range rows {
				if key, price, _ := strings.Cut(row, ","); price != "-1" {
					want[key] = price + " "
				}
			}
			dry, _, err := load(t, st, file, true)
			if err != nil {
				r.Fatal(err)
			}
			done, _, err := load(t, st, file, false)
			if err != nil {
				r.Fatal(err)
			}
			if diff := cmp.Diff(dry, done); diff != "" {
				r.Fatalf("(-dry +real):\n%s", diff)
			}
			for key, value := range want {
				got, err := st.Get(t.Context(), store.Key{Tenant: "north-yard", Kind: "shelf", ID: key})
				if err != nil || string(got.Value) != value {
					r.Fatalf("%s: %q, %v; want %q", key, got.Value, err, value)
				}
			}
		}
	})
}

// feed is a file that comes in pieces, as the test allows.
type feed struct {
	pieces chan string
	left   string
	taken  atomic.Int64
}

func (f *feed) given() int { return int(f.taken.Load()) }

func (f *feed) Read(into []byte) (int, error) {
	if f.left == "" {
		piece, ok := <-f.pieces
		if !ok {
			return 0, io.EOF
		}
		f.left = piece
	}
	n := copy(into, f.left)
	f.left = f.left[n:]
	f.taken.Add(int64(n))
	return n, nil
}

func TestResultsComeWhileTheUploadStalls(t *testing.T) {
	t.Parallel()
	st := open(t)
	synctest.Test(t, func(t *testing.T) {
		in := &feed{pieces: make(chan string)}
		got := make(chan *fitmentv1.RowResult, 10)
		done := make(chan error)
		go func() {
			_, err := imports.Run(t.Context(), storeOutside{st}, shelf(), imports.Input{Owner: "y", Read: in}, func(r *fitmentv1.RowResult) error {
				got <- r
				return nil
			})
			done <- err
		}()
		in.pieces <- "stock number\nA1\nA2\nA"
		time.Sleep(100 * time.Millisecond) //nolint:forbidigo // virtual time
		synctest.Wait()
		if len(got) != 2 {
			t.Errorf("%d results after 100 ms, want 2", len(got))
		}
		in.pieces <- "3\n"
		close(in.pieces)
		if err := <-done; err != nil || len(got) != 3 {
			t.Errorf("%d results, %v", len(got), err)
		}
	})
}

// storeOutside answers from memory: the real store's goroutine lives outside the
// bubble of virtual time.
type storeOutside struct{ store.Store }

func (storeOutside) Get(context.Context, store.Key) (store.Record, error) {
	return store.Record{}, store.ErrNotFound
}

func (storeOutside) Apply(_ context.Context, changes ...store.Change) ([]store.Applied, error) {
	return make([]store.Applied, len(changes)), nil
}

// TestAResultMeansDurable demands the order write, catch up, answer.
func TestAResultMeansDurable(t *testing.T) {
	t.Parallel()
	st := open(t)
	caughtUp := int64(0)
	var file strings.Builder
	file.WriteString("stock number\n")
	for i := range 2500 {
		fmt.Fprintf(&file, "A%d\n", i)
	}
	in := imports.Input{
		Owner: "y", Read: strings.NewReader(file.String()),
		Committed: func(ctx context.Context) error {
			place, err := st.Place(ctx)
			caughtUp = place.Version
			return err
		},
	}
	_, err := imports.Run(t.Context(), st, shelf(), in, func(r *fitmentv1.RowResult) error {
		id := strings.TrimPrefix(r.GetName(), "shelves/y.")
		found, err := st.Get(t.Context(), store.Key{Tenant: "y", Kind: "shelf", ID: id})
		if err != nil || found.Version > caughtUp {
			t.Errorf("%s was answered at version %d, caught up to %d: %v", id, found.Version, caughtUp, err)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}

// TestReadingStaysCloseToAnswering bounds what is in memory: rows that were read
// and not yet answered.
func TestReadingStaysCloseToAnswering(t *testing.T) {
	t.Parallel()
	const rows, width = 20_000, 500
	line := "," + strings.Repeat("n", width) + "\n"
	in := &feed{pieces: make(chan string)}
	go func() {
		defer close(in.pieces)
		in.pieces <- "stock number,note\n"
		for i := range rows {
			in.pieces <- fmt.Sprintf("A%06d%s", i, line)
		}
	}()
	answered, most := 0, 0
	_, err := imports.Run(t.Context(), open(t), shelf(), imports.Input{Owner: "y", Read: in}, func(*fitmentv1.RowResult) error {
		answered++
		most = max(most, in.given()/width-answered)
		return nil
	})
	if err != nil || answered != rows {
		t.Fatal(answered, err)
	}
	if most > 2000 {
		t.Errorf("%d rows were in memory at once", most)
	}
}

func TestFailuresEndTheImport(t *testing.T) {
	t.Parallel()
	broken := errors.New("wire cut")
	cases := []struct {
		name string
		run  func(t *testing.T, st store.Store) error
		want func(error) bool
	}{
		{"upload breaks", func(t *testing.T, st store.Store) error {
			t.Helper()
			read := io.MultiReader(strings.NewReader("stock number\nA1\n"), failing{broken})
			_, err := imports.Run(t.Context(), st, shelf(), imports.Input{Owner: "y", Read: read}, nothing)
			if _, found := st.Get(t.Context(), store.Key{Tenant: "y", Kind: "shelf", ID: "A1"}); found != nil {
				t.Errorf("the row before was lost: %v", found)
			}
			return err
		}, func(err error) bool { return errors.Is(err, broken) }},
		{"upload breaks in the header", func(t *testing.T, st store.Store) error {
			t.Helper()
			_, err := imports.Run(t.Context(), st, shelf(), imports.Input{Owner: "y", Read: failing{broken}}, nothing)
			return err
		}, func(err error) bool { return errors.Is(err, broken) }},
		{"receiver gone", func(t *testing.T, st store.Store) error {
			t.Helper()
			in := imports.Input{Owner: "y", Read: strings.NewReader("stock number\nA1\n")}
			_, err := imports.Run(t.Context(), st, shelf(), in, func(*fitmentv1.RowResult) error { return broken })
			return err
		}, func(err error) bool { return errors.Is(err, broken) }},
		{"cancelled", func(t *testing.T, st store.Store) error {
			t.Helper()
			ctx, cancel := context.WithCancel(t.Context())
			cancel()
			_, err := imports.Run(ctx, st, shelf(), imports.Input{Owner: "y", Read: strings.NewReader("stock number\n")}, nothing)
			return err
		}, func(err error) bool { return status.Code(err) == codes.Canceled }},
		{"store closed", func(t *testing.T, st store.Store) error {
			t.Helper()
			if err := st.Close(); err != nil {
				t.Fatal(err)
			}
			in := imports.Input{Owner: "y", Read: strings.NewReader("stock number\nA1\n")}
			_, err := imports.Run(t.Context(), st, shelf(), in, nothing)
			return err
		}, func(err error) bool { return apierr.ReasonOf(err) == fitmentv1.ErrorInfo_NOT_READY }},
		{"store stopped", func(t *testing.T, st store.Store) error {
			t.Helper()
			in := imports.Input{Owner: "y", Read: strings.NewReader("stock number\nA1\n")}
			_, err := imports.Run(t.Context(), stopped{st}, shelf(), in, nothing)
			return err
		}, func(err error) bool {
			return status.Code(err) == codes.Unavailable && apierr.ReasonOf(err) == fitmentv1.ErrorInfo_NOT_READY
		}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if err := c.run(t, open(t)); !c.want(err) {
				t.Errorf("got %v", err)
			}
		})
	}
}

// stopped is a store whose write fails in a way that leaves open what happened.
type stopped struct{ store.Store }

func (stopped) Apply(context.Context, ...store.Change) ([]store.Applied, error) {
	return nil, fmt.Errorf("commit: %w", store.ErrBroken)
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

func nothing(*fitmentv1.RowResult) error { return nil }

func TestCells(t *testing.T) {
	t.Parallel()
	row := imports.NewRow(7, map[string]string{
		"Part Number": " 12-3 ", "n": "12", "bad": "1e3", "x": "2.5", "hex": "0x10", "nan": "NaN", "huge": "1e999",
		"yes": "Yes", "no": "n", "maybe": "maybe",
	})
	var fields check.Fields
	if got := row.Text("part_number"); got != "12-3" || row.Line != 7 {
		t.Errorf("got %q", got)
	}
	if row.Int("n", &fields) != 12 || row.Number("x", &fields) != 2.5 || row.Int("none", &fields) != 0 || row.Has("none") {
		t.Error("good cells misread")
	}
	if yes, stated := row.YesNo("yes", &fields); !yes || !stated {
		t.Error("yes misread")
	}
	if yes, stated := row.YesNo("no", &fields); yes || !stated {
		t.Error("no misread")
	}
	if _, stated := row.YesNo("none", &fields); stated || !fields.OK() {
		t.Error("an empty cell states nothing and is no violation")
	}
	row.Int("bad", &fields)
	row.Number("hex", &fields)
	row.Number("nan", &fields)
	row.Number("huge", &fields)
	row.YesNo("maybe", &fields)
	var named []string
	for _, v := range fields.Violations() {
		named = append(named, v.Field)
	}
	if diff := cmp.Diff([]string{"bad", "hex", "nan", "huge", "maybe"}, named); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// forever is a file that begins with a text and goes on with one letter.
type forever struct {
	begin *strings.Reader
	read  int
}

// Read implements io.Reader. It ends after far more than anybody should read.
func (f *forever) Read(p []byte) (int, error) {
	if n, err := f.begin.Read(p); err == nil {
		return n, nil
	}
	if f.read += len(p); f.read > 8*imports.MaxSkip {
		return 0, io.EOF
	}
	for i := range p {
		p[i] = 'x'
	}
	return len(p), nil
}

// One who sends a line without an end is told so after a while; what stood before
// it is stored and answered.
func TestLineWithoutAnEndEndsTheImport(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		begin, field string
		rows         []string
	}{
		"header": {"stock number,", "line 1", nil},
		"row":    {"stock number,note\nA1,good\nA2,", "line 3", []string{"2 CREATED shelves/north-yard.A1"}},
	} {
		var rows []string
		file := &forever{begin: strings.NewReader(c.begin)}
		in := imports.Input{Options: &fitmentv1.ImportOptions{}, Owner: "north-yard", Read: file}
		_, err := imports.Run(t.Context(), open(t), shelf(), in, func(r *fitmentv1.RowResult) error {
			rows = append(rows, render(r))
			return nil
		})
		if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_MALFORMED_REQUEST || !strings.Contains(fmt.Sprint(status.Convert(err).Details()), c.field) {
			t.Errorf("%s: %v, %v", name, err, status.Convert(err).Details())
		}
		if diff := cmp.Diff(c.rows, rows); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
		if file.read > 2*imports.MaxSkip {
			t.Errorf("%s: %d bytes were read", name, file.read)
		}
	}
}
