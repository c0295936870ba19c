package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// choice is the listing that a request chose to hold, kept before it is held:
// a repeat of the request finds its own hold again.
type choice struct {
	Listing string `json:"listing"`
	Minutes int32  `json:"minutes"`
}

// attempt weighs and, where the plan opens with a listing, holds it. It is not
// done where the listing was lost to somebody else or turned out dearer: then
// the next attempt weighs without it, or anew.
func (p *preparation) attempt(ctx context.Context, n int) (applied store.Applied, done bool, err error) {
	chosen, err := p.chosenBefore(ctx, n)
	if err != nil {
		return applied, false, err
	}
	if chosen.Listing == "" {
		result, err := p.weigh()
		if err != nil {
			return applied, false, err
		}
		first := quote.FirstBuy(result.Options).GetSource()
		if !strings.HasPrefix(first, listingPrefix) {
			applied, err = p.keep(ctx, n, result, nil)
			return applied, true, err
		}
		p.chosen++
		minutes := int32(math.Ceil(p.validFor(result).Minutes()))
		if chosen, err = p.choose(ctx, n, choice{Listing: first, Minutes: minutes}); err != nil {
			return applied, false, p.unlessLost(first, err)
		}
	}
	hold, err := p.s.side.hold(ctx, p.in.Tenant, chosen.Listing, min(chosen.Minutes, briefly), 0, p.write.step(fmt.Sprint("hold ", n)).requestID)
	if err != nil {
		if status.Code(err) != codes.Unavailable { // refused, so there is no hold
			p.drop(ctx, n, chosen.Listing)
		}
		return applied, false, p.unlessLost(chosen.Listing, err)
	}
	h := &held{n: n, choice: chosen, hold: hold}
	applied, done, err = p.withHold(ctx, h)
	if !done || overtaken(applied, chosen.Listing, h.hold) {
		p.giveBack(ctx, h)
	}
	return applied, done, err
}

// held is what an attempt holds. A listing is held briefly until it is weighed,
// and for as long as the quote is good only then, just before the quote is
// stored: the hold of a caller who vanishes ends soon by itself.
type held struct {
	choice

	n        int
	hold     *fitmentv1.Hold
	extended bool
}

// overtaken tells whether another run of the same request stored its quote
// first, on another hold than this run's.
func overtaken(applied store.Applied, name string, hold *fitmentv1.Hold) bool {
	stored := &quotev1.Quote{}
	return applied.Replayed && proto.Unmarshal(applied.Answer, stored) == nil &&
		(stored.GetHeldListing() != name || stored.GetHold().GetFence() != hold.GetFence())
}

// chosenBefore is what the attempt chose in an earlier run of this request.
func (p *preparation) chosenBefore(ctx context.Context, n int) (choice, error) {
	w := p.write.step(fmt.Sprint("choice ", n))
	before, err := p.s.store.Seen(ctx, w.tenant, w.requestID, w.fingerprint)
	if err != nil || !before.Replayed {
		return choice{}, err
	}
	return readChoice(before.Answer)
}

func readChoice(raw []byte) (choice, error) {
	var c choice
	if err := json.Unmarshal(raw, &c); err != nil {
		return choice{}, fmt.Errorf("read the kept choice: %w", err)
	}
	return c, nil
}

// choose keeps what is to be held, with the claim on it, before it is held. Of
// two runs of the same request the first one chooses for both. errClaimed:
// another quote of the business has the listing.
func (p *preparation) choose(ctx context.Context, n int, c choice) (choice, error) {
	raw, err := json.Marshal(c)
	if err != nil {
		return choice{}, fmt.Errorf("keep the choice: %w", err)
	}
	until := p.s.now().Add((briefly + 1) * time.Minute)
	for range conflictTries {
		put, err := p.s.takeClaim(ctx, p.write, c.Listing, claim{Request: p.write.requestID, Attempt: n, Until: until})
		if err != nil {
			return choice{}, err
		}
		applied, err := p.s.apply(ctx, p.write.step(fmt.Sprint("choice ", n)), store.Change{Puts: []store.Put{put}}, raw)
		if errors.Is(err, store.ErrConflict) {
			continue
		}
		if err != nil {
			return choice{}, err
		}
		return readChoice(applied.Answer)
	}
	return choice{}, contended()
}

// unlessLost notes that a listing cannot be had and swallows the error; other
// errors stay.
func (p *preparation) unlessLost(listing string, err error) error {
	switch {
	case errors.Is(err, errClaimed):
		p.in.Lost[listing] = "is already held by another quote of your business"
	case apierr.ReasonOf(err) == fitmentv1.ErrorInfo_LISTING_HELD:
		p.in.Lost[listing] = "was held by somebody else a moment ago"
	case apierr.ReasonOf(err) == fitmentv1.ErrorInfo_LISTING_GONE:
		p.in.Lost[listing] = "was sold or withdrawn a moment ago"
	default:
		return err
	}
	return nil
}

