package books_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/books"
)

// TestAccounts: what each kind debits and credits, as bookkeepers commonly post it
// (common practice, no source).
func TestAccounts(t *testing.T) {
	t.Parallel()
	for kind, want := range map[quotev1.Entry_Kind][2]string{
		paid:      {"Purchases", "Bank"},
		refunded:  {"Bank", "Purchase returns"},
		received:  {"Bank", "Sales"},
		credit:    {"Sales returns and allowances", "Customer credits"},
		returned:  {"Bank", "Purchase returns"},
		forfeited: {"Core deposits forfeited", "Purchases"},
	} {
		e := entry(kind, 12_34, usedPart)
		e.Name, e.Number, e.Customer = "entries/x.0001", "N-1", "C-17"
		e.CreateTime = timestamppb.New(time.Date(2026, 3, 10, 9, 30, 0, 0, time.UTC))
		rows, err := books.Rows(e, 0)
		if err != nil {
			t.Fatal(err)
		}
		for i, sums := range [2][2]string{{"12.34", ""}, {"", "12.34"}} {
			cells := []string{
				"2026-03-10", "entries/x.0001", map[quotev1.Entry_Kind]string{
					paid: "paid", refunded: "refunded", received: "received", credit: "credit_note", returned: "core_returned", forfeited: "core_forfeited",
				}[kind], "N-1", quoteNamed, "C-17", usedPart, "kettlewick", want[i], sums[0], sums[1], "USD", "n", "", "2026-03-10T09:30:00Z",
			}
			if diff := cmp.Diff(cells, rows[i]); diff != "" {
				t.Errorf("%s, row %d:\n%s", kind, i, diff)
			}
		}
		back := reversal("entries/x.0001")
		back.Amount, back.CurrencyCode = 12_34, "USD"
		undone, err := books.Rows(back, kind)
		if err != nil || undone[0][8] != want[1] || undone[1][8] != want[0] || undone[0][9] != "12.34" || undone[1][10] != "12.34" {
			t.Errorf("reversal of %s: %q, %v", kind, undone, err)
		}
	}
	for _, lost := range []*quotev1.Entry{{Kind: 99}, {}, reversal("entries/gone.0001")} {
		if rows, err := books.Rows(lost, 0); err == nil {
			t.Errorf("%v was posted: %q", lost, rows)
		}
	}
}

func TestColumnsAreNamedOnce(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, column := range books.Columns() {
		if column == "" || seen[column] {
			t.Errorf("column %q", column)
		}
		seen[column] = true
	}
}

func TestLedgerIsByDay(t *testing.T) {
	t.Parallel()
	e := func(name, day string, second int) *quotev1.Entry {
		return &quotev1.Entry{Name: name, Day: day, CreateTime: timestamppb.New(today.Add(time.Duration(second) * time.Second))}
	}
	entries := []*quotev1.Entry{e("d", "2026-03-11", 0), e("c", "2026-03-10", 5), e("b", "2026-03-10", 5), e("a", "2026-03-10", 9)}
	books.ByDay(entries)
	var got string
	for _, e := range entries {
		got += e.GetName()
	}
	if got != "bcad" {
		t.Errorf("order %s", got)
	}
	for _, c := range []struct {
		from, to string
		want     bool
	}{{"", "", true}, {"2026-03-11", "", true}, {"2026-03-12", "", false}, {"", "2026-03-11", true}, {"", "2026-03-10", false}} {
		if got := books.Within(entries[3], c.from, c.to); got != c.want {
			t.Errorf("from %q to %q: %v", c.from, c.to, got)
		}
	}
}
