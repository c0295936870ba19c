package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// RecordOutcome records how one bought part fared. Outcome and tally change in
// one step, so that the chances that quotes give always stand on exactly the
// recorded outcomes.
func (s *Server) RecordOutcome(ctx context.Context, request *quotev1.RecordOutcomeRequest) (*quotev1.RecordOutcomeResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	outcome := quote.CleanOutcome(request.GetOutcome(), request.GetRequestId(), &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err != nil || before.Replayed {
		return s.outcomeAnswer(ctx, before, err)
	}
	if err := s.checkQuoted(ctx, who.Tenant, outcome); err != nil {
		return nil, err
	}
	outcome.CreateTime = timestamppb.New(s.now())
	for range conflictTries {
		applied, err := s.recordOnce(ctx, w, outcome)
		if errors.Is(err, store.ErrConflict) {
			continue
		}
		return s.outcomeAnswer(ctx, applied, err)
	}
	return nil, contended()
}

// recordOnce stores an outcome with its tally, unless it is stored already.
func (s *Server) recordOnce(ctx context.Context, w write, outcome *quotev1.Outcome) (store.Applied, error) {
	record, err := s.store.Get(ctx, outcomeKey(w.tenant, outcome.GetName()))
	if err == nil {
		return s.repeatOutcome(ctx, w, record, outcome)
	}
	if !errors.Is(err, store.ErrNotFound) {
		return store.Applied{}, fmt.Errorf("read outcome: %w", err)
	}
	puts, err := s.outcomePuts(ctx, w.tenant, outcome)
	if err != nil {
		return store.Applied{}, err
	}
	return s.apply(ctx, w, store.Change{Puts: puts}, puts[0].Value)
}

// outcomePuts are the steps that store a new outcome: the outcome first, then the
// tally, and the purchase that it is about where a quote bought the part.
func (s *Server) outcomePuts(ctx context.Context, tenant string, outcome *quotev1.Outcome) ([]store.Put, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(outcome)
	if err != nil {
		return nil, fmt.Errorf("keep the outcome: %w", err)
	}
	key := tallyKey(tenant, outcome.GetSeller(), outcome.GetCondition(), outcome.GetKind())
	tally, version, err := s.readTally(ctx, key)
	if err != nil {
		return nil, err
	}
	if outcome.GetResult() == quotev1.Outcome_PASSED {
		tally.Passed++
	} else {
		tally.Failed++
	}
	answered, err := s.answer(ctx, tenant, outcome.GetName(), &tally)
	if err != nil {
		return nil, err
	}
	counts, err := putTally(key, version, tally)
	if err != nil {
		return nil, err
	}
	first := store.Put{Key: outcomeKey(tenant, outcome.GetName()), Expect: store.Absent, Value: raw}
	return append([]store.Put{first, counts}, answered...), nil
}

func outcomeKey(tenant, name string) store.Key {
	return store.Key{Tenant: tenant, Kind: kindOutcome, ID: strings.TrimPrefix(name, outcomePrefix)}
}

// repeatOutcome answers a second report on one purchase: the same one is fine,
// another one is refused. The record is written as it was, so that the request id
// is remembered with it.
func (s *Server) repeatOutcome(ctx context.Context, w write, record store.Record, outcome *quotev1.Outcome) (store.Applied, error) {
	stored := &quotev1.Outcome{}
	if err := proto.Unmarshal(record.Value, stored); err != nil {
		return store.Applied{}, fmt.Errorf("read outcome %s: %w", record.Key.ID, err)
	}
	same := proto.CloneOf(outcome)
	same.CreateTime = stored.GetCreateTime()
	if !proto.Equal(same, stored) {
		return store.Applied{}, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS,
			"%s: an outcome with other content was recorded for it at %s", outcome.GetSource(),
			stored.GetCreateTime().AsTime().Format("2006-01-02 15:04"))
	}
	return s.apply(ctx, w, store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version, Value: record.Value}}}, record.Value)
}

func (s *Server) outcomeAnswer(ctx context.Context, applied store.Applied, err error) (*quotev1.RecordOutcomeResponse, error) {
	if err != nil {
		return nil, err
	}
	outcome := &quotev1.Outcome{}
	if err := proto.Unmarshal(applied.Answer, outcome); err != nil || len(applied.Versions) == 0 {
		return nil, fmt.Errorf("read the kept answer: %w", errors.Join(err, errNoVersion(applied)))
	}
	place, err := s.placeOf(ctx, applied.Versions[0])
	if err != nil {
		return nil, err
	}
	return &quotev1.RecordOutcomeResponse{Outcome: outcome, Revision: place}, nil
}

// checkQuoted compares an outcome with the quote that it names.
func (s *Server) checkQuoted(ctx context.Context, tenant string, outcome *quotev1.Outcome) error {
	if outcome.GetQuote() == "" {
		return nil
	}
	_, q, err := s.loadQuote(ctx, tenant, outcome.GetQuote())
	if err != nil {
		return err
	}
	var fields check.Fields
	quote.CheckOutcome(outcome, q, &fields)
	return fields.Err()
}

// ListOutcomes pages through the caller's outcomes.
func (s *Server) ListOutcomes(ctx context.Context, request *quotev1.ListOutcomesRequest) (*quotev1.ListOutcomesResponse, error) {
	answer, err := list(ctx, s, kindOutcome, request, func(record store.Record) (*quotev1.Outcome, error) {
		outcome := &quotev1.Outcome{}
		if err := proto.Unmarshal(record.Value, outcome); err != nil {
			return nil, fmt.Errorf("read outcome %s: %w", record.Key.ID, err)
		}
		return outcome, nil
	})
	if err != nil {
		return nil, err
	}
	return &quotev1.ListOutcomesResponse{Outcomes: answer.items, NextPageToken: answer.next, Revision: answer.revision}, nil
}

// tallyKey is where the outcomes of a seller, condition and kind are counted.
func tallyKey(tenant, seller string, condition quotev1.Offer_Condition, kind fitmentv1.Part_Kind) store.Key {
	return store.Key{Tenant: tenant, Kind: kindTally, ID: seller + "." + condition.String() + "." + kind.String()}
}

func (s *Server) readTally(ctx context.Context, key store.Key) (quote.Tally, int64, error) {
	var tally quote.Tally
	record, err := s.store.Get(ctx, key)
	if errors.Is(err, store.ErrNotFound) {
		return tally, store.Absent, nil
	}
	if err == nil {
		err = json.Unmarshal(record.Value, &tally)
	}
	if err != nil {
		return quote.Tally{}, 0, fmt.Errorf("read tally %s: %w", key.ID, err)
	}
	return tally, record.Version, nil
}
