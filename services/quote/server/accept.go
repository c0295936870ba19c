package server

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// AcceptQuote decides again, buys the listings that the accepted lines hold, and
// closes the quote; the holds of the other lines are given back. Where some sales
// succeeded and the rest did not, repeating the call completes it, even after the
// quote's time.
func (s *Server) AcceptQuote(ctx context.Context, request *quotev1.AcceptQuoteRequest) (*quotev1.AcceptQuoteResponse, error) {
	var fields check.Fields
	q, place, err := s.closeQuote(ctx, request, &fields, func(ctx context.Context, tenant string, q *quotev1.Quote) (closing, error) {
		if q.GetState() == quotev1.Quote_DRAFT {
			return closing{}, notIssued(q)
		}
		a, err := s.accepting(ctx, tenant, q, request)
		if err != nil {
			return closing{}, err
		}
		return a.close(ctx)
	})
	if err != nil {
		return nil, err
	}
	return &quotev1.AcceptQuoteResponse{Quote: q, Revision: place}, nil
}

// acceptance is the accepting of some lines of a quote.
type acceptance struct {
	s      *Server
	tenant string
	quote  *quotev1.Quote
	lines  []*quotev1.QuoteLine
	// accepted and declined are places of lines, in order.
	accepted, declined []int
	// holds are the lines' holds as they are now; nil where a line holds nothing.
	holds []*fitmentv1.Hold
	// bought are the accepted lines whose listing is bought.
	bought []int
}

