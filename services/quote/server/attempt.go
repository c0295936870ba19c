package server

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
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

// wanted is what a request chose to hold, kept before it is held: a repeat of the
// request finds its own holds again.
type wanted struct {
	Listings []chosen `json:"listings"`
	Minutes  int32    `json:"minutes"`
	// Void is true where the attempt chose in vain: a repeat goes on behind it, where
	// a later attempt of the request may have left holds.
	Void bool `json:"void,omitempty"`
}

// chosen is a listing that a line buys first, lines counted from 0. Carried ones
// are held already, by the version that is revised.
type chosen struct {
	Listing string `json:"listing"`
	Line    int    `json:"line"`
	Carried bool   `json:"carried,omitempty"`
}

// attempt weighs and holds what the lines buy first, where that are listings: all
// of them or none. It is not done where one was lost to somebody else or turned
// out dearer: then the next attempt weighs without it, or anew.
func (p *preparation) attempt(ctx context.Context, n int) (applied store.Applied, done bool, err error) {
	before, err := p.chosenBefore(ctx, n)
	if err != nil {
		return applied, false, err
	}
	if len(before.Listings) == 0 && !before.Void {
		whole, err := p.weigh(ctx, false)
		if err != nil {
			return applied, false, err
		}
		before = p.wants(whole)
		if len(before.Listings) == 0 {
			applied, err = p.keepUnheld(ctx, n)
			return applied, true, err
		}
		p.chosen++
		if before, err = p.chooseOrVoid(ctx, n, before); err != nil {
			return applied, false, err
		}
	}
	if before.Void {
		return applied, false, nil
	}
	return p.withChoice(ctx, n, before)
}

// chooseOrVoid keeps what is to be held, or that it cannot be had.
func (p *preparation) chooseOrVoid(ctx context.Context, n int, c wanted) (wanted, error) {
	made, err := p.choose(ctx, n, c)
	if err == nil {
		return made, nil
	}
	if err := p.unlessLost(err); err != nil {
		return wanted{}, err
	}
	raw, err := json.Marshal(wanted{Void: true})
	if err != nil {
		return wanted{}, fmt.Errorf("keep the choice: %w", err)
	}
	applied, err := p.s.apply(ctx, p.write.step(fmt.Sprint("choice ", n)), store.Change{}, raw)
	if err != nil {
		return wanted{}, err
	}
	return readChoice(applied.Answer) // another run may have chosen better
}

// keepUnheld stores a quote that holds nothing.
func (p *preparation) keepUnheld(ctx context.Context, n int) (store.Applied, error) {
	whole, err := p.weigh(ctx, true)
	if err != nil {
		return store.Applied{}, err
	}
	return p.keep(ctx, n, whole, nil)
}

// wants is what is to be held for the lines as weighed.
func (p *preparation) wants(whole quote.Whole) wanted {
	c := wanted{Minutes: int32(math.Ceil(p.validFor(whole).Minutes()))}
	for line, source := range whole.Firsts() {
		if strings.HasPrefix(source, listingPrefix) {
			c.Listings = append(c.Listings, chosen{Listing: source, Line: line, Carried: p.carried[source] != nil})
		}
	}
	return c
}

// withChoice holds what was chosen and goes on with it. What no quote stands on in
// the end is given back.
func (p *preparation) withChoice(ctx context.Context, n int, c wanted) (applied store.Applied, done bool, err error) {
	holds, err := p.hold(ctx, n, c)
	if err == nil {
		applied, done, err = p.withHolds(ctx, n, holds)
	}
	for _, h := range holds {
		if !done || overtaken(applied, h) {
			p.giveBack(ctx, h)
		}
	}
	return applied, done, p.unlessLost(err)
}

// held is what an attempt holds. A listing is held briefly until it is weighed,
// and for as long as the quote is good only then, just before the quote is
// stored: the hold of a caller who vanishes ends soon by itself.
type held struct {
	chosen

	n        int
	minutes  int32
	hold     *fitmentv1.Hold
	extended bool
}

// lostError says that a listing cannot be had.
type lostError struct {
	listing string
	cause   error
}

func (e *lostError) Error() string { return e.listing + ": " + e.cause.Error() }

func (e *lostError) Unwrap() error { return e.cause }

// hold takes the attempt's holds, up to the first one that cannot be had.
func (p *preparation) hold(ctx context.Context, n int, c wanted) ([]*held, error) {
	holds := make([]*held, 0, len(c.Listings))
	for _, item := range c.Listings {
		h := &held{chosen: item, n: n, minutes: c.Minutes}
		if item.Carried {
			if h.hold = p.carried[item.Listing]; h.hold == nil {
				return holds, nil // the version before lost it since: weighing finds out
			}
			holds = append(holds, h)
			continue
		}
		hold, err := p.s.side.hold(ctx, p.tenant, item.Listing, min(c.Minutes, briefly), 0, p.write.step(fmt.Sprint("hold ", n, " ", item.Listing)).requestID)
		if err != nil {
			if !unsettled(err) { // refused, so there is no hold
				p.dropRest(ctx, n, c, item)
			}
			return holds, &lostError{item.Listing, err}
		}
		h.hold = hold
		holds = append(holds, h)
	}
	return holds, nil
}

