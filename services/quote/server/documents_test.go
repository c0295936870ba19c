package server_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/paper/papertest"
	"beltwright.example/services/quote/quote"
)

// rendered renders a quote as shop-a.
func (w *world) rendered(request *quotev1.RenderQuoteRequest) *fitmentv1.Document {
	w.t.Helper()
	answer, err := w.RenderQuote(as(w.t, "shop-a"), request)
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetDocument()
}

func TestRenderQuoteInEachForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("kettlewick", "K-1", 180_00)
	w.list("saltmarrow", "S-1", 150_00)
	q := w.prepare()
	_, id, _ := strings.Cut(q.GetName(), "/")

	// No question goes to the fitment service: it may be away.
	w.fake.set(func() { w.fake.hang = true })
	pdf := w.rendered(&quotev1.RenderQuoteRequest{Name: q.GetName(), Paper: fitmentv1.Document_LETTER})
	w.fake.set(func() { w.fake.hang = false })
	if pdf.GetContentType() != "application/pdf" || pdf.GetFileName() != "quote-"+id+".pdf" {
		t.Errorf("%s as %s", pdf.GetFileName(), pdf.GetContentType())
	}
	if info := papertest.Info(t, pdf.GetContent()); !strings.Contains(info, "612 x 792 pts") {
		t.Errorf("the paper is not the one asked for: %s", info)
	}
	text := papertest.Flat(t, pdf.GetContent())
	for _, want := range []string{"shop-a", "Quote " + q.GetNumber(), "2006 Alder Kestrel", "Norrland NB40118", "buckle pretensioner, row 1 right"} {
		if !strings.Contains(text, want) {
			t.Errorf("it lacks %q: %s", want, text)
		}
	}
	if again := w.rendered(&quotev1.RenderQuoteRequest{Name: q.GetName(), Paper: fitmentv1.Document_LETTER}); !bytes.Equal(again.GetContent(), pdf.GetContent()) {
		t.Error("the same quote gives other bytes")
	}

	sheet := w.rendered(&quotev1.RenderQuoteRequest{Name: q.GetName(), Format: quotev1.RenderQuoteRequest_CSV})
	rows, err := csv.NewReader(bytes.NewReader(sheet.GetContent())).ReadAll()
	if err != nil || len(rows) != 2 || rows[1][0] != q.GetName() || sheet.GetFileName() != "quote-"+id+".csv" || !strings.HasPrefix(sheet.GetContentType(), "text/csv") {
		t.Errorf("sheet %q as %s: %v, %v", sheet.GetFileName(), sheet.GetContentType(), rows, err)
	}

	raw := w.rendered(&quotev1.RenderQuoteRequest{Name: q.GetName(), Format: quotev1.RenderQuoteRequest_JSON})
	var read struct {
		Number string `json:"number"`
		State  string `json:"state"`
	}
	if err := json.Unmarshal(raw.GetContent(), &read); err != nil || read.Number != q.GetNumber() || read.State != "OPEN" || raw.GetContentType() != "application/json" {
		t.Errorf("JSON: %+v, %v", read, err)
	}
}

func TestADocumentShowsTheStateThatCounts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("kettlewick", "K-1", 180_00)
	q := w.prepare()
	w.clock.Advance(31 * 24 * time.Hour)
	if text := papertest.Flat(t, w.rendered(&quotev1.RenderQuoteRequest{Name: q.GetName()}).GetContent()); !strings.Contains(text, "ran out") {
		t.Errorf("a quote that ran out is printed as %s", text)
	}
}

