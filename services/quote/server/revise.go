package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// IssueQuote weighs a draft anew, holds what it buys first, and stores it as an
// open quote with its number. The draft then names the quote.
func (s *Server) IssueQuote(ctx context.Context, request *quotev1.IssueQuoteRequest) (*quotev1.IssueQuoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	if err := fields.Err(); err != nil {
		return nil, err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err == nil && !before.Replayed {
		before, err = s.issueDraft(ctx, w, request.GetName())
	}
	q, place, err := s.closedAnswer(ctx, before, err)
	if err != nil {
		return nil, err
	}
	return &quotev1.IssueQuoteResponse{Quote: q, Revision: place}, nil
}

func (s *Server) issueDraft(ctx context.Context, w write, name string) (store.Applied, error) {
	_, draft, err := s.loadQuote(ctx, w.tenant, name)
	if err != nil {
		return store.Applied{}, err
	}
	if err := mayIssue(draft); err != nil {
		return s.orDone(ctx, w, err)
	}
	return s.replaceQuote(ctx, w, draft, quote.RequestOf(draft), "")
}

// ReviseQuote stores a new version of a quote, which takes over its holds where the
// lines still buy the same listings first, and gives the others back.
func (s *Server) ReviseQuote(ctx context.Context, request *quotev1.ReviseQuoteRequest) (*quotev1.ReviseQuoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	prepare := request.GetPrepare()
	s.checkTerms(prepare, "prepare.", &fields)
	for field, stated := range map[string]bool{
		"prepare.request_id": prepare.GetRequestId() != "", "prepare.dry_run": prepare.GetDryRun(), "prepare.draft": prepare.GetDraft(),
	} {
		if stated {
			fields.Add(field, "is stated", "nothing: a new version is always issued, under the request_id of the revision")
		}
	}
	if err := fields.Err(); err != nil {
		return nil, err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	replayed := before.Replayed
	if err == nil && !replayed {
		before, err = s.revise(ctx, w, request)
	}
	q, place, err := s.closedAnswer(ctx, before, err)
	if err != nil {
		return nil, err
	}
	if replayed { // perhaps the call before ended too early for that
		s.releaseSuperseded(ctx, w.tenant, q)
	}
	return &quotev1.ReviseQuoteResponse{Quote: q, Revision: place}, nil
}

func (s *Server) revise(ctx context.Context, w write, request *quotev1.ReviseQuoteRequest) (store.Applied, error) {
	_, old, err := s.loadQuote(ctx, w.tenant, request.GetName())
	if err != nil {
		return store.Applied{}, err
	}
	if err := mayRevise(old); err != nil {
		return s.orDone(ctx, w, err)
	}
	return s.replaceQuote(ctx, w, old, request.GetPrepare(), "prepare.")
}

// replaceQuote prepares a quote that takes the place of a draft or a version.
func (s *Server) replaceQuote(ctx context.Context, w write, before *quotev1.Quote, request *quotev1.PrepareQuoteRequest, at string) (store.Applied, error) {
	var fields check.Fields
	meant := s.checkTerms(request, at, &fields)
	if err := fields.Err(); err != nil {
		return store.Applied{}, err
	}
	p := s.preparing(w.tenant, request, meant)
	p.write, p.before, p.at = w, before, at
	applied, err := p.issue(ctx)
	if err != nil {
		return s.orDone(ctx, w, err)
	}
	return applied, nil
}

// mayIssue refuses to issue what is no draft.
func mayIssue(q *quotev1.Quote) error {
	if q.GetState() == quotev1.Quote_DRAFT {
		return nil
	}
	return closed(q)
}

// mayRevise refuses to revise what is not issued, or bought, or revised already.
func mayRevise(q *quotev1.Quote) error {
	switch q.GetState() {
	case quotev1.Quote_OPEN, quotev1.Quote_DECLINED:
		return nil
	case quotev1.Quote_DRAFT:
		return notIssued(q)
	default:
		return closed(q)
	}
}

// carry finds out which holds of the version before still stand: the new version
// may take them over.
func (p *preparation) carry(ctx context.Context) error {
	if p.before == nil || p.before.GetState() != quotev1.Quote_OPEN {
		return nil
	}
	holds := make(map[string]*fitmentv1.Hold)
	for i, line := range quote.Lines(p.before) {
		if line.GetHeldListing() == "" {
			continue
		}
		hold, by, err := p.s.settled(ctx, p.tenant, p.before, line)
		if err != nil {
			return err
		}
		p.extendedBy[line.GetHeldListing()] = by
		listing, err := p.s.side.listing(ctx, line.GetHeldListing())
		if err != nil && apierr.ReasonOf(err) != fitmentv1.ErrorInfo_NOT_FOUND {
			return err
		}
		if err == nil && p.holds(listing, hold) {
			holds[line.GetHeldListing()] = hold
		}
		if err == nil && listing.GetState() == fitmentv1.Listing_SOLD {
			if err := p.refuseSold(ctx, i, hold); err != nil {
				return err
			}
		}
	}
	for name, hold := range holds {
		p.carried[name], p.held[name] = hold, true
	}
	return nil
}

// refuseSold refuses to revise a quote whose acceptance is half done.
func (p *preparation) refuseSold(ctx context.Context, line int, hold *fitmentv1.Hold) error {
	sold, err := p.s.soldForQuote(ctx, p.tenant, p.before, line, hold)
	if err != nil {
		return err
	}
	if sold {
		return beingAccepted(p.before)
	}
	return nil
}

// settled is the hold that a line of a quote has: the one that is stored, or the
// one that extending it for a new version answers, where that began and the version
// was not stored. By is the request id of that extension.
func (s *Server) settled(ctx context.Context, tenant string, q *quotev1.Quote, line *quotev1.QuoteLine) (hold *fitmentv1.Hold, by string, err error) {
	found, _, err := s.readClaim(ctx, tenant, line.GetHeldListing())
	if err != nil {
		return nil, "", err
	}
	begun := found.Extension
	if found.Quote != q.GetName() || begun == nil || begun.Fence != line.GetHold().GetFence() {
		return line.GetHold(), "", nil
	}
	hold, err = s.side.hold(ctx, tenant, line.GetHeldListing(), begun.Minutes, begun.Fence, begun.Request)
	switch {
	case err == nil:
		return hold, begun.Request, nil
	case over(err):
		return line.GetHold(), "", nil
	}
	return nil, "", err
}

// announce keeps, before the carried holds are extended, how: should the new
// version not be stored, the one before finds its holds again. Where its own holds
// were extended before, it is told them in the same step.
func (p *preparation) announce(ctx context.Context, holds []*held) error {
	for range conflictTries {
		puts, err := p.announcement(ctx, holds)
		if err != nil || len(puts) == 0 {
			return err
		}
		applied, err := p.s.store.Apply(ctx, store.Change{Puts: puts})
		if err == nil && len(applied) == 1 {
			err = applied[0].Err
		}
		if !errors.Is(err, store.ErrConflict) {
			if err != nil {
				return p.s.unacknowledged(ctx, err)
			}
			return nil
		}
	}
	return contended()
}

func (p *preparation) announcement(ctx context.Context, holds []*held) ([]store.Put, error) {
	var puts []store.Put
	var record store.Record
	var before *quotev1.Quote
	for _, h := range holds {
		if !h.Carried || p.extendedBy[h.Listing] == p.extension(h) {
			continue
		}
		if before == nil {
			var err error
			if record, before, err = p.s.loadQuote(ctx, p.tenant, p.before.GetName()); err != nil {
				return nil, err
			}
			if err := mayRevise(before); err != nil {
				return nil, err
			}
		}
		found, version, err := p.s.readClaim(ctx, p.tenant, h.Listing)
		if err != nil {
			return nil, err
		}
		if found.Quote != p.before.GetName() || found.Until.IsZero() {
			return nil, closed(before)
		}
		found.Extension = &extension{Request: p.extension(h), Fence: h.hold.GetFence(), Minutes: h.minutes}
		raw, err := json.Marshal(found)
		if err != nil {
			return nil, fmt.Errorf("keep the claim: %w", err)
		}
		puts = append(puts, store.Put{Key: claimKey(p.tenant, h.Listing), Expect: version, Value: raw})
		setHold(before, h.Listing, h.hold)
	}
	if before == nil {
		return nil, nil
	}
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(before)
	if err != nil {
		return nil, fmt.Errorf("keep the version before: %w", err)
	}
	return append(puts, store.Put{Key: record.Key, Expect: record.Version, Value: raw}), nil
}

// setHold writes a listing's hold into its line.
func setHold(q *quotev1.Quote, listing string, hold *fitmentv1.Hold) {
	for i, line := range quote.Lines(q) {
		if line.GetHeldListing() == listing {
			quote.SetHeld(q, map[int]quote.Held{i: {Listing: listing, Hold: hold}})
		}
	}
}

// orDone is an error, unless another run of the request did what it asks for: then
// that run's answer counts.
func (s *Server) orDone(ctx context.Context, w write, err error) (store.Applied, error) {
	again, unknown := s.store.Seen(ctx, w.tenant, w.requestID, w.fingerprint)
	if err != nil && unknown == nil && again.Replayed {
		return again, nil
	}
	return store.Applied{}, err
}

// releaseSuperseded gives back what the version before held and this one does not.
func (s *Server) releaseSuperseded(ctx context.Context, tenant string, q *quotev1.Quote) {
	_, before, err := s.loadQuote(ctx, tenant, q.GetSupersedes())
	if err != nil {
		s.log.WarnContext(ctx, "the version before cannot be read, so holds of its own end by themselves", "quote", q.GetSupersedes(), "error", err)
		return
	}
	taken := make(map[string]bool)
	for _, line := range quote.Lines(q) {
		taken[line.GetHeldListing()] = true
	}
	for _, line := range quote.Lines(before) {
		if name := line.GetHeldListing(); name != "" && !taken[name] {
			s.releaseQuietly(ctx, name, line.GetHold().GetFence(), releaseStep(before, name))
		}
	}
}

// releaseQuietly gives back a hold that nothing stands on any more; one that
// cannot be released, also when it is tried again, ends by itself.
func (s *Server) releaseQuietly(ctx context.Context, listing string, fence int64, requestID string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.side.timeout)
	defer cancel()
	err := s.side.insist(func() error { return s.side.release(ctx, listing, fence, requestID) })
	if err != nil && !over(err) {
		s.log.WarnContext(ctx, "a hold stays until it ends by itself", "listing", listing, "error", err)
	}
}

// uncarry gives up a carried hold that does not stand any more, unless that is
// because the version before is being accepted: then there is no new version.
func (p *preparation) uncarry(ctx context.Context, h *held, listing *fitmentv1.Listing) error {
	if !h.Carried {
		return nil
	}
	delete(p.carried, h.Listing)
	delete(p.held, h.Listing)
	if listing != nil && listing.GetState() != fitmentv1.Listing_SOLD {
		return nil
	}
	for i, line := range quote.Lines(p.before) {
		if line.GetHeldListing() == h.Listing {
			return p.refuseSold(ctx, i, h.hold)
		}
	}
	return nil
}