// dropRest ends the claims on a listing that cannot be held and on those after it,
// none of which is held.
func (p *preparation) dropRest(ctx context.Context, n int, c wanted, from chosen) {
	for _, item := range c.Listings[slices.Index(c.Listings, from):] {
		if !item.Carried {
			p.drop(ctx, n, item.Listing)
		}
	}
}

// overtaken tells whether another run of the same request stored its quote first,
// on another hold than this one.
func overtaken(applied store.Applied, h *held) bool {
	if !applied.Replayed {
		return false
	}
	stored := &quotev1.Quote{}
	if proto.Unmarshal(applied.Answer, stored) != nil {
		return false
	}
	for _, line := range quote.Lines(stored) {
		if line.GetHeldListing() == h.Listing && line.GetHold().GetFence() == h.hold.GetFence() {
			return false
		}
	}
	return true
}

// chosenBefore is what the attempt chose in an earlier run of this request.
func (p *preparation) chosenBefore(ctx context.Context, n int) (wanted, error) {
	w := p.write.step(fmt.Sprint("choice ", n))
	before, err := p.s.store.Seen(ctx, w.tenant, w.requestID, w.fingerprint)
	if err != nil || !before.Replayed {
		return wanted{}, err
	}
	return readChoice(before.Answer)
}

func readChoice(raw []byte) (wanted, error) {
	var c wanted
	if err := json.Unmarshal(raw, &c); err != nil {
		return wanted{}, fmt.Errorf("read the kept choice: %w", err)
	}
	return c, nil
}

// choose keeps what is to be held, with the claims on it, before it is held. Of
// two runs of the same request the first one chooses for both. A lostError with
// errClaimed: another quote of the business has one of the listings.
func (p *preparation) choose(ctx context.Context, n int, c wanted) (wanted, error) {
	raw, err := json.Marshal(c)
	if err != nil {
		return wanted{}, fmt.Errorf("keep the choice: %w", err)
	}
	until := p.s.now().Add((briefly + 1) * time.Minute)
	for range conflictTries {
		var puts []store.Put
		for _, item := range c.Listings {
			if item.Carried {
				continue
			}
			put, err := p.s.takeClaim(ctx, p.write, item.Listing, p.before.GetName(), claim{Request: p.write.requestID, Attempt: n, Until: until})
			if err != nil {
				return wanted{}, &lostError{item.Listing, err}
			}
			puts = append(puts, put)
		}
		applied, err := p.s.apply(ctx, p.write.step(fmt.Sprint("choice ", n)), store.Change{Puts: puts}, raw)
		if errors.Is(err, store.ErrConflict) {
			continue
		}
		if err != nil {
			return wanted{}, err
		}
		return readChoice(applied.Answer)
	}
	return wanted{}, contended()
}

// unlessLost notes that a listing cannot be had and swallows the error; other
// errors stay.
func (p *preparation) unlessLost(err error) error {
	var gone *lostError
	if !errors.As(err, &gone) {
		return err
	}
	switch {
	case errors.Is(gone.cause, errClaimed):
		p.lost[gone.listing] = "is already held by another quote of your business"
	case apierr.ReasonOf(gone.cause) == fitmentv1.ErrorInfo_LISTING_HELD:
		p.lost[gone.listing] = "was held by somebody else a moment ago"
	case apierr.ReasonOf(gone.cause) == fitmentv1.ErrorInfo_LISTING_GONE:
		p.lost[gone.listing] = "was sold or withdrawn a moment ago"
	default:
		return gone.cause
	}
	return nil
}

// withHolds looks at the held listings as they are now, weighs again, and keeps
// the quote if its lines still open with them.
func (p *preparation) withHolds(ctx context.Context, n int, holds []*held) (applied store.Applied, done bool, err error) {
	firsts := make(map[string]int, len(holds))
	for i, h := range holds {
		firsts[h.Listing] = h.Line
		donor, stands, err := p.stands(ctx, h)
		if err != nil {
			return applied, false, err
		}
		p.replace(h.Line, donor)
		if !stands {
			p.free(holds[:i])
			return applied, false, p.uncarry(ctx, h, donor.GetListing())
		}
	}
	for name := range firsts {
		p.held[name] = true
	}
	whole, err := p.weigh(ctx, true)
	if err == nil && sameFirsts(firsts, listed(whole.Firsts())) {
		if applied, done, err = p.keepHeld(ctx, n, holds, whole); done {
			return applied, true, err
		}
	}
	p.free(holds)
	return applied, false, err
}

// sameFirsts tells whether the lines still buy the held listings first.
func sameFirsts(held, now map[string]int) bool {
	if len(held) != len(now) {
		return false
	}
	for name, line := range held {
		if at, buys := now[name]; !buys || at != line {
			return false
		}
	}
	return true
}

