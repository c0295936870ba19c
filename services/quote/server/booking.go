package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/prose"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/quote/books"
	"beltwright.example/services/store"
)

// Kinds of records of the books.
const (
	kindEntry      = "entry"
	kindEntries    = "entry-count"        // by quote: how many entries it has
	kindCreditNote = "credit-note-number" // by year: the last number given
)

// entriesARead is how many entries are read from the store at once.
const entriesARead = 200

// RecordEntry books one payment, refund, credit note or deposit. The entry, its
// place among the quote's entries and a credit note's number are one step, so that
// of two bookings at once the second one sees the first.
func (s *Server) RecordEntry(ctx context.Context, request *quotev1.RecordEntryRequest) (*quotev1.RecordEntryResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	entry := books.Clean(request.GetEntry(), s.now(), &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err != nil || before.Replayed {
		return s.entryAnswer(ctx, before, err)
	}
	for range conflictTries {
		applied, err := s.recordEntryOnce(ctx, w, entry)
		if errors.Is(err, store.ErrConflict) {
			continue
		}
		return s.entryAnswer(ctx, applied, err)
	}
	return nil, contended()
}

func (s *Server) recordEntryOnce(ctx context.Context, w write, entry *quotev1.Entry) (store.Applied, error) {
	_, q, err := s.loadQuote(ctx, w.tenant, entry.GetQuote())
	if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_NOT_FOUND {
		return store.Applied{}, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "entry.quote", Problem: "you have no quote " + entry.GetQuote(), Expected: "one of your quotes",
		})
	}
	if err != nil {
		return store.Applied{}, err
	}
	puts, err := s.book(ctx, w.tenant, q, entry)
	if err != nil {
		return store.Applied{}, err
	}
	return s.apply(ctx, w, store.Change{Puts: puts}, puts[0].Value)
}

// book holds a clean entry against its quote and all that is booked on it, and
// returns the steps that book it, the entry's own first. They go into one change
// together with what the entry belongs to; that change fails with
// store.ErrConflict where something else was booked on the quote meanwhile, and is
// then to be made anew. What may not be booked is an error naming the fields of
// RecordEntryRequest: a refund, for one, needs what was paid to be booked before.
func (s *Server) book(ctx context.Context, tenant string, q *quotev1.Quote, clean *quotev1.Entry) ([]store.Put, error) {
	quoteID := strings.TrimPrefix(q.GetName(), quotePrefix)
	// The counter is read before the entries: whatever comes in after it conflicts.
	place, n, err := s.count(ctx, tenant, kindEntries, quoteID)
	if err != nil {
		return nil, err
	}
	account, err := s.account(ctx, tenant, quoteID)
	if err != nil {
		return nil, err
	}
	entry := proto.CloneOf(clean)
	entry.Name, entry.CreateTime = books.Prefix+books.ID(quoteID, int(n)), timestamppb.New(s.now())
	var fields check.Fields
	books.Check(entry, q, account, &fields)
	if fields.OK() {
		if err := s.checkBought(ctx, tenant, q, entry, &fields); err != nil {
			return nil, err
		}
	}
	if err := fields.Err(); err != nil {
		return nil, err
	}
	puts := []store.Put{{}, place}
	if entry.GetKind() == quotev1.Entry_CREDIT_NOTE {
		year := entry.GetCreateTime().AsTime().Format("2006")
		counter, number, err := s.count(ctx, tenant, kindCreditNote, year)
		if err != nil {
			return nil, err
		}
		entry.Number = books.CreditNoteNumber(year, number)
		puts = append(puts, counter)
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(entry)
	if err != nil {
		return nil, fmt.Errorf("keep the entry: %w", err)
	}
	puts[0] = store.Put{Key: entryKey(tenant, entry.GetName()), Expect: store.Absent, Value: raw}
	return puts, nil
}

// checkBought asks that what is paid for, or whose deposit is lost, was bought on
// the quote. What comes back was paid for.
func (s *Server) checkBought(ctx context.Context, tenant string, q *quotev1.Quote, entry *quotev1.Entry, fields *check.Fields) error {
	switch entry.GetKind() {
	case quotev1.Entry_PAID, quotev1.Entry_CORE_FORFEITED:
	default:
		return nil
	}
	sources, err := s.boughtSources(ctx, tenant, q)
	if err != nil || slices.Contains(sources, entry.GetSource()) {
		return err
	}
	expected := "what was bought: " + cmp.Or(prose.List(sources), "nothing") + "; what was bought after it is on a repair order, or has its outcome reported"
	fields.Add("entry.source", fmt.Sprintf("%s was offered on %s, but never bought", entry.GetSource(), q.GetName()), expected)
	return nil
}

func entryKey(tenant, name string) store.Key {
	return store.Key{Tenant: tenant, Kind: kindEntry, ID: strings.TrimPrefix(name, books.Prefix)}
}

// account reads all that is booked on one quote.
func (s *Server) account(ctx context.Context, tenant, quoteID string) (books.Account, error) {
	var entries []*quotev1.Entry
	prefix := quoteID + "."
	for after := prefix; ; {
		records, err := s.store.List(ctx, tenant, kindEntry, after, entriesARead)
		if err != nil {
			return books.Account{}, fmt.Errorf("read entries of %s: %w", quoteID, err)
		}
		for _, record := range records {
			if !strings.HasPrefix(record.Key.ID, prefix) {
				return books.NewAccount(entries), nil
			}
			entry, err := readEntry(record)
			if err != nil {
				return books.Account{}, err
			}
			entries, after = append(entries, entry), record.Key.ID
		}
		if len(records) < entriesARead {
			return books.NewAccount(entries), nil
		}
	}
}

func readEntry(record store.Record) (*quotev1.Entry, error) {
	entry := &quotev1.Entry{}
	if err := proto.Unmarshal(record.Value, entry); err != nil {
		return nil, fmt.Errorf("read entry %s: %w", record.Key.ID, err)
	}
	return entry, nil
}

// loadEntry reads one of the tenant's entries by its resource name.
func (s *Server) loadEntry(ctx context.Context, tenant, name string) (*quotev1.Entry, error) {
	if _, err := id(name, books.Prefix, "entries/Q-2026-000001.0001"); err != nil {
		return nil, err
	}
	record, err := s.store.Get(ctx, entryKey(tenant, name))
	if errors.Is(err, store.ErrNotFound) {
		return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "you have no entry %s", name)
	}
	if err != nil {
		return nil, fmt.Errorf("read entry: %w", err)
	}
	return readEntry(record)
}

func (s *Server) entryAnswer(ctx context.Context, applied store.Applied, err error) (*quotev1.RecordEntryResponse, error) {
	if err != nil {
		return nil, err
	}
	entry := &quotev1.Entry{}
	if err := proto.Unmarshal(applied.Answer, entry); err != nil || len(applied.Versions) == 0 {
		return nil, fmt.Errorf("read the kept answer: %w", errors.Join(err, errNoVersion(applied)))
	}
	place, err := s.placeOf(ctx, applied.Versions[0])
	if err != nil {
		return nil, err
	}
	return &quotev1.RecordEntryResponse{Entry: entry, Revision: place}, nil
}
