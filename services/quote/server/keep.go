package server

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// keeping is a quote that is about to be stored, and what it stands on.
type keeping struct {
	*preparation

	quote   *quotev1.Quote
	attempt int
	holds   []*held
}

// keep gives the quote its number and stores it.
func (p *preparation) keep(ctx context.Context, n int, whole quote.Whole, holds []*held) (store.Applied, error) {
	q, err := p.quote(whole, quotev1.Quote_OPEN)
	if err != nil {
		return store.Applied{}, err
	}
	k := &keeping{preparation: p, quote: q, attempt: n, holds: holds}
	k.endWith(whole)
	for range conflictTries {
		applied, err := k.once(ctx)
		switch {
		case errors.Is(err, store.ErrConflict):
			continue
		case errors.Is(err, store.ErrTooLate):
			return applied, apierr.New(codes.Aborted, fitmentv1.ErrorInfo_HOLD_LOST, "the hold or a price ran out while the quote was prepared; repeat the request with a new request_id")
		case err == nil && !applied.Replayed:
			p.releaseLeft(ctx, holds)
		}
		return applied, err
	}
	return store.Applied{}, contended()
}

// endWith writes the holds into the quote, which is good no longer than any of
// them, and not longer than the prices that its plans count on.
func (k *keeping) endWith(whole quote.Whole) {
	if len(k.holds) == 0 {
		return
	}
	places := make(map[int]quote.Held, len(k.holds))
	for _, h := range k.holds {
		places[h.Line] = quote.Held{Listing: h.Listing, Hold: h.hold}
	}
	quote.SetHeld(k.quote, places)
	first := slices.MinFunc(k.holds, func(a, b *held) int {
		return a.hold.GetExpireTime().AsTime().Compare(b.hold.GetExpireTime().AsTime())
	})
	k.quote.ValidUntil = first.hold.GetExpireTime()
	if end := whole.GoodUntil; !end.IsZero() && end.Before(k.quote.GetValidUntil().AsTime()) {
		k.quote.ValidUntil = timestamppb.New(end)
	}
}

// once stores the quote with its number, its claims and what becomes of the draft
// or version before, in one step.
func (k *keeping) once(ctx context.Context) (store.Applied, error) {
	year := k.quote.GetCreateTime().AsTime().Format("2006")
	counter, number, err := k.s.count(ctx, k.tenant, kindNumber, year)
	if err != nil {
		return store.Applied{}, err
	}
	k.quote.Number = fmt.Sprintf("Q-%s-%06d", year, number)
	k.quote.Name = quotePrefix + k.quote.GetNumber()
	puts := []store.Put{{Key: store.Key{Tenant: k.tenant, Kind: kindQuote, ID: k.quote.GetNumber()}, Expect: store.Absent}, counter}
	claims, err := k.claims(ctx)
	if err != nil {
		return store.Applied{}, err
	}
	replaced, err := k.replaced(ctx)
	if err != nil {
		return store.Applied{}, err
	}
	quote.Slim(k.quote, store.MaxValue-closingRoom) // what is different came on top
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(k.quote)
	if err != nil {
		return store.Applied{}, fmt.Errorf("keep the quote: %w", err)
	}
	puts[0].Value = raw
	puts = slices.Concat(puts, claims, replaced)
	return k.s.apply(ctx, k.write, store.Change{Puts: puts, NotAfter: k.quote.GetValidUntil().AsTime()}, raw)
}

// claims are the steps that make the claims on the held listings the quote's.
func (k *keeping) claims(ctx context.Context) ([]store.Put, error) {
	puts := make([]store.Put, 0, len(k.holds))
	for _, h := range k.holds {
		next := claim{Request: k.write.requestID, Attempt: k.attempt, Quote: k.quote.GetName(), Until: h.hold.GetExpireTime().AsTime()}
		var put store.Put
		var err error
		if h.Carried {
			put, err = k.s.moveClaim(ctx, k.write, h.Listing, k.before.GetName(), k.extension(h), next)
		} else {
			put, err = k.s.quoteClaim(ctx, k.write, h.Listing, next)
		}
		switch {
		case errors.Is(err, errAccepting):
			return nil, beingAccepted(k.before)
		case err != nil:
			return nil, fmt.Errorf("%s: %w", h.Listing, err)
		}
		puts = append(puts, put)
	}
	return puts, nil
}

// replaced are the steps that close the draft or the version before, which must
// still be what it was, and free its claims that the quote does not take over.
func (k *keeping) replaced(ctx context.Context) ([]store.Put, error) {
	if k.before == nil {
		return nil, nil
	}
	record, before, err := k.s.loadQuote(ctx, k.tenant, k.before.GetName())
	if err != nil {
		return nil, err
	}
	may := mayRevise
	if k.before.GetState() == quotev1.Quote_DRAFT {
		may = mayIssue
	}
	if err := may(before); err != nil {
		return nil, err
	}
	k.quote.Differences = quote.Differences(before, k.quote)
	if before.GetState() != quotev1.Quote_DRAFT {
		k.quote.Supersedes, k.quote.Version = before.GetName(), max(before.GetVersion(), 1)+1
	}
	before.State, before.SupersededBy = quotev1.Quote_SUPERSEDED, k.quote.GetName()
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(before)
	if err != nil {
		return nil, fmt.Errorf("keep the version before: %w", err)
	}
	puts := []store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}
	for _, line := range k.left(k.holds) {
		found, version, err := k.s.readClaim(ctx, k.tenant, line.GetHeldListing())
		switch {
		case err != nil:
			return nil, err
		case found.Quote != before.GetName() || found.Until.IsZero():
			continue
		case found.Accepting:
			return nil, beingAccepted(before)
		}
		free, err := putClaim(k.tenant, line.GetHeldListing(), version, claim{})
		if err != nil {
			return nil, err
		}
		puts = append(puts, free)
	}
	return puts, nil
}

// left are the lines of the version before whose listing the quote does not hold.
func (p *preparation) left(holds []*held) []*quotev1.QuoteLine {
	var lines []*quotev1.QuoteLine
	for _, line := range quote.Lines(p.before) {
		name := line.GetHeldListing()
		if name != "" && !slices.ContainsFunc(holds, func(h *held) bool { return h.Listing == name }) {
			lines = append(lines, line)
		}
	}
	return lines
}

// releaseLeft gives back what the version before held and the quote does not.
func (p *preparation) releaseLeft(ctx context.Context, holds []*held) {
	if p.before == nil {
		return
	}
	for _, line := range p.left(holds) {
		hold := p.carried[line.GetHeldListing()]
		if hold == nil {
			continue
		}
		p.s.releaseQuietly(ctx, line.GetHeldListing(), hold.GetFence(), releaseStep(p.before, line.GetHeldListing()))
	}
}