// accepting checks which lines are accepted, and who allowed that.
func (s *Server) accepting(ctx context.Context, tenant string, q *quotev1.Quote, request *quotev1.AcceptQuoteRequest) (*acceptance, error) {
	a := &acceptance{s: s, tenant: tenant, quote: q, lines: quote.Lines(q)}
	var fields check.Fields
	a.choose(request.GetLines(), &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	pack, _ := s.packs.For(q.GetTaxPlace())
	total, err := quote.TotalOf(q, a.accepted, pack)
	if err != nil {
		return nil, fmt.Errorf("what is accepted: %w", err)
	}
	var first []*quotev1.Option
	for _, line := range a.accepted {
		if option := quote.FirstBuy(a.lines[line].GetOptions()); option != nil {
			first = append(first, option)
		}
	}
	quote.CheckAuthorization(first, request.GetAuthorization(), total.GetTotal(), q.GetCurrencyCode(), s.now(), &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	q.Authorization = request.GetAuthorization()
	a.holds, err = s.settle(ctx, tenant, q)
	return a, err
}

// choose sorts the lines into accepted and declined ones; none named means all.
func (a *acceptance) choose(named []int32, fields *check.Fields) {
	accepted := make([]bool, len(a.lines))
	for i, number := range named {
		field := fmt.Sprintf("lines[%d]", i)
		switch {
		case number < 1 || int(number) > len(a.lines):
			fields.Add(field, fmt.Sprintf("%d is no line of the quote", number), fmt.Sprintf("1 to %d", len(a.lines)))
		case accepted[number-1]:
			fields.Add(field, fmt.Sprintf("%d is named twice", number), "each line once")
		default:
			accepted[number-1] = true
		}
	}
	for i, yes := range accepted {
		if yes || len(named) == 0 {
			a.accepted = append(a.accepted, i)
		} else {
			a.declined = append(a.declined, i)
		}
	}
}

// close buys, and says how the quote is closed.
func (a *acceptance) close(ctx context.Context) (closing, error) {
	if err := a.buy(ctx); err != nil {
		return closing{}, err
	}
	var c closing
	if !slices.ContainsFunc(a.accepted, a.holding) {
		c.change.NotAfter = a.quote.GetValidUntil().AsTime()
	}
	for _, line := range a.lines {
		if line.GetHeldListing() == "" {
			continue
		}
		free, err := a.s.freeClaim(ctx, a.tenant, line.GetHeldListing(), a.quote.GetName())
		if err != nil {
			return c, err
		}
		c.change.Puts = append(c.change.Puts, free...)
	}
	counted, err := a.s.countBought(ctx, a.tenant, a.quote.GetName(), firstBuys(a.quote, a.accepted))
	if err != nil {
		return c, err
	}
	c.change.Puts = append(c.change.Puts, counted...)
	c.after = a.release
	a.state()
	return c, nil
}

// state writes into the quote what was accepted.
func (a *acceptance) state() {
	a.quote.State = quotev1.Quote_ACCEPTED
	if len(a.declined) > 0 {
		a.quote.State = quotev1.Quote_PARTLY_ACCEPTED
	}
	if len(a.quote.GetLines()) == 0 {
		return
	}
	for _, line := range a.accepted {
		a.quote.Lines[line].State = quotev1.QuoteLine_ACCEPTED
	}
	for _, line := range a.declined {
		a.quote.Lines[line].State = quotev1.QuoteLine_DECLINED
	}
}

// release gives back the holds of the lines that were not accepted.
func (a *acceptance) release(ctx context.Context) {
	a.s.releaseDeclined(ctx, a.quote)
}

// releaseDeclined gives back the holds of a closed quote's declined lines, again
// where that was done before.
func (s *Server) releaseDeclined(ctx context.Context, q *quotev1.Quote) {
	for _, line := range q.GetLines() {
		if name := line.GetHeldListing(); name != "" && line.GetState() == quotev1.QuoteLine_DECLINED {
			s.releaseQuietly(ctx, name, line.GetHold().GetFence(), releaseStep(q, name))
		}
	}
}

func (a *acceptance) holding(line int) bool { return a.lines[line].GetHeldListing() != "" }

// buy proves everything that is accepted again, then buys the listings among it,
// one after another in the order of the lines.
func (a *acceptance) buy(ctx context.Context) error {
	for _, line := range a.declined {
		if err := a.s.refuseBought(ctx, a.tenant, a.quote, line, a.holds[line], nil); err != nil {
			return fmt.Errorf("line %d is bought already and must be among the accepted ones: %w", line+1, err)
		}
	}
	if a.s.expired(a.quote) {
		return a.complete(ctx)
	}
	if err := a.mark(ctx); err != nil {
		return err
	}
	err := a.prove(ctx)
	for _, line := range a.accepted {
		if err != nil || !a.holding(line) {
			continue
		}
		name := a.lines[line].GetHeldListing()
		if err = a.s.side.sell(ctx, name, a.holds[line].GetFence(), a.lines[line].GetNeed(), sellStep(a.quote, name)); err == nil {
			a.bought = append(a.bought, line)
		}
	}
	if err != nil && !unsettled(err) {
		a.unmark(ctx)
	}
	return err
}

// complete is for a quote whose time is over: the sales may have been made in time,
// and the acceptance not stored. What is not bought by a sale is proven again: nobody
// knows whether it was among what was accepted in time.
func (a *acceptance) complete(ctx context.Context) error {
	if !slices.ContainsFunc(a.accepted, a.holding) {
		return quoteExpired(a.quote)
	}
	for _, line := range a.accepted {
		if !a.holding(line) {
			if err := a.s.proveOffer(ctx, a.tenant, a.quote, a.lines[line]); err != nil {
				return inLine(err, line, len(a.lines))
			}
			continue
		}
		ours, err := a.s.soldForQuote(ctx, a.tenant, a.quote, line, a.holds[line])
		if err == nil && !ours {
			err = quoteExpired(a.quote)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// prove asks again about everything that is accepted before anything is bought. A
// single listing is proven by its sale.
func (a *acceptance) prove(ctx context.Context) error {
	for _, line := range a.accepted {
		var err error
		switch {
		case !a.holding(line):
			err = a.s.proveOffer(ctx, a.tenant, a.quote, a.lines[line])
		case len(a.accepted) > 1:
			err = a.proveListing(ctx, line)
		}
		if err != nil {
			return inLine(err, line, len(a.lines))
		}
	}
	return nil
}

// proveListing tells whether a listing may still be bought, or is bought already.
func (a *acceptance) proveListing(ctx context.Context, line int) error {
	name, hold := a.lines[line].GetHeldListing(), a.holds[line]
	donor, err := a.s.side.look(ctx, a.lines[line].GetNeed(), name)
	if err != nil {
		return err
	}
	listing := donor.GetListing()
	switch {
	case listing.GetState() == fitmentv1.Listing_SOLD && listing.GetBuyer() == a.tenant && listing.GetHold().GetFence() == hold.GetFence():
		return nil // by this acceptance, as its sale will find out
	case listing.GetState() == fitmentv1.Listing_SOLD || listing.GetState() == fitmentv1.Listing_WITHDRAWN:
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE, "%s is sold or withdrawn", name)
	case listing.GetState() != fitmentv1.Listing_HELD || listing.GetHold().GetFence() != hold.GetFence():
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST, "hold %d of %s is lost", hold.GetFence(), name)
	case donor.GetDecision().GetVerdict() != fitmentv1.Decision_FITS:
		reason, _ := quote.WhyNot(donor.GetDecision())
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "%s %s", name, reason)
	}
	return nil
}

// mark keeps that the accepted lines' listings are about to be bought, so that no
// new version takes the quote's place meanwhile, and no acceptance of other lines.
func (a *acceptance) mark(ctx context.Context) error {
	for range conflictTries {
		puts, err := a.marks(ctx)
		if err != nil || len(puts) == 0 {
			return err
		}
		if err = a.s.applyAside(ctx, store.Change{Puts: puts}); !errors.Is(err, store.ErrConflict) {
			return err
		}
	}
	return contended()
}

// marks are the steps that mark the accepted lines, and see to it that no other
// line is marked; none where all is so already.
func (a *acceptance) marks(ctx context.Context) ([]store.Put, error) {
	var puts []store.Put
	fresh := false
	for i, line := range a.lines {
		name := line.GetHeldListing()
		if name == "" {
			continue
		}
		found, version, err := a.s.readClaim(ctx, a.tenant, name)
		if err != nil {
			return nil, err
		}
		if found.Quote != a.quote.GetName() || found.Until.IsZero() {
			if err := a.stillOpen(ctx); err != nil {
				return nil, err
			}
			continue // the hold is over, as its sale will find out
		}
		accepted := slices.Contains(a.accepted, i)
		if found.Accepting && !accepted {
			return nil, fmt.Errorf("line %d is among those: %w", i+1, beingAccepted(a.quote))
		}
		fresh = fresh || found.Accepting != accepted
		found.Accepting = accepted
		put, err := putClaim(a.tenant, name, version, found)
		if err != nil {
			return nil, err
		}
		puts = append(puts, put)
	}
	if !fresh {
		return nil, nil
	}
	return puts, nil
}

// stillOpen is store.ErrConflict where the quote was closed since it was read. Whoever
// closes it frees its claims in the same step and gives its holds back afterwards:
// until then a sale would succeed, and no quote would stand on it.
func (a *acceptance) stillOpen(ctx context.Context) error {
	_, now, err := a.s.loadQuote(ctx, a.tenant, a.quote.GetName())
	if err == nil && now.GetState() != quotev1.Quote_OPEN {
		err = fmt.Errorf("%s: %w", a.quote.GetName(), store.ErrConflict)
	}
	return err
}

// unmark ends the marks of what was not bought.
func (a *acceptance) unmark(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), a.s.side.timeout)
	defer cancel()
	for _, line := range a.accepted {
		if !a.holding(line) || slices.Contains(a.bought, line) {
			continue
		}
		name := a.lines[line].GetHeldListing()
		found, version, err := a.s.readClaim(ctx, a.tenant, name)
		if err != nil || found.Quote != a.quote.GetName() || !found.Accepting {
			continue
		}
		found.Accepting = false
		put, err := putClaim(a.tenant, name, version, found)
		if err == nil {
			err = a.s.applyAside(ctx, store.Change{Puts: []store.Put{put}})
		}
		if err != nil && !errors.Is(err, store.ErrConflict) {
			a.s.log.WarnContext(ctx, "a claim stays marked until the quote is accepted or declined", "listing", name, "error", err)
		}
	}
}

