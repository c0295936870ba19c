package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// GetQuote returns one of the caller's quotes.
func (s *Server) GetQuote(ctx context.Context, request *quotev1.GetQuoteRequest) (*quotev1.GetQuoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	place, err := s.placeOf(ctx, 0)
	if err != nil {
		return nil, err
	}
	record, stored, err := s.loadQuote(ctx, who.Tenant, request.GetName())
	if err != nil {
		return nil, err
	}
	return &quotev1.GetQuoteResponse{Quote: s.shown(stored, record.Version), Revision: place}, nil
}

// scannedAPage bounds how many quotes are looked at for a page of those that match.
const scannedAPage = 2000

// ListQuotes pages through the caller's quotes. Where few match, a page may have
// fewer than asked for, or none, and a token all the same.
func (s *Server) ListQuotes(ctx context.Context, request *quotev1.ListQuotesRequest) (*quotev1.ListQuotesResponse, error) {
	var fields check.Fields
	matches := matching(request, &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	answer, err := listSome(ctx, s, kindQuote, request, func(record store.Record) (*quotev1.Quote, bool, error) {
		stored := &quotev1.Quote{}
		if err := proto.Unmarshal(record.Value, stored); err != nil {
			return nil, false, fmt.Errorf("read quote %s: %w", record.Key.ID, err)
		}
		shown := s.shown(stored, record.Version)
		return shown, matches(shown), nil
	})
	if err != nil {
		return nil, err
	}
	return &quotev1.ListQuotesResponse{Quotes: answer.items, NextPageToken: answer.next, Revision: answer.revision}, nil
}

// matching is the test of whether a quote, as it is shown, is asked for. Days are
// those of the preparation in UTC.
func matching(request *quotev1.ListQuotesRequest, fields *check.Fields) func(*quotev1.Quote) bool {
	if _, known := quotev1.Quote_State_name[int32(request.GetState())]; !known || request.GetState() == quotev1.Quote_DRY_RUN {
		fields.Add("state", "is no state of a stored quote", "such as OPEN, or nothing for all")
	}
	fields.Text("customer", request.GetCustomer(), 100, false)
	from, to := day("from_day", request.GetFromDay(), fields), day("to_day", request.GetToDay(), fields)
	if !from.IsZero() && !to.IsZero() && to.Before(from) {
		fields.Add("to_day", "is before from_day", "the same day or a later one")
	}
	return func(q *quotev1.Quote) bool {
		prepared := q.GetCreateTime().AsTime()
		return (request.GetState() == quotev1.Quote_STATE_UNSPECIFIED || q.GetState() == request.GetState()) &&
			(request.GetCustomer() == "" || q.GetCustomer() == request.GetCustomer()) &&
			(from.IsZero() || !prepared.Before(from)) && (to.IsZero() || prepared.Before(to.AddDate(0, 0, 1)))
	}
}

// day reads an optional day; the zero time where there is none.
func day(field, text string, fields *check.Fields) time.Time {
	if text == "" {
		return time.Time{}
	}
	at, err := time.Parse(time.DateOnly, text)
	if err != nil {
		fields.Add(field, fmt.Sprintf("%.40q is no day", text), "YYYY-MM-DD")
	}
	return at
}

// loadQuote reads one of the tenant's quotes as stored.
func (s *Server) loadQuote(ctx context.Context, tenant, name string) (store.Record, *quotev1.Quote, error) {
	quoteID, err := id(name, quotePrefix, "quotes/Q-2026-000001")
	if err != nil {
		return store.Record{}, nil, err
	}
	record, err := s.store.Get(ctx, store.Key{Tenant: tenant, Kind: kindQuote, ID: quoteID})
	if errors.Is(err, store.ErrNotFound) {
		return store.Record{}, nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "you have no quote %s", name)
	}
	if err != nil {
		return store.Record{}, nil, fmt.Errorf("read quote: %w", err)
	}
	stored := &quotev1.Quote{}
	if err := proto.Unmarshal(record.Value, stored); err != nil {
		return store.Record{}, nil, fmt.Errorf("read quote %s: %w", quoteID, err)
	}
	return record, stored, nil
}

// shown is a stored quote as callers see it: with its etag, and expired where
// its time has passed.
func (s *Server) shown(stored *quotev1.Quote, version int64) *quotev1.Quote {
	stored.Etag = revision.ETag(version)
	if stored.GetVersion() == 0 { // stored before quotes had versions
		stored.Version, stored.IssueTime = 1, stored.GetCreateTime()
	}
	if stored.GetState() == quotev1.Quote_OPEN && s.expired(stored) {
		stored.State = quotev1.Quote_EXPIRED
	}
	return stored
}

func (s *Server) expired(q *quotev1.Quote) bool {
	return !s.now().Before(q.GetValidUntil().AsTime())
}

// closed says that a quote is not open any more.
func closed(q *quotev1.Quote) error {
	if q.GetState() == quotev1.Quote_SUPERSEDED {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED, "%s has become %s; go on with that",
			q.GetName(), q.GetSupersededBy())
	}
	what, when := strings.ReplaceAll(strings.ToLower(q.GetState().String()), "_", " "), q.GetCloseTime()
	if q.GetState() == quotev1.Quote_OPEN {
		what, when = "issued", q.GetIssueTime()
	}
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED, "quote %s was %s at %s",
		cmp.Or(q.GetNumber(), q.GetName()), what, when.AsTime().Format(time.RFC3339))
}

// notIssued says that a draft is to be issued first.
func notIssued(q *quotev1.Quote) error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_NOT_ISSUED,
		"%s is a draft: it holds nothing and has no number; issue it first", q.GetName())
}

// beingAccepted says that an acceptance has begun to buy.
func beingAccepted(q *quotev1.Quote) error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_CLOSED,
		"quote %s is being accepted: a part of it is bought already or about to be; repeat the acceptance to complete it, or decline the quote if nothing is bought yet", q.GetNumber())
}

func quoteExpired(q *quotev1.Quote) error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED,
		"quote %s was good until %s; prepare a new one", q.GetNumber(), q.GetValidUntil().AsTime().Format(time.RFC3339))
}

// step is the request id of a step that belongs to a quote rather than to one
// request: whoever closes the quote repeats the same step.
func step(q *quotev1.Quote, what string) string {
	return requests.Derive(q.GetName()+" "+q.GetCreateTime().AsTime().Format(time.RFC3339Nano), what)
}
