package server

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/platform/sheet"
	"beltwright.example/services/quote/books"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// ListEntries pages through the caller's entries, or those of one quote.
func (s *Server) ListEntries(ctx context.Context, request *quotev1.ListEntriesRequest) (*quotev1.ListEntriesResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	size, err := page.Size(request.GetPageSize())
	if err != nil {
		return nil, err
	}
	prefix, err := entriesOf(request.GetQuote())
	if err != nil {
		return nil, err
	}
	after := prefix
	if err := page.Decode(who.Tenant, request, request.GetPageToken(), &after); err != nil {
		return nil, err
	}
	answer := &quotev1.ListEntriesResponse{}
	if answer.Revision, err = s.placeOf(ctx, 0); err != nil { // before the records: never newer than they are
		return nil, err
	}
	records, more, err := s.readPage(ctx, who.Tenant, kindEntry, max(after, prefix), size)
	if err != nil {
		return nil, fmt.Errorf("list entries: %w", err)
	}
	for _, record := range records {
		if !strings.HasPrefix(record.Key.ID, prefix) {
			return answer, nil
		}
		entry, err := readEntry(record)
		if err != nil {
			return nil, err
		}
		answer.Entries, after = append(answer.Entries, entry), record.Key.ID
	}
	if more {
		answer.NextPageToken, err = page.Encode(who.Tenant, request, after)
	}
	return answer, err
}

// entriesOf is what the ids of a quote's entries begin with; empty for all.
func entriesOf(quoteName string) (string, error) {
	if quoteName == "" {
		return "", nil
	}
	quoteID, err := id(quoteName, quotePrefix, "quotes/Q-2026-000001")
	if err != nil {
		return "", apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "quote", Problem: fmt.Sprintf("%.80q is no quote", quoteName), Expected: "a name such as quotes/Q-2026-000001, or nothing",
		})
	}
	return quoteID + ".", nil
}