func TestWhatRenderQuoteRefuses(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("kettlewick", "K-1", 180_00)
	q := w.prepare()
	_, err := w.RenderQuote(as(t, "shop-b"), &quotev1.RenderQuoteRequest{Name: q.GetName()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = w.RenderQuote(t.Context(), &quotev1.RenderQuoteRequest{Name: q.GetName()})
	refused(t, err, codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID)
	for field, request := range map[string]*quotev1.RenderQuoteRequest{
		"paper":  {Name: q.GetName(), Paper: 9},
		"format": {Name: q.GetName(), Format: 9},
		"name":   {Name: "quotes/"},
	} {
		_, err := w.RenderQuote(as(t, "shop-a"), request)
		refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
		if err != nil && !strings.Contains(err.Error(), field) {
			t.Errorf("%v does not name %s", err, field)
		}
	}
}

// booked books an entry of shop-a's.
func (w *world) booked(q *quotev1.Quote, kind quotev1.Entry_Kind, amount int64, note string) *quotev1.Entry {
	w.t.Helper()
	entry := &quotev1.Entry{Kind: kind, Quote: q.GetName(), Amount: amount, CurrencyCode: "USD", Day: w.clock.Now().Format(time.DateOnly), Note: note}
	if kind == quotev1.Entry_PAID || kind == quotev1.Entry_REFUNDED {
		entry.Source = quote.FirstBuy(q.GetOptions()).GetSource()
	}
	answer, err := w.RecordEntry(as(w.t, "shop-a"), &quotev1.RecordEntryRequest{Entry: entry, RequestId: uuid.NewString()})
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetEntry()
}

func TestRenderCreditNote(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.list("kettlewick", "K-1", 180_00)
	q, err := w.accept(w.prepare())
	if err != nil {
		t.Fatal(err)
	}
	received := w.booked(q, quotev1.Entry_RECEIVED, 100_00, "")
	note := w.booked(q, quotev1.Entry_CREDIT_NOTE, 12_50, "the bolts were not needed")
	answer, err := w.RenderCreditNote(as(t, "shop-a"), &quotev1.RenderCreditNoteRequest{Name: note.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	text := papertest.Flat(t, answer.GetDocument().GetContent())
	for _, want := range []string{"shop-a", "Credit note " + note.GetNumber(), q.GetNumber(), "12.50", "Reason: the bolts were not needed"} {
		if !strings.Contains(text, want) {
			t.Errorf("it lacks %q: %s", want, text)
		}
	}
	if file := answer.GetDocument().GetFileName(); !strings.HasPrefix(file, "entry-") || !strings.HasSuffix(file, ".pdf") {
		t.Errorf("file %s", file)
	}

	if strings.Contains(text, "taken back") {
		t.Errorf("a credit note that counts is called taken back: %s", text)
	}
	w.book(&quotev1.RecordEntryRequest{RequestId: uuid.NewString(), Entry: &quotev1.Entry{
		Kind: quotev1.Entry_REVERSAL, Reverses: note.GetName(), Day: w.clock.Now().Format(time.DateOnly),
	}})
	answer, err = w.RenderCreditNote(as(t, "shop-a"), &quotev1.RenderCreditNoteRequest{Name: note.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	if text := papertest.Flat(t, answer.GetDocument().GetContent()); !strings.Contains(text, "This was taken back by entries/") {
		t.Errorf("it was taken back and does not say so: %s", text)
	}

	_, err = w.RenderCreditNote(as(t, "shop-a"), &quotev1.RenderCreditNoteRequest{Name: received.GetName()})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	_, err = w.RenderCreditNote(as(t, "shop-b"), &quotev1.RenderCreditNoteRequest{Name: note.GetName()})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = w.RenderCreditNote(as(t, "shop-a"), &quotev1.RenderCreditNoteRequest{Name: note.GetName(), Paper: 7})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestRenderRepairOrder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	opened, err := w.CreateRepairOrder(as(t, "shop-a"), &quotev1.CreateRepairOrderRequest{
		Vehicle: need().GetVehicle(), Customer: "Fleet 7", Complaint: "the lamp stays on", RequestId: uuid.NewString(),
	})
	if err != nil {
		t.Fatal(err)
	}
	order := opened.GetRepairOrder()
	request := &quotev1.RenderRepairOrderRequest{Name: order.GetName()}
	answer, err := w.RenderRepairOrder(as(t, "shop-a"), request)
	if err != nil {
		t.Fatal(err)
	}
	text := papertest.Flat(t, answer.GetDocument().GetContent())
	for _, want := range []string{"shop-a", "Repair order " + order.GetNumber(), "2006 Alder Kestrel", "Fleet 7", "the lamp stays on", "proves no repair yet"} {
		if !strings.Contains(text, want) {
			t.Errorf("it lacks %q: %s", want, text)
		}
	}
	if file := answer.GetDocument().GetFileName(); !strings.HasPrefix(file, "repair-") || !strings.HasSuffix(file, ".pdf") {
		t.Errorf("file %s", file)
	}
	_, err = w.RenderRepairOrder(as(t, "shop-b"), request)
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	request.Paper = 7
	_, err = w.RenderRepairOrder(as(t, "shop-a"), request)
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
}

// The record says who allowed the work, as the quote has it; it is read from the
// store, whatever became of the fitment side.
func TestARepairOrderSaysWhoAllowedTheWork(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	record, q := j.stored(j.order.GetQuote())
	q.Authorization = &quotev1.Authorization{By: "R. Fen", Method: quotev1.Authorization_SPOKEN, UpTo: 900_00}
	j.keep(record, q)
	j.fake.set(func() { j.fake.hang = true })
	defer j.fake.set(func() { j.fake.hang = false })
	answer, err := j.RenderRepairOrder(as(t, "shop-a"), &quotev1.RenderRepairOrderRequest{Name: j.order.GetName()})
	if err != nil {
		t.Fatal(err)
	}
	if text := papertest.Flat(t, answer.GetDocument().GetContent()); !strings.Contains(text, "Allowed by R. Fen, spoken, up to 900.00 USD") {
		t.Errorf("it does not say who allowed the work: %s", text)
	}
}