// stands looks at a held listing as it is now; false where its hold is one of an
// earlier run, given back since.
func (p *preparation) stands(ctx context.Context, h *held) (*fitmentv1.Donor, bool, error) {
	donor, err := p.s.side.look(ctx, p.lines[h.Line].Need, h.Listing)
	if err != nil {
		return nil, false, err
	}
	if !h.Carried && donor.GetListing().GetHold().GetFence() > h.hold.GetFence() { // another run of this request may have extended it
		if err := p.extend(ctx, h); err != nil {
			return donor, false, unlessOver(err)
		}
	}
	return donor, p.holds(donor.GetListing(), h.hold), nil
}

// free makes listings, which are given back, be weighed again as they will be then.
func (p *preparation) free(holds []*held) {
	for _, h := range holds {
		if h.Carried {
			continue
		}
		delete(p.held, h.Listing)
		p.change(h.Listing, func(_ int, donor *fitmentv1.Donor) *fitmentv1.Donor {
			freed := proto.CloneOf(donor)
			freed.Listing.State, freed.Listing.Hold = fitmentv1.Listing_AVAILABLE, nil
			return freed
		})
	}
}

// keepHeld extends the holds and stores the quote. It is not done where the holds
// are to be given back. A caller who vanishes from here on does not stop it: a
// stored quote can be found and declined, a hold without one cannot.
func (p *preparation) keepHeld(ctx context.Context, n int, holds []*held, whole quote.Whole) (applied store.Applied, done bool, err error) {
	if err := ctx.Err(); err != nil {
		return applied, false, status.FromContextError(err).Err()
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Duration(applyTries+len(holds))*p.s.side.timeout)
	defer cancel()
	if err := p.announce(ctx, holds); err != nil {
		return applied, false, err
	}
	for _, h := range holds {
		if err := p.extend(ctx, h); err != nil {
			return applied, false, cmp.Or(unlessOver(err), p.uncarry(ctx, h, nil))
		}
	}
	applied, err = p.keep(ctx, n, whole, holds)
	switch {
	case err == nil || status.Code(err) == codes.Unavailable:
		return applied, true, err // stored, or not known: the holds stay
	case errors.Is(err, errEnded):
		return applied, false, nil // another run of this request gave a hold back
	}
	return applied, false, err
}

// extend makes the hold last as long as the quote, once for all runs of the
// request. An answer that is lost is asked for again.
func (p *preparation) extend(ctx context.Context, h *held) error {
	if (h.minutes <= briefly && !h.Carried) || h.extended || (h.Carried && p.extendedBy[h.Listing] == p.extension(h)) {
		return nil
	}
	return p.s.side.insist(func() error {
		hold, err := p.s.side.hold(ctx, p.tenant, h.Listing, h.minutes, h.hold.GetFence(), p.extension(h))
		if err == nil {
			h.hold, h.extended = hold, true
		}
		return err
	})
}

// extension is the request id of extending a hold.
func (p *preparation) extension(h *held) string {
	return p.write.step(fmt.Sprint("extend ", h.n, " ", h.Listing)).requestID
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
	return listing.GetState() == fitmentv1.Listing_HELD && listing.GetHold().GetHolder() == p.tenant &&
		listing.GetHold().GetFence() == hold.GetFence() && hold.GetExpireTime().AsTime().After(p.s.now())
}

// replace puts a listing as it is now in the place of what was gathered: with its
// decision in the line that it was decided for. Other lines, whose needs are others,
// keep their own decision.
func (p *preparation) replace(line int, donor *fitmentv1.Donor) {
	found := false
	p.change(donor.GetListing().GetName(), func(at int, old *fitmentv1.Donor) *fitmentv1.Donor {
		if at == line {
			found = true
			return donor
		}
		return &fitmentv1.Donor{Listing: donor.GetListing(), Decision: old.GetDecision()}
	})
	if !found {
		p.lines[line].Donors = append(p.lines[line].Donors, donor)
	}
}

// change replaces what was gathered of a listing in every line.
func (p *preparation) change(listing string, to func(line int, donor *fitmentv1.Donor) *fitmentv1.Donor) {
	for line, in := range p.lines {
		for i, donor := range in.Donors {
			if donor.GetListing().GetName() == listing {
				in.Donors[i] = to(line, donor)
			}
		}
	}
}

// giveBack releases a hold that no quote will use. Another run of the same
// request may be about to store its quote on it, or have done so: ending the
// claim first settles which. A hold that cannot be released ends by itself. What
// was carried belongs to the version before.
func (p *preparation) giveBack(ctx context.Context, h *held) {
	if h.Carried {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), p.s.side.timeout)
	defer cancel()
	if p.drop(ctx, h.n, h.Listing) {
		p.s.releaseQuietly(ctx, h.Listing, h.hold.GetFence(), p.write.step(fmt.Sprint("release ", h.n, " ", h.Listing, " ", h.hold.GetFence())).requestID)
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
