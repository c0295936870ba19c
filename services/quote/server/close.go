package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/quote/offers"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// DeclineQuote gives the quote's holds back and closes the quote. A draft, which
// holds nothing, may be declined, too.
func (s *Server) DeclineQuote(ctx context.Context, request *quotev1.DeclineQuoteRequest) (*quotev1.DeclineQuoteResponse, error) {
	var fields check.Fields
	fields.Text("reason", request.GetReason(), 500, false)
	q, place, err := s.closeQuote(ctx, request, &fields, func(ctx context.Context, tenant string, q *quotev1.Quote) (closing, error) {
		return s.decline(ctx, tenant, q, request.GetReason())
	})
	if err != nil {
		return nil, err
	}
	return &quotev1.DeclineQuoteResponse{Quote: q, Revision: place}, nil
}

// closeRequest is what both requests that close a quote have.
type closeRequest interface {
	proto.Message
	GetName() string
	GetRequestId() string
}

// closing is how a quote is closed: the steps that go into the store together with
// it, and what is done once they are stored.
type closing struct {
	change store.Change
	after  func(ctx context.Context)
}

// closeQuote closes an open quote once act has done what has to be done first and
// written into it how it closes. Of several calls at once the fitment side (where
// listings are held) or the record's version (where none is) lets one through.
func (s *Server) closeQuote(
	ctx context.Context, request closeRequest, fields *check.Fields,
	act func(ctx context.Context, tenant string, q *quotev1.Quote) (closing, error),
) (*quotev1.Quote, string, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, "", err
	}
	requests.ID(fields, request.GetRequestId())
	if err := fields.Err(); err != nil {
		return nil, "", err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err != nil || before.Replayed {
		q, place, err := s.closedAnswer(ctx, before, err)
		if q.GetState() == quotev1.Quote_PARTLY_ACCEPTED { // perhaps the call before ended too early for that
			s.releaseDeclined(ctx, q)
		}
		return q, place, err
	}
	for range conflictTries {
		applied, err := s.closeOnce(ctx, w, request.GetName(), act)
		if errors.Is(err, store.ErrConflict) {
			continue // somebody closed it, or wrote at the same time: look again
		}
		return s.closedAnswer(ctx, applied, err)
	}
	return nil, "", contended()
}

func (s *Server) closeOnce(
	ctx context.Context, w write, name string,
	act func(ctx context.Context, tenant string, q *quotev1.Quote) (closing, error),
) (store.Applied, error) {
	record, q, err := s.loadQuote(ctx, w.tenant, name)
	if err != nil {
		return store.Applied{}, err
	}
	if q.GetState() != quotev1.Quote_OPEN && q.GetState() != quotev1.Quote_DRAFT {
		return s.orDone(ctx, w, closed(q)) // perhaps a repeat of the call that closed it, overtaken by that call
	}
	c, err := act(ctx, w.tenant, q)
	if err != nil {
		return store.Applied{}, err
	}
	q.CloseTime = timestamppb.New(s.now())
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(q)
	if err != nil {
		return store.Applied{}, fmt.Errorf("keep the quote: %w", err)
	}
	c.change.Puts = append([]store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}, c.change.Puts...)
	applied, err := s.apply(ctx, w, c.change, raw)
	switch {
	case errors.Is(err, store.ErrTooLate):
		return store.Applied{}, quoteExpired(q)
	case err == nil && c.after != nil:
		c.after(ctx)
	}
	return applied, err
}

// closedAnswer reads the answer of a closing write, the first time and on a
// repeat alike.
func (s *Server) closedAnswer(ctx context.Context, applied store.Applied, err error) (*quotev1.Quote, string, error) {
	if err != nil {
		return nil, "", err
	}
	q := &quotev1.Quote{}
	if err := proto.Unmarshal(applied.Answer, q); err != nil || len(applied.Versions) == 0 {
		return nil, "", fmt.Errorf("read the kept answer: %w", errors.Join(err, errNoVersion(applied)))
	}
	place, err := s.placeOf(ctx, applied.Versions[0])
	if err != nil {
		return nil, "", err
	}
	q.Etag = revision.ETag(applied.Versions[0])
	return q, place, nil
}

func errNoVersion(applied store.Applied) error {
	if len(applied.Versions) == 0 {
		return errors.New("the change has no version")
	}
	return nil
}

// offerNow reads one of the tenant's offers as it is now; store.ErrNotFound
// where there is none.
func (s *Server) offerNow(ctx context.Context, tenant, source string) (*quotev1.Offer, error) {
	offerID, ok := strings.CutPrefix(source, offers.Prefix)
	if !ok {
		return nil, fmt.Errorf("%q is no offer: %w", source, store.ErrNotFound)
	}
	record, err := s.store.Get(ctx, store.Key{Tenant: tenant, Kind: offers.Kind, ID: offerID})
	if err != nil {
		return nil, fmt.Errorf("read offer: %w", err)
	}
	return readOffer(record)
}

// decline gives the holds back. A hold that is over is fine, unless it ended in
// the sale of an acceptance that is still to be completed.
func (s *Server) decline(ctx context.Context, tenant string, q *quotev1.Quote, reason string) (closing, error) {
	c, lines := closing{}, quote.Lines(q)
	holds, err := s.settle(ctx, tenant, q)
	if err != nil {
		return c, err
	}
	if len(lines) > 1 { // before any is released
		for i := range lines {
			if err := s.refuseBought(ctx, tenant, q, i, holds[i], nil); err != nil {
				return c, err
			}
		}
	}
	for i, line := range lines {
		name := line.GetHeldListing()
		if name == "" {
			continue
		}
		if err := s.refuseBought(ctx, tenant, q, i, holds[i], s.side.release(ctx, name, holds[i].GetFence(), releaseStep(q, name))); err != nil {
			return c, err
		}
		free, err := s.freeClaim(ctx, tenant, name, q.GetName())
		if err != nil {
			return c, err
		}
		c.change.Puts = append(c.change.Puts, free...)
	}
	for _, line := range q.GetLines() {
		line.State = quotev1.QuoteLine_DECLINED
	}
	q.State, q.DeclineReason = quotev1.Quote_DECLINED, reason
	return c, nil
}

// refuseBought is the error of releasing a line's hold, which is none where the
// hold is over, unless it ended in the sale of an acceptance. Without an error it
// looks whether that is so.
func (s *Server) refuseBought(ctx context.Context, tenant string, q *quotev1.Quote, line int, hold *fitmentv1.Hold, err error) error {
	lines := quote.Lines(q)
	if lines[line].GetHeldListing() == "" || (err != nil && !over(err)) {
		return err
	}
	if err == nil && len(lines) == 1 {
		return nil // released
	}
	sold, err := s.soldForQuote(ctx, tenant, q, line, hold)
	if err != nil {
		return err
	}
	if sold {
		return beingAccepted(q)
	}
	return nil
}

// releaseStep is the request id of giving a quote's hold back.
func releaseStep(q *quotev1.Quote, listing string) string {
	if len(q.GetLines()) == 0 {
		return step(q, "release")
	}
	return step(q, "release "+listing)
}

// over tells whether an error says that a hold is not there any more.
func over(err error) bool {
	return lost(err) || apierr.ReasonOf(err) == fitmentv1.ErrorInfo_HOLD_LOST
}
