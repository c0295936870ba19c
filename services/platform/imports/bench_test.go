package imports_test

import (
	"fmt"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

// BenchmarkImport measures rows of a file into the embedded store, with every
// batch fsynced: new rows, the same rows again, and a dry run.
func BenchmarkImport(b *testing.B) {
	const rows = 20_000
	var text strings.Builder
	text.WriteString("stock number,price,note\n")
	for i := range rows {
		fmt.Fprintf(&text, "A%d,%d,\"%s\"\n", i, i%900, strings.Repeat("note ", 20))
	}
	file := text.String()
	run := func(b *testing.B, dry, fresh bool) {
		b.Helper()
		s := embeddedtest.Open(b, b.TempDir(), embedded.Options{})
		b.SetBytes(int64(len(file)))
		owner := 0
		for b.Loop() {
			if fresh {
				owner++
			}
			in := imports.Input{
				Options: &fitmentv1.ImportOptions{DryRun: dry}, Owner: fmt.Sprint("y", owner), Read: strings.NewReader(file),
			}
			if _, err := imports.Run(b.Context(), s, shelf(), in, nothing); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(rows*b.N)/b.Elapsed().Seconds(), "rows/s")
	}
	b.Run("new", func(b *testing.B) { run(b, false, true) })
	b.Run("again", func(b *testing.B) { run(b, false, false) })
	b.Run("dry", func(b *testing.B) { run(b, true, true) })
}