// withHold looks at the held listing as it is now, weighs again, and keeps the
// quote if the plan still opens with it.
func (p *preparation) withHold(ctx context.Context, h *held) (applied store.Applied, done bool, err error) {
	donor, err := p.s.side.look(ctx, p.in.Need, h.Listing)
	if err != nil {
		return applied, false, err
	}
	p.replace(donor)
	if donor.GetListing().GetHold().GetFence() > h.hold.GetFence() { // another run of this request may have extended it
		if err := p.extend(ctx, h); err != nil {
			return applied, false, unlessOver(err)
		}
	}
	if !p.holds(donor.GetListing(), h.hold) {
		return applied, false, nil // a hold of an earlier run, given back since
	}
	p.in.Held = h.Listing
	result, err := p.weigh()
	if err == nil && quote.FirstBuy(result.Options).GetSource() == h.Listing {
		applied, done, err = p.keepHeld(ctx, h, result)
		if done {
			return applied, true, err
		}
	}
	p.in.Held = ""
	freed := proto.CloneOf(donor)
	freed.Listing.State, freed.Listing.Hold = fitmentv1.Listing_AVAILABLE, nil
	p.replace(freed)
	return applied, false, err
}

// keepHeld extends the hold and stores the quote. It is not done where the hold
// is to be given back. A caller who vanishes from here on does not stop it: a
// stored quote can be found and declined, a hold without one cannot.
func (p *preparation) keepHeld(ctx context.Context, h *held, result quote.Result) (applied store.Applied, done bool, err error) {
	if err := ctx.Err(); err != nil {
		return applied, false, status.FromContextError(err).Err()
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), (applyTries+1)*p.s.side.timeout)
	defer cancel()
	if err := p.extend(ctx, h); err != nil {
		return applied, false, unlessOver(err)
	}
	applied, err = p.keep(ctx, h.n, result, &fitmentv1.Listing{Name: h.Listing, Hold: h.hold})
	switch {
	case err == nil || status.Code(err) == codes.Unavailable:
		return applied, true, err // stored, or not known: the hold stays
	case errors.Is(err, errEnded):
		return applied, false, nil // another run of this request gave the hold back
	}
	return applied, false, err
}

// extend makes the hold last as long as the quote, once for all runs of the
// request. An answer that is lost is asked for again.
func (p *preparation) extend(ctx context.Context, h *held) error {
	if h.Minutes <= briefly || h.extended {
		return nil
	}
	var err error
	for range applyTries {
		var hold *fitmentv1.Hold
		hold, err = p.s.side.hold(ctx, p.in.Tenant, h.Listing, h.Minutes, h.hold.GetFence(), p.write.step(fmt.Sprint("extend ", h.n)).requestID)
		if err == nil {
			h.hold, h.extended = hold, true
			return nil
		}
		if status.Code(err) != codes.Unavailable {
			break
		}
	}
	return err
}

// unlessOver swallows the error of a hold that is not there any more.
func unlessOver(err error) error {
	if over(err) {
		return nil
	}
	return err
}

// holds tells whether a hold is the listing's present one.
func (p *preparation) holds(listing *fitmentv1.Listing, hold *fitmentv1.Hold) bool {
	return listing.GetState() == fitmentv1.Listing_HELD && listing.GetHold().GetHolder() == p.in.Tenant &&
		listing.GetHold().GetFence() == hold.GetFence() && hold.GetExpireTime().AsTime().After(p.s.now())
}

func (p *preparation) replace(donor *fitmentv1.Donor) {
	for i, old := range p.in.Donors {
		if old.GetListing().GetName() == donor.GetListing().GetName() {
			p.in.Donors[i] = donor
			return
		}
	}
	p.in.Donors = append(p.in.Donors, donor)
}

// giveBack releases a hold that no quote will use. Another run of the same
// request may be about to store its quote on it, or have done so: ending the
// claim first settles which. A hold that cannot be released ends by itself.
func (p *preparation) giveBack(ctx context.Context, h *held) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), p.s.side.timeout)
	defer cancel()
	if !p.drop(ctx, h.n, h.Listing) {
		return
	}
	err := p.s.side.release(ctx, h.Listing, h.hold.GetFence(), p.write.step(fmt.Sprint("release ", h.n, " ", h.hold.GetFence())).requestID)
	if err != nil && !over(err) {
		p.s.log.WarnContext(ctx, "a hold stays until it ends by itself", "listing", h.Listing, "error", err)
	}
}

// drop ends the attempt's claim; false where a quote stands on it or it could
// not be ended.
func (p *preparation) drop(ctx context.Context, n int, name string) bool {
	ended, err := p.s.endClaim(ctx, p.write, n, name)
	if err != nil {
		p.s.log.WarnContext(ctx, "a claim stays until it ends by itself", "listing", name, "error", err)
	}
	return ended
}
