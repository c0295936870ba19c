package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/basis"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

const (
	// kindDecision is the kind of a kept decision, stored with its facts; its tenant
	// is whose it is. It never changes.
	kindDecision   = "decision"
	decisionPrefix = "decisions/"
)

// KeepDecision decides a stored listing and keeps the decision with everything it
// stood on.
func (s *Server) KeepDecision(ctx context.Context, req *fitmentv1.KeepDecisionRequest) (*fitmentv1.KeepDecisionResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		rules.ValidateNeed(req.GetNeed(), "need.", fields)
		requireName(req.GetListingName(), "listing_name", fields)
	})
	if err != nil {
		return nil, err
	}
	if err := s.await(ctx, req.GetMinRevision()); err != nil {
		return nil, err
	}
	var key store.Key
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		if key, err = s.fresh(ctx, p.Tenant, kindDecision, decisionPrefix, req.GetRequestId()); err != nil {
			return nil, store.Change{}, err
		}
		value, err := s.decideToKeep(ctx, req, decisionPrefix+key.ID, now)
		return []byte(decisionPrefix + key.ID), store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: value}}}, err
	})
	if err != nil {
		return nil, err
	}
	if len(applied.Versions) == 0 {
		return nil, errors.New("the store answered a write without its version")
	}
	kept, _, err := s.readKept(ctx, p, string(applied.Answer))
	if err != nil {
		return nil, err
	}
	shown, err := s.showKept(ctx, p, kept)
	if err != nil {
		return nil, err
	}
	at, err := s.written(ctx, applied.Versions[0])
	return &fitmentv1.KeepDecisionResponse{KeptDecision: shown, Revision: at}, err
}

// decideToKeep is the stored form of the decision as it is now.
func (s *Server) decideToKeep(ctx context.Context, req *fitmentv1.KeepDecisionRequest, name string, now time.Time) ([]byte, error) {
	record, l, err := s.read(ctx, req.GetListingName())
	if err != nil {
		return nil, err
	}
	// No listing is decided by a catalogue older than itself.
	if err := s.index.Fresh(ctx); err != nil {
		return nil, err
	}
	decided, err := s.index.Decide(req.GetNeed(), l, now)
	if err != nil {
		return nil, err
	}
	l.Etag, l.CostNote = revision.ETag(record.Version), nil // what is kept is another business's
	value, err := basis.Encode(&fitmentv1.KeptDecision{
		Name: name, Need: req.GetNeed(), Listing: l, Decision: decided.Decision, CreateTime: timestamppb.New(now),
	}, decided.Facts)
	if err == nil && len(value) > store.MaxValue {
		err = apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"the decision and what it stands on come to %d bytes, more than the %d that are kept; make the need narrower, as by the number on the old part", len(value), store.MaxValue)
	}
	return value, err
}

// readKept reads one of the caller's kept decisions, unmasked.
func (s *Server) readKept(ctx context.Context, p identity.Principal, name string) (*fitmentv1.KeptDecision, *fitmentv1.Facts, error) {
	record, err := s.own(ctx, p.Tenant, kindDecision, decisionPrefix, name)
	if err != nil {
		return nil, nil, err
	}
	return basis.Decode(record.Value)
}

// GetKeptDecision returns one of the caller's kept decisions.
func (s *Server) GetKeptDecision(ctx context.Context, req *fitmentv1.GetKeptDecisionRequest) (*fitmentv1.GetKeptDecisionResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) { requireOwn(req.GetName(), decisionPrefix, fields) })
	if err != nil {
		return nil, err
	}
	kept, _, err := s.readKept(ctx, p, req.GetName())
	if err != nil {
		return nil, err
	}
	shown, err := s.showKept(ctx, p, kept)
	return &fitmentv1.GetKeptDecisionResponse{KeptDecision: shown}, err
}

