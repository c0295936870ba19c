package document_test

import (
	"bytes"
	"strconv"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/sheet"
	"beltwright.example/services/platform/sheet/sheettest"
	"beltwright.example/services/quote/document"
)

// poison puts hostile texts into every text of a message; what was the same stays
// the same, so that sellers keep their shares. It leaves the currency alone, which
// amounts are written by.
type poison struct {
	next  int
	known map[string]string
}

func (p *poison) into(m protoreflect.Message) {
	m.Range(func(field protoreflect.FieldDescriptor, value protoreflect.Value) bool {
		switch {
		case field.IsMap():
		case field.IsList() && field.Message() != nil:
			for i := range value.List().Len() {
				p.into(value.List().Get(i).Message())
			}
		case field.IsList() && field.Kind() == protoreflect.StringKind:
			for i := range value.List().Len() {
				value.List().Set(i, protoreflect.ValueOfString(p.text(value.List().Get(i).String())))
			}
		case field.IsList():
		case field.Message() != nil:
			p.into(value.Message())
		case field.Kind() == protoreflect.StringKind && field.Name() != "currency_code":
			m.Set(field, protoreflect.ValueOfString(p.text(value.String())))
		}
		return true
	})
}

func (p *poison) text(text string) string {
	if p.known[text] == "" {
		p.known[text] = sheettest.Hostile(p.next)
		p.next++
	}
	return p.known[text]
}

// Every text of a quote hostile, in sheets of more than 50,000 hostile cells (the
// ledger's test has as many): read by two readers, none begins a formula, each is
// given back as it was, and amounts are numbers still. The control writes the same
// cells without care.
func TestNoCellOfAQuotesSheetRuns(t *testing.T) {
	t.Parallel()
	const quotes, lines = 420, 20
	var whole, careless bytes.Buffer
	hostile := 0
	p := &poison{}
	for range quotes {
		p.known = map[string]string{}
		q := proto.CloneOf(several(lines))
		q.Reference, q.Customer = "its reference", "its customer"
		p.into(q.ProtoReflect())
		raw, err := document.CSV(q)
		if err != nil {
			t.Fatal(err)
		}
		whole.Write(raw)
		rows := sheettest.Read(t, raw)
		hostile += checkSheet(t, q, rows)
		plain := make([][]string, len(rows))
		for i, row := range rows {
			for _, cell := range row {
				plain[i] = append(plain[i], sheet.Plain(cell))
			}
		}
		careless.Write(sheettest.Unsafe(t, plain))
	}
	cells, run, first := sheettest.Count(sheettest.Read(t, whole.Bytes()))
	if run != 0 {
		t.Errorf("%d of %d cells would run, as %q", run, cells, first)
	}
	if hostile < 50_000 {
		t.Errorf("only %d cells were hostile", hostile)
	}
	_, control, _ := sheettest.Count(sheettest.Read(t, careless.Bytes()))
	if control < hostile/2 {
		t.Errorf("of the control, %d cells would run: this test finds too little", control)
	}
	t.Run("python", func(t *testing.T) {
		t.Parallel()
		all, run := sheettest.CountElsewhere(t, whole.Bytes())
		if all != cells || run != 0 {
			t.Errorf("another reader finds %d cells, of which %d would run; want %d and none", all, run, cells)
		}
		if _, foreign := sheettest.CountElsewhere(t, careless.Bytes()); foreign < hostile/2 {
			t.Errorf("another reader finds %d that would run in the control", foreign)
		}
	})
	t.Logf("%d cells, %d hostile; %d of the control would run", cells, hostile, control)
}

// checkSheet holds the cells against the quote, and counts the hostile ones.
func checkSheet(t *testing.T, q *quotev1.Quote, rows [][]string) (hostile int) {
	t.Helper()
	if len(rows) != len(q.GetLines())+1 {
		t.Fatalf("%d rows", len(rows))
	}
	for i, row := range rows[1:] {
		option := q.GetLines()[i].GetOptions()[0]
		for at, name := range rows[0] {
			cell := row[at]
			want, text := map[string]string{
				"quote": q.GetName(), "number": q.GetNumber(), "customer": q.GetCustomer(), "reference": q.GetReference(),
				"source": option.GetSource(), "seller": option.GetSeller(), "part_maker": option.GetPartMaker(), "part_number": option.GetPartNumber(),
			}[name]
			switch name {
			case "price", "tax", "line_total", "landed_cost", "freight_share":
				if _, err := strconv.ParseFloat(cell, 64); err != nil || !sheettest.Number(cell) {
					t.Fatalf("%s is no number any more: %q", name, cell)
				}
			}
			if !text {
				continue
			}
			hostile++
			// The reader makes CR LF one LF, as its documentation says.
			if got := sheet.Plain(cell); got != lf(want) {
				t.Fatalf("%s %q came back as %q", name, want, got)
			}
		}
	}
	return hostile
}

// lf is a text as encoding/csv reads it.
func lf(text string) string {
	return string(bytes.ReplaceAll([]byte(text), []byte("\r\n"), []byte("\n")))
}