// applyAside applies a change that no request id is kept for.
func (s *Server) applyAside(ctx context.Context, change store.Change) error {
	applied, err := s.store.Apply(ctx, change)
	switch {
	case err != nil:
		return s.unacknowledged(ctx, err)
	case len(applied) != 1:
		return s.unacknowledged(ctx, errors.New("no answer to the change"))
	}
	return applied[0].Err
}

// settle finds the holds of a quote's lines as they are now, by their place, and
// writes them into the quote; nil where a line holds nothing.
func (s *Server) settle(ctx context.Context, tenant string, q *quotev1.Quote) ([]*fitmentv1.Hold, error) {
	lines := quote.Lines(q)
	holds := make([]*fitmentv1.Hold, len(lines))
	for i, line := range lines {
		if line.GetHeldListing() == "" {
			continue
		}
		hold, _, err := s.settled(ctx, tenant, q, line)
		if err != nil {
			return nil, err
		}
		if holds[i] = hold; !proto.Equal(hold, line.GetHold()) {
			quote.SetHeld(q, map[int]quote.Held{i: {Listing: line.GetHeldListing(), Hold: hold}})
		}
	}
	return holds, nil
}

// sellStep is the request id of buying a quote's listing.
func sellStep(q *quotev1.Quote, listing string) string {
	if len(q.GetLines()) == 0 {
		return step(q, "sell")
	}
	return step(q, "sell "+listing)
}

