package server_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/sheet"
	"beltwright.example/services/platform/sheet/sheettest"
	"beltwright.example/services/quote/books"
	"beltwright.example/services/store"
)

// Every text of the ledger's entries hostile, more than 50,000 such cells: read by
// two readers, none begins a formula, each is given back as it was, and the sums are
// numbers still, negative ones too. The control writes the same cells without care.
func TestNoCellOfTheLedgerRuns(t *testing.T) {
	t.Parallel()
	const entries = 4400
	w := newWorld(t)
	changes := make([]store.Change, entries)
	kept := map[string]*quotev1.Entry{}
	for i := range entries {
		id := fmt.Sprintf("Q-2026-%06d.0001", i)
		at := func(n int) string { return sheettest.Hostile(6*i + n) }
		entry := &quotev1.Entry{
			Name: "entries/" + id, Kind: quotev1.Entry_RECEIVED, Quote: at(0), Amount: int64(i%3-1) * int64(100+i), CurrencyCode: "USD", Day: "2026-03-10",
			Note: at(1), Customer: at(2), Number: at(3), Source: at(4), Reverses: "", CreateTime: timestamppb.New(w.clock.Now()),
		}
		raw, err := proto.Marshal(entry)
		if err != nil {
			t.Fatal(err)
		}
		changes[i].Puts = []store.Put{{Key: store.Key{Tenant: "shop-a", Kind: "entry", ID: id}, Expect: store.Absent, Value: raw}}
		kept[entry.GetName()] = entry
	}
	if applied, err := w.store.Store.Apply(t.Context(), changes...); err != nil || applied[entries-1].Err != nil {
		t.Fatal(err)
	}
	stream := &ledgerStream{ctx: as(t, "shop-a")}
	if err := w.ExportLedger(&quotev1.ExportLedgerRequest{}, stream); err != nil {
		t.Fatal(err)
	}
	raw := bytes.Join(stream.pieces, nil)
	rows := sheettest.Read(t, raw)
	if len(rows) != 2*entries+1 {
		t.Fatalf("%d rows", len(rows))
	}
	hostile := 0
	plain := make([][]string, len(rows))
	for i, row := range rows {
		for _, cell := range row {
			plain[i] = append(plain[i], sheet.Plain(cell))
		}
		if i > 0 {
			hostile += checkLedgerRow(t, kept, plain[i])
		}
	}
	cells, run, first := sheettest.Count(rows)
	if run != 0 || hostile < 43_000 {
		t.Errorf("%d of %d cells would run, as %q; %d were hostile", run, cells, first, hostile)
	}
	careless := sheettest.Unsafe(t, plain)
	if _, control, _ := sheettest.Count(sheettest.Read(t, careless)); control < hostile/2 {
		t.Errorf("of the control, %d cells would run: this test finds too little", control)
	}
	t.Run("python", func(t *testing.T) {
		t.Parallel()
		if all, run := sheettest.CountElsewhere(t, raw); all != cells || run != 0 {
			t.Errorf("another reader finds %d cells, of which %d would run; want %d and none", all, run, cells)
		}
		if _, control := sheettest.CountElsewhere(t, careless); control < hostile/2 {
			t.Errorf("another reader finds %d that would run in the control", control)
		}
	})
	t.Logf("%d cells, %d hostile", cells, hostile)
}

// checkLedgerRow holds the cells of a row against its entry, and counts the hostile
// ones.
func checkLedgerRow(t *testing.T, kept map[string]*quotev1.Entry, row []string) (hostile int) {
	t.Helper()
	cell := map[string]string{}
	for i, name := range books.Columns() {
		cell[name] = row[i]
	}
	entry := kept[cell["entry"]]
	if entry == nil {
		t.Fatalf("a row of no entry: %q", row)
	}
	for name, want := range map[string]string{
		"note": entry.GetNote(), "customer": entry.GetCustomer(), "number": entry.GetNumber(), "quote": entry.GetQuote(), "source": entry.GetSource(),
	} {
		hostile++
		// The reader makes CR LF one LF, as its documentation says.
		if got := cell[name]; got != strings.ReplaceAll(want, "\r\n", "\n") {
			t.Fatalf("%s %q came back as %q", name, want, got)
		}
	}
	sum := cell["debit"] + cell["credit"]
	if want := fmt.Sprintf("%.2f", float64(entry.GetAmount())/100); sum != want || !sheettest.Number(sum) {
		t.Fatalf("%d is written as %q, want %q", entry.GetAmount(), sum, want)
	}
	return hostile
}
