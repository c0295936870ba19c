package imports_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/imports"
	"beltwright.example/services/store"
)

// blank is a store that has nothing; a dry run asks no more of it.
type blank struct{ store.Store }

func (blank) Get(context.Context, store.Key) (store.Record, error) {
	return store.Record{}, store.ErrNotFound
}

// FuzzBadRows puts anything between good rows: it never panics, whatever is
// wrong is a row result, every row after it is still read, and the answers are
// in order.
func FuzzBadRows(f *testing.F) {
	for _, seed := range []string{
		"", "A1,5,x", "\"", "A1,\"x", "A\"1,2", ",,,,,", "\xff\xfe,1,", "A1,NaN,", "A1,1,\"a\nb", "\r\r", strings.Repeat("\"\n", 50),
		"A1,1,\"5\" x\nB1,2,y\nz\"", "A1,1, \"x\nB1,2,y\nz\"", "A1,\"x\"y,\"z\nB1,2,y\n\"",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, bad string) {
		const good = 5
		file := "stock number,price,note\n" + bad + "\n"
		first := strings.Count(file, "\n") + 1
		for i := range good {
			file += fmt.Sprintf("GOOD-%d,%d,fine\n", i, i)
		}
		in := imports.Input{Options: &fitmentv1.ImportOptions{DryRun: true}, Owner: "y", Read: strings.NewReader(file)}
		last, seen := int32(1), 0
		sum, err := imports.Run(t.Context(), blank{}, shelf(), in, func(r *fitmentv1.RowResult) error {
			if r.GetRow() <= last || (r.GetOutcome() == fitmentv1.RowResult_REJECTED) != (len(r.GetProblems()) > 0) {
				t.Fatalf("after row %d: %v", last, r)
			}
			for _, p := range r.GetProblems() {
				if !utf8.ValidString(p.GetProblem()+p.GetField()+p.GetExpected()) || p.GetField() == "" {
					t.Fatalf("row %d: %v", r.GetRow(), p)
				}
			}
			last = r.GetRow()
			if int(last) >= first && r.GetOutcome() != fitmentv1.RowResult_REJECTED {
				seen++
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
		if seen != good {
			t.Fatalf("%d of %d good rows were read after %.100q", seen, good, bad)
		}
		if sum.GetRows() != sum.GetCreated()+sum.GetUpdated()+sum.GetUnchanged()+sum.GetRejected() {
			t.Fatalf("sums do not add up: %v", sum)
		}
	})
}

// FuzzFile reads anything as a whole file: an answer or INVALID_ARGUMENT.
func FuzzFile(f *testing.F) {
	for _, seed := range []string{"", "\xef\xbb\xbfstock number\nA1", "stock number;note\nA;b", "\xff\xfe", "price\n1", "\"\n", ",,,"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, file []byte) {
		in := imports.Input{Options: &fitmentv1.ImportOptions{DryRun: true}, Owner: "y", Read: strings.NewReader(string(file))}
		sum, err := imports.Run(t.Context(), blank{}, shelf(), in, nothing)
		if err != nil && status.Code(err) != codes.InvalidArgument {
			t.Fatal(err)
		}
		if err == nil && (sum.GetRows() < 0 || sum.GetRows() > math.MaxInt32/2) {
			t.Fatal(sum)
		}
	})
}
