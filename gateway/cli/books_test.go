package cli_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

const bookedOn = "quotes/Q-2026-000001"

// booksCases are the client commands about the books.
func booksCases() map[string]clientCase {
	ask := func(change func(e *quotev1.Entry)) *quotev1.RecordEntryRequest {
		e := &quotev1.Entry{Quote: bookedOn, Amount: 12800, CurrencyCode: "USD", Day: "2026-03-10"}
		change(e)
		return &quotev1.RecordEntryRequest{Entry: e, RequestId: id}
	}
	told := func(kind quotev1.Entry_Kind, number string) *quotev1.RecordEntryResponse {
		return &quotev1.RecordEntryResponse{Entry: &quotev1.Entry{
			Name: "entries/Q-2026-000001.0003", Kind: kind, Number: number, Amount: 12800, CurrencyCode: "USD", Quote: bookedOn, Day: "2026-03-10",
		}}
	}
	common := []string{"--day", "2026-03-10", "--request-id", id}
	with := func(args ...string) []string { return append(args, common...) }
	return map[string]clientCase{
		"books record": {
			args: with("books", "record", "core-returned", bookedOn, "--source", "listings/k.1", "--amount", "128.00", "--note", "by parcel"),
			asks: ask(func(e *quotev1.Entry) {
				e.Kind, e.Source, e.Note = quotev1.Entry_CORE_RETURNED, "listings/k.1", "by parcel"
			}),
			answer: told(quotev1.Entry_CORE_RETURNED, ""),
			shows:  []string{"entries/Q-2026-000001.0003: core returned, 128.00 USD on " + bookedOn + ", 2026-03-10"},
		},
		"books record, whole units": {
			args: with("books", "record", "RECEIVED", bookedOn, "--amount", "128", "--currency", "JPY"),
			asks: ask(func(e *quotev1.Entry) {
				e.Kind, e.Amount, e.CurrencyCode = quotev1.Entry_RECEIVED, 128, "JPY"
			}),
			answer: told(quotev1.Entry_RECEIVED, ""),
			shows:  []string{"received"},
		},
		"books reverse": {
			args: with("books", "reverse", "entries/Q-2026-000001.0001", "--note", "wrong amount"),
			asks: ask(func(e *quotev1.Entry) {
				e.Kind, e.Reverses, e.Note = quotev1.Entry_REVERSAL, "entries/Q-2026-000001.0001", "wrong amount"
				e.Quote, e.Amount, e.CurrencyCode = "", 0, ""
			}),
			answer: told(quotev1.Entry_REVERSAL, ""),
			shows:  []string{"reversal, 128.00 USD"},
		},
		"books credit-note give": {
			args:   with("books", "credit-note", "give", bookedOn, "--amount", "128.00", "--note", "goodwill"),
			asks:   ask(func(e *quotev1.Entry) { e.Kind, e.Note = quotev1.Entry_CREDIT_NOTE, "goodwill" }),
			answer: told(quotev1.Entry_CREDIT_NOTE, "C-2026-000001"),
			shows:  []string{"credit note C-2026-000001, 128.00 USD"},
		},
		"books entries": {
			args: []string{"books", "entries", "--quote", bookedOn, "--page-size", "2", "--page-token", "t"},
			asks: &quotev1.ListEntriesRequest{Quote: bookedOn, PageSize: 2, PageToken: "t"},
			answer: &quotev1.ListEntriesResponse{NextPageToken: "more-token", Entries: []*quotev1.Entry{
				{Name: "entries/Q.0001", Kind: quotev1.Entry_PAID, Source: "listings/k.1", Amount: 12800, CurrencyCode: "USD", Day: "2026-03-10"},
				{Name: "entries/Q.0002", Kind: quotev1.Entry_REVERSAL, Reverses: "entries/Q.0001", Amount: 12800, CurrencyCode: "USD", Note: "twice"},
			}},
			shows: []string{"2026-03-10", "paid", "128.00 USD", "listings/k.1", "entries/Q.0001", "twice", "--page-token more-token"},
		},
		"books sum": {
			args: []string{"books", "sum", "--state", "partly-accepted", "--customer", "C-17", "--from", "2026-01-01", "--to", "2026-12-31", "--why"},
			asks: &quotev1.SumQuotesRequest{State: quotev1.Quote_PARTLY_ACCEPTED, Customer: "C-17", FromDay: "2026-01-01", ToDay: "2026-12-31"},
			answer: &quotev1.SumQuotesResponse{
				Quotes: []*quotev1.QuoteBooks{{
					Quote: bookedOn, State: quotev1.Quote_PARTLY_ACCEPTED, Customer: "C-17", CurrencyCode: "USD", Quoted: 51549, Margin: -500, CoresOut: 5000,
					Workings: []*quotev1.Working{{Number: "margin", Formula: "0.00 − 5.00", Value: "-5.00", Source: "a source"}},
				}},
				Totals:  []*quotev1.BooksTotal{{State: quotev1.Quote_PARTLY_ACCEPTED, CurrencyCode: "USD", Quotes: 1234, Quoted: 51549}},
				Limited: "1 of 1234 quotes are listed.",
			},
			shows: []string{
				bookedOn, "C-17", "515.49 USD", "-5.00 USD", "50.00 USD", "1 of 1234 quotes are listed.", "in all", "partly accepted", "1234",
				"  - margin = 0.00 − 5.00 = -5.00 (a source)",
			},
		},
		"books cores": {
			args: []string{"books", "cores"},
			asks: &quotev1.ListCoreDepositsRequest{},
			answer: &quotev1.ListCoreDepositsResponse{Deposits: []*quotev1.CoreDeposit{
				{Quote: bookedOn, Source: "listings/k.1", Seller: "k", Amount: 5000, CurrencyCode: "USD", DueDay: "2026-04-13", Overdue: true, Transport: "It is live."},
				{Quote: bookedOn, Source: "listings/k.2", Seller: "k", Amount: 5000, CurrencyCode: "USD", Transport: "It is live."},
			}},
			shows: []string{"2026-04-13 (overdue)", "not stated", "50.00 USD", "listings/k.2", "sending old parts\n  - It is live.\n"},
		},
	}
}