// soldForQuote tells whether a line's listing was bought for this quote. That it
// was sold to the business under the quote's hold does not show that: the
// business may have bought it for another need, without this quote. Proof is
// that the fitment side answers the quote's own sale again; once it has forgotten
// the request (after a day at least) there is none.
func (s *Server) soldForQuote(ctx context.Context, tenant string, q *quotev1.Quote, line int, hold *fitmentv1.Hold) (bool, error) {
	l := quote.Lines(q)[line]
	sold, err := s.side.soldTo(ctx, tenant, l.GetHeldListing(), hold)
	if err != nil || !sold {
		return false, err
	}
	// A listing that is sold cannot be sold again: this sells nothing.
	err = s.side.sell(ctx, l.GetHeldListing(), hold.GetFence(), l.GetNeed(), sellStep(q, l.GetHeldListing()))
	if over(err) {
		return false, nil
	}
	return err == nil, err
}

// proveOffer asks the fitment side and the price list again about the first part
// that a line's plan buys.
func (s *Server) proveOffer(ctx context.Context, tenant string, q *quotev1.Quote, line *quotev1.QuoteLine) error {
	option := quote.FirstBuy(line.GetOptions())
	offer, err := s.offerNow(ctx, tenant, option.GetSource())
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return err
	}
	if err != nil || !offer.GetAvailable() || !quote.SamePart(option, offer) {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE,
			"%s: the supplier's price list does not offer it any more; prepare a new quote", option.GetSource())
	}
	if quote.Ended(offer, s.now()) {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_QUOTE_EXPIRED,
			"%s: its price held until %s; prepare a new quote", option.GetSource(), offer.GetValidUntil())
	}
	if changed := quote.Changed(option, q.GetCurrencyCode(), offer); changed != "" {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE,
			"%s: the supplier's price list does not offer it on the quoted terms any more: %s; prepare a new quote", option.GetSource(), changed)
	}
	parts, err := s.side.findParts(ctx, line.GetNeed())
	if err != nil {
		return err
	}
	if reason := quote.Admits(line.GetNeed(), parts, offer); reason != "" {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "%s: %s", option.GetSource(), reason)
	}
	return nil
}