// ListKeptDecisions pages through the caller's kept decisions.
func (s *Server) ListKeptDecisions(ctx context.Context, req *fitmentv1.ListKeptDecisionsRequest) (*fitmentv1.ListKeptDecisionsResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	records, next, err := s.pageOfLive(ctx, p, req, kindDecision)
	if err != nil {
		return nil, err
	}
	answer := &fitmentv1.ListKeptDecisionsResponse{NextPageToken: next.token, Revision: next.revision}
	for _, record := range records {
		kept, _, err := basis.Decode(record.Value)
		if err != nil {
			return nil, err
		}
		shown, err := s.showKept(ctx, p, kept)
		if err != nil {
			return nil, err
		}
		answer.KeptDecisions = append(answer.KeptDecisions, shown)
	}
	return answer, nil
}

// showKept is a kept decision as its owner may see it now. It is stored with the
// donor's VIN whole, and whether he may see that follows from the listing as it is
// now: a hold that he had then may be another's by now.
func (s *Server) showKept(ctx context.Context, p identity.Principal, kept *fitmentv1.KeptDecision) (*fitmentv1.KeptDecision, error) {
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, edge(err)
	}
	today, err := s.today(ctx, kept.GetListing().GetName())
	if err != nil {
		return nil, err
	}
	rights := standing(kept.GetListing(), today)
	was := listing.View(kept.GetListing(), p, kept.GetCreateTime().AsTime())
	shown := listing.View(rights, p, now)
	shown.State, shown.Hold, shown.Buyer = was.GetState(), was.GetHold(), was.GetBuyer()
	return &fitmentv1.KeptDecision{
		Name: kept.GetName(), Need: kept.GetNeed(), Listing: shown,
		Decision: listing.MaskDecision(kept.GetDecision(), rights, p, now), CreateTime: kept.GetCreateTime(),
	}, nil
}

// today reads the listing as it is now; nil where it is gone.
func (s *Server) today(ctx context.Context, name string) (*fitmentv1.Listing, error) {
	_, l, err := s.read(ctx, name)
	if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_NOT_FOUND {
		return nil, nil //nolint:nilnil // that it is gone is a valid answer
	}
	return l, err
}

// standing is a listing as it was, in the state that it is in today; where it is
// gone nobody holds it.
func standing(was, today *fitmentv1.Listing) *fitmentv1.Listing {
	l := proto.CloneOf(was)
	l.State, l.Hold, l.Buyer = today.GetState(), today.GetHold(), today.GetBuyer()
	return l
}

// RecomputeDecision makes a kept decision again, from the facts that it was made on
// and from those of now.
func (s *Server) RecomputeDecision(ctx context.Context, req *fitmentv1.RecomputeDecisionRequest) (*fitmentv1.RecomputeDecisionResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) { requireOwn(req.GetName(), decisionPrefix, fields) })
	if err != nil {
		return nil, err
	}
	kept, facts, err := s.readKept(ctx, p, req.GetName())
	if err != nil {
		return nil, err
	}
	again, err := basis.Again(kept.GetNeed(), kept.GetListing(), facts, s.policy, kept.GetDecision().GetBasis().GetDay())
	if err != nil {
		return nil, fmt.Errorf("make %s again: %w", req.GetName(), err)
	}
	answer := &fitmentv1.RecomputeDecisionResponse{Same: proto.Equal(kept.GetDecision(), again)}
	if !answer.GetSame() {
		answer.Differences = basis.Versions(kept.GetDecision(), again)
	}
	today, err := s.today(ctx, kept.GetListing().GetName())
	if err != nil {
		return nil, err
	}
	now, err := s.current(ctx, "")
	if err != nil {
		return nil, err
	}
	rights := standing(kept.GetListing(), today)
	answer.Kept = listing.MaskDecision(kept.GetDecision(), rights, p, now)
	answer.Again = listing.MaskDecision(again, rights, p, now)
	if today == nil {
		answer.Differences = append(answer.Differences, "The listing is gone.")
		return answer, nil
	}
	decided, err := s.index.Decide(kept.GetNeed(), today, now)
	if err != nil {
		return nil, err
	}
	answer.Now = listing.MaskDecision(decided.Decision, today, p, now)
	answer.Differences = append(answer.Differences, basis.Since(
		basis.Case{Listing: kept.GetListing(), Facts: facts, Decision: answer.GetAgain()},
		basis.Case{Listing: today, Facts: decided.Facts, Decision: answer.GetNow()},
	)...)
	return answer, nil
}