func TestBooksAreReadStrictly(t *testing.T) {
	t.Parallel()
	for want, args := range map[string][]string{
		"expected one of paid":          {"books", "record", "stolen", bookedOn, "--amount", "1"},
		"--amount":                      {"books", "record", "paid", bookedOn, "--amount", "1.005"},
		"wants [KIND QUOTE]":            {"books", "record", "paid"},
		"--state":                       {"books", "sum", "--state", "lost"},
		"wants [ENTRY]":                 {"books", "reverse"},
		"takes no argument \"deposit\"": {"books", "cores", "deposit"},
	} {
		s := start(t, &quotev1.RecordEntryResponse{}, nil)
		if code, _, errs := run(t, "", s.to(args...)...); code != cli.ExitUsage || !strings.Contains(errs, want) || s.asked != nil {
			t.Errorf("%v: exit %d, %s", args, code, errs)
		}
	}
}

// TestBookedToday: an entry without a day is today's.
func TestBookedToday(t *testing.T) {
	t.Parallel()
	s := start(t, &quotev1.RecordEntryResponse{Entry: &quotev1.Entry{}}, nil)
	before := time.Now().Format(time.DateOnly)
	code, _, errs := run(t, "", s.to("books", "record", "received", bookedOn, "--amount", "1.00")...)
	asked, ok := s.asked.(*quotev1.RecordEntryRequest)
	if code != cli.ExitOK || !ok || asked.GetRequestId() == "" {
		t.Fatalf("exit %d, %s, asked %v", code, errs, s.asked)
	}
	if day := asked.GetEntry().GetDay(); day != before && day != time.Now().Format(time.DateOnly) {
		t.Errorf("day %s", day)
	}
}

// ledgerServer sends a ledger in pieces, then ends with err.
type ledgerServer struct {
	quotev1.UnimplementedBooksServiceServer

	pieces []string
	err    error
}

func (l *ledgerServer) ExportLedger(_ *quotev1.ExportLedgerRequest, stream quotev1.BooksService_ExportLedgerServer) error {
	for _, piece := range l.pieces {
		if err := stream.Send(&quotev1.ExportLedgerResponse{Chunk: []byte(piece)}); err != nil {
			return err
		}
	}
	return l.err
}

func ledgerOf(t *testing.T, l *ledgerServer) *server {
	t.Helper()
	return start(t, nil, nil, func(g *grpc.Server) { quotev1.RegisterBooksServiceServer(g, l) })
}

func TestLedgerIsWrittenWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	whole := ledgerOf(t, &ledgerServer{pieces: []string{"day,entry\r\n", "2026-03-10,x\r\n"}})
	const text = "day,entry\r\n2026-03-10,x\r\n"
	if code, out, errs := run(t, "", whole.to("books", "ledger")...); code != cli.ExitOK || out != text {
		t.Errorf("to standard output: exit %d, %q, %s", code, out, errs)
	}
	path := filepath.Join(t.TempDir(), "ledger.csv")
	if code, _, errs := run(t, "", whole.to("books", "ledger", "--out", path)...); code != cli.ExitOK {
		t.Fatalf("exit %d: %s", code, errs)
	}
	if raw, err := os.ReadFile(path); err != nil || string(raw) != text {
		t.Errorf("the file holds %q, %v", raw, err)
	}
	if code, _, _ := run(t, "", whole.to("books", "ledger", "--out", path)...); code != cli.ExitFailed {
		t.Errorf("a file that is there was written over: exit %d", code)
	}
	broken := ledgerOf(t, &ledgerServer{pieces: []string{"day"}, err: apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "gone")})
	part := filepath.Join(t.TempDir(), "part.csv")
	if code, _, errs := run(t, "", broken.to("books", "ledger", "-o", part)...); code != cli.ExitFailed || errs == "" {
		t.Errorf("broken off: exit %d, %s", code, errs)
	}
	if _, err := os.Stat(part); !os.IsNotExist(err) {
		t.Errorf("a part of a ledger is left: %v", err)
	}
}