// SumQuotes lists quotes with what was booked on each, and totals.
func (s *Server) SumQuotes(ctx context.Context, request *quotev1.SumQuotesRequest) (*quotev1.SumQuotesResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	filter := books.Filter{State: request.GetState(), Customer: request.GetCustomer(), From: request.GetFromDay(), To: request.GetToDay()}
	var fields check.Fields
	filter.Check(&fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	place, err := s.placeOf(ctx, 0)
	if err != nil {
		return nil, err
	}
	summary := books.NewSummary(filter)
	err = s.eachQuote(ctx, who.Tenant, filter.Takes, func(q *quotev1.Quote, account books.Account, facts books.Facts) error {
		return summary.Add(q, account, facts)
	})
	if err != nil {
		return nil, err
	}
	answer := summary.Answer()
	answer.Revision = place
	return answer, nil
}

// maxDeposits is how many deposits one answer lists; each has some 600 bytes.
const maxDeposits = 10_000

// ListCoreDeposits lists the deposits that are out, the earliest due first.
func (s *Server) ListCoreDeposits(ctx context.Context, _ *quotev1.ListCoreDepositsRequest) (*quotev1.ListCoreDepositsResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	answer := &quotev1.ListCoreDepositsResponse{}
	if answer.Revision, err = s.placeOf(ctx, 0); err != nil {
		return nil, err
	}
	deposited := func(q *quotev1.Quote) bool { return books.Booked(q) && len(books.Deposited(q)) > 0 }
	err = s.eachQuote(ctx, who.Tenant, deposited, func(q *quotev1.Quote, account books.Account, facts books.Facts) error {
		answer.Deposits = append(answer.Deposits, books.Deposits(q, account, facts)...)
		if len(answer.GetDeposits()) > maxDeposits {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
				"more than %d deposits are out; book those that came back or never will (CORE_RETURNED, CORE_FORFEITED)", maxDeposits)
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	books.Due(answer.GetDeposits())
	return answer, nil
}

// eachQuote visits the caller's quotes as they are shown, in name order, with what
// is booked on each. Only those that take wants are looked up in the books.
func (s *Server) eachQuote(
	ctx context.Context, tenant string, take func(*quotev1.Quote) bool,
	visit func(q *quotev1.Quote, account books.Account, facts books.Facts) error,
) error {
	return s.each(ctx, tenant, kindQuote, recordsARead, func(record store.Record) error {
		q := &quotev1.Quote{}
		if err := proto.Unmarshal(record.Value, q); err != nil {
			return fmt.Errorf("read quote %s: %w", record.Key.ID, err)
		}
		if q = s.shown(q, record.Version); !take(q) {
			return nil
		}
		account := books.NewAccount(nil)
		pack, _ := s.packs.For(q.GetTaxPlace())
		facts := books.Facts{Today: s.now().UTC().Format(time.DateOnly), Tax: pack}
		if books.Booked(q) {
			var err error
			if account, err = s.account(ctx, tenant, record.Key.ID); err != nil {
				return err
			}
			if err := s.addFacts(ctx, tenant, q, &facts); err != nil {
				return err
			}
		}
		return visit(q, account, facts)
	})
}

// each visits all of the tenant's records of one kind, in id order, reading so
// many at once.
func (s *Server) each(ctx context.Context, tenant, kind string, atOnce int, visit func(store.Record) error) error {
	for after := ""; ; {
		records, err := s.store.List(ctx, tenant, kind, after, atOnce)
		if err != nil {
			return fmt.Errorf("read %s records: %w", kind, err)
		}
		for _, record := range records {
			if err := visit(record); err != nil {
				return err
			}
			after = record.Key.ID
		}
		if len(records) < atOnce {
			return nil
		}
	}
}

// addFacts looks up how the parts that a deposit is asked for fared: the outcome
// of a purchase is its arrival check. A listing is one part, and its purchase and
// outcome have one name however many quotes offer it, so those of another quote
// are passed over.
func (s *Server) addFacts(ctx context.Context, tenant string, q *quotev1.Quote, facts *books.Facts) error {
	facts.Bought, facts.Failed, facts.Arrived = make(map[string]int), make(map[string]int), make(map[string]string)
	for source, lines := range books.Deposited(q) {
		for nth := 1; nth <= lines; nth++ {
			name := strings.TrimPrefix(quote.OutcomeName(source, q.GetName(), nth), outcomePrefix)
			buyer, err := s.buyerOf(ctx, tenant, name)
			if err != nil {
				return err
			}
			outcome, err := s.outcomeOf(ctx, tenant, name)
			if err != nil {
				return err
			}
			if cmp.Or(buyer, outcome.GetQuote(), q.GetName()) != q.GetName() {
				continue
			}
			if buyer != "" || outcome != nil {
				facts.Bought[source] = nth
			}
			if outcome != nil {
				facts.Arrived[source] = outcome.GetCreateTime().AsTime().Format(time.DateOnly)
			}
			if outcome.GetResult() == quotev1.Outcome_FAILED {
				facts.Failed[source]++
			}
		}
	}
	return nil
}

// buyerOf is the name of the quote on which a part was bought, by the id of its
// outcome; empty where no purchase is noted.
func (s *Server) buyerOf(ctx context.Context, tenant, outcomeID string) (string, error) {
	record, err := s.store.Get(ctx, store.Key{Tenant: tenant, Kind: kindBought, ID: outcomeID})
	if errors.Is(err, store.ErrNotFound) {
		return "", nil
	}
	var noted purchaseRecord
	if err == nil {
		err = json.Unmarshal(record.Value, &noted)
	}
	if err != nil {
		return "", fmt.Errorf("read purchase %s: %w", outcomeID, err)
	}
	return noted.Quote, nil
}

// outcomeOf reads an outcome by its id; nil where none is recorded.
func (s *Server) outcomeOf(ctx context.Context, tenant, outcomeID string) (*quotev1.Outcome, error) {
	record, err := s.store.Get(ctx, store.Key{Tenant: tenant, Kind: kindOutcome, ID: outcomeID})
	if errors.Is(err, store.ErrNotFound) {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	outcome := &quotev1.Outcome{}
	if err == nil {
		err = proto.Unmarshal(record.Value, outcome)
	}
	if err != nil {
		return nil, fmt.Errorf("read outcome %s: %w", outcomeID, err)
	}
	return outcome, nil
}

// maxLedgerChunk bounds one piece of a ledger.
const maxLedgerChunk = 256 << 10

// ExportLedger writes the entries of a period by day. They are kept by quote, so
// their names and days are read first, to put them in order; of the entries
// themselves one is held at a time.
func (s *Server) ExportLedger(request *quotev1.ExportLedgerRequest, stream grpc.ServerStreamingServer[quotev1.ExportLedgerResponse]) error {
	ctx := stream.Context()
	who, err := caller(ctx)
	if err != nil {
		return err
	}
	var fields check.Fields
	books.Period(request.GetFromDay(), request.GetToDay(), &fields)
	if err := fields.Err(); err != nil {
		return err
	}
	var order []*quotev1.Entry // names and days only
	err = s.each(ctx, who.Tenant, kindEntry, entriesARead, func(record store.Record) error {
		entry, err := readEntry(record)
		if err == nil && books.Within(entry, request.GetFromDay(), request.GetToDay()) {
			order = append(order, &quotev1.Entry{Name: entry.GetName(), Day: entry.GetDay(), CreateTime: entry.GetCreateTime()})
		}
		return err
	})
	if err != nil {
		return err
	}
	books.ByDay(order)
	out := &pieces{stream: stream}
	if err := s.writeLedger(ctx, who.Tenant, sheet.New(out), order); err != nil {
		return err
	}
	return out.flush()
}

// writeLedger writes the entries of these names, in their order.
func (s *Server) writeLedger(ctx context.Context, tenant string, to *sheet.Writer, order []*quotev1.Entry) error {
	if err := to.Row(books.Columns()...); err != nil {
		return fmt.Errorf("write the ledger: %w", err)
	}
	for _, named := range order {
		entry, err := s.loadEntry(ctx, tenant, named.GetName())
		if err != nil {
			return err
		}
		reversed := quotev1.Entry_KIND_UNSPECIFIED
		if entry.GetReverses() != "" {
			before, err := s.loadEntry(ctx, tenant, entry.GetReverses())
			if err != nil {
				return err
			}
			reversed = before.GetKind()
		}
		rows, err := books.Rows(entry, reversed)
		if err != nil {
			return fmt.Errorf("write the ledger: %w", err)
		}
		for _, row := range rows {
			if err := to.Row(row...); err != nil {
				return fmt.Errorf("write the ledger: %w", err)
			}
		}
	}
	return nil
}

// pieces sends what is written to it in pieces of at most maxLedgerChunk.
type pieces struct {
	stream grpc.ServerStreamingServer[quotev1.ExportLedgerResponse]
	held   []byte
}

// Write implements io.Writer.
func (p *pieces) Write(part []byte) (int, error) {
	for rest := part; len(rest) > 0; {
		n := min(len(rest), maxLedgerChunk-len(p.held))
		p.held, rest = append(p.held, rest[:n]...), rest[n:]
		if len(p.held) == maxLedgerChunk {
			if err := p.flush(); err != nil {
				return 0, err
			}
		}
	}
	return len(part), nil
}

func (p *pieces) flush() error {
	if len(p.held) == 0 {
		return nil
	}
	err := p.stream.Send(&quotev1.ExportLedgerResponse{Chunk: p.held})
	p.held = nil
	return err
}
