package search

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/store"
)

// ErrTooMany is the answer where more listings suit a need than are followed.
var ErrTooMany = errors.New("search: more listings suit the need than can be followed")

// Follower looks at what suits one need, again and again, at the cost of what has
// changed since it looked before. It is for one user at a time.
type Follower struct {
	index    *Index
	need     *fitmentv1.Need
	tenant   string
	unproven bool
	limit    int

	base   Cursor
	judged map[*fitmentv1.Listing]fitmentv1.Decision_Verdict
}

// Follow makes a follower of the listings that fit the need and may be had by the
// tenant: on sale, and held by nobody else. Where unproven is set, those that are
// to be proven first suit too. It follows at most limit listings.
func (x *Index) Follow(need *fitmentv1.Need, tenant string, unproven bool, limit int) *Follower {
	return &Follower{index: x, need: need, tenant: tenant, unproven: unproven, limit: limit}
}

// Suit is a listing that suits.
type Suit struct {
	// Name is the listing's and Verdict the decision's.
	Name    string
	Verdict fitmentv1.Decision_Verdict
	// Found has the listing and the decision, where they were asked for.
	Found *Found
}

// Glance is what a Follower saw.
type Glance struct {
	// Suits are in order of name.
	Suits []Suit
	// Place is how far the store's changes were all in the index.
	Place store.Place
	// Until is when the next hold of somebody else's on a listing for the need
	// runs out, so that there may be more without any change of the store; zero
	// where there is none.
	Until time.Time
}

// Look returns what suits now by what the index holds; Fresh before it says how
// new that is. Where known says no to a listing's name and verdict, the decision
// comes with it. Errors: ErrTooMany, the context's.
func (f *Follower) Look(ctx context.Context, now time.Time, known func(name string, verdict fitmentv1.Decision_Verdict) bool) (Glance, error) {
	sight := f.index.look(f.need)
	defer sight.done()
	base, today, err := Query{Now: now}.base(sight)
	if err != nil {
		return Glance{}, err
	}
	if base != f.base {
		f.base, f.judged = base, nil
	}
	question := rules.For(f.need, sight.shelf.Catalogue, f.index.policy, today)
	glance := Glance{Place: sight.place}
	judged := make(map[*fitmentv1.Listing]fitmentv1.Decision_Verdict, len(sight.offers))
	for _, o := range sight.offers {
		if err := ctx.Err(); err != nil {
			return Glance{}, fmt.Errorf("judge %d listings: %w", len(sight.offers), err)
		}
		verdict, before := f.judged[o.listing]
		if !before {
			verdict = question.Judge(o.listing)
		}
		judged[o.listing] = verdict
		f.consider(&glance, o, verdict, now)
	}
	f.judged = judged
	if len(glance.Suits) > f.limit {
		return Glance{}, fmt.Errorf("%w: %d, at most %d", ErrTooMany, len(glance.Suits), f.limit)
	}
	slices.SortFunc(glance.Suits, func(a, b Suit) int { return strings.Compare(a.Name, b.Name) })
	return glance, f.decide(ctx, question, sight.shelf, glance.Suits, known)
}

// consider adds an offer that suits, or notes when it may.
func (f *Follower) consider(glance *Glance, o offer, verdict fitmentv1.Decision_Verdict, now time.Time) {
	switch {
	case verdict != fitmentv1.Decision_FITS && (!f.unproven || verdict != fitmentv1.Decision_PROVE_FIRST):
	case listing.StateAt(o.listing, now) == fitmentv1.Listing_HELD && !listing.HeldBy(o.listing, f.tenant, now):
		ends := o.listing.GetHold().GetExpireTime().AsTime()
		if glance.Until.IsZero() || ends.Before(glance.Until) {
			glance.Until = ends
		}
	default:
		glance.Suits = append(glance.Suits, Suit{
			Name: o.name, Verdict: verdict, Found: &Found{Listing: o.listing, Version: o.version},
		})
	}
}

// decide completes those that are not known, and takes the listing from the others.
func (f *Follower) decide(ctx context.Context, question *rules.Question, on *shelf, suits []Suit, known func(string, fitmentv1.Decision_Verdict) bool) error {
	for i := range suits {
		one := &suits[i]
		if known(one.Name, one.Verdict) {
			one.Found = nil
			continue
		}
		if err := ctx.Err(); err != nil {
			return fmt.Errorf("decide %d listings: %w", len(suits), err)
		}
		decision, err := f.index.decide(question, f.need, one.Found.Listing, on)
		if err != nil {
			return err
		}
		one.Found.Decision = decision
	}
	return nil
}

// Find returns the suit of a name; nil where it is not among them.
func (g Glance) Find(name string) *Suit {
	at, ok := slices.BinarySearchFunc(g.Suits, name, func(s Suit, name string) int { return cmp.Compare(s.Name, name) })
	if !ok {
		return nil
	}
	return &g.Suits[at]
}
