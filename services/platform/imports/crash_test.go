package imports_test

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

// The crash test runs this test binary again as the process that is killed.
const (
	childDir  = "BELTWRIGHT_TEST_IMPORT_DIR"
	crashRows = 200_000
)

// crashFile is a file of which every tenth row is bad. Its rows begin at line 2.
func crashFile() io.Reader {
	from, to := io.Pipe()
	go func() {
		_, err := io.WriteString(to, "stock number,price\n")
		for i := 2; err == nil && i < crashRows; i++ {
			price := strconv.Itoa(i % 1000)
			if i%10 == 0 {
				price = "\"dear"
			}
			_, err = fmt.Fprintf(to, "A%d,%s\n", i, price)
		}
		to.CloseWithError(err) // nil is the end of the file
	}()
	return from
}

// importForEver imports the file and reports each row result, until killed.
func importForEver(dir string, out io.Writer) error {
	s, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		return err
	}
	in := imports.Input{Owner: "y", Read: crashFile()}
	_, err = imports.Run(context.Background(), s, shelf(), in, func(r *fitmentv1.RowResult) error {
		_, err := fmt.Fprintln(out, r.GetRow(), r.GetOutcome())
		return err
	})
	return err
}

// TestKilledImportsLoseNothingAnswered kills an importing process 20 times, each
// time after more rows, and demands every row that was answered. The same file
// again then finds them unchanged.
func TestKilledImportsLoseNothingAnswered(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	answered := 0
	for round := range 20 {
		last := importAndKill(t, dir, 1+round*700)
		answered = max(answered, last)
		if _, err := embedded.Check(dir); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		demandRows(t, dir, answered)
	}
	t.Logf("%d rows answered and kept", answered)
}

// importAndKill kills an import after some answers and returns the last row that
// was answered; rows are answered in order.
func importAndKill(t *testing.T, dir string, after int) (last int) {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0])
	cmd.Env = append(os.Environ(), childDir+"="+dir)
	var complaint strings.Builder
	cmd.Stderr = &complaint
	pipe, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(pipe)
	for n := 0; lines.Scan(); n++ {
		if n == after {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
		row, outcome, whole := strings.Cut(lines.Text(), " ")
		line, err := strconv.Atoi(row)
		if !whole || err != nil || outcome == "" {
			break // cut off in the middle
		}
		if line <= last {
			t.Fatalf("row %d was answered after row %d", line, last)
		}
		last = line
	}
	if err := cmd.Wait(); err == nil || last == 0 {
		t.Fatalf("the import ended by itself after row %d: %s", last, complaint.String())
	}
	return last
}

// demandRows demands all good rows up to a line.
func demandRows(t *testing.T, dir string, last int) {
	t.Helper()
	s, err := embedded.Open(dir, embedded.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for line := 2; line <= last; line++ {
		found, err := s.Get(t.Context(), store.Key{Tenant: "y", Kind: "shelf", ID: fmt.Sprint("A", line)})
		if want := fmt.Sprint(line%1000, " "); line%10 != 0 && (err != nil || string(found.Value) != want) {
			t.Errorf("the answered row %d is lost: %q, %v", line, found.Value, err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}
