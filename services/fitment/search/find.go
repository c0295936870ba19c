package search

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/basis"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/names"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/store"
)

// ErrStartAgain is the answer where what the pages before stood on (catalogue,
// day or store) is no longer what a next page would stand on.
var ErrStartAgain = errors.New("search: the catalogue or the day has changed since the first page")

// Query is one donor search.
type Query struct {
	// Need is what is looked for.
	Need *fitmentv1.Need
	// Tenant is who looks: what others hold is left out, what he holds stays.
	Tenant string
	// Unsuitable also finds what does not fit or is barred.
	Unsuitable bool
	// Size is how many donors are wanted at most; at least 1. A page that would grow
	// too large holds fewer.
	Size int
	// Now is the time at which holds are looked at, and whose day (UTC) is the
	// day of the decision.
	Now time.Time
	// After is the cursor of the page before; nil for the first page.
	After *Cursor
}

// Found is a listing with its decision, unmasked.
type Found struct {
	// Listing is the stored listing; it must not be changed.
	Listing *fitmentv1.Listing
	// Version is the record's.
	Version int64
	// Decision shares its evidence with the listing; it must not be changed.
	Decision *fitmentv1.Decision
}

// Page is a page of donors.
type Page struct {
	// Donors are in order.
	Donors []Found
	// Next is where the next page starts; nil at the end.
	Next *Cursor
	// Place and Day are what the answer stood on.
	Place store.Place
	Day   string
	// Stats say what the search cost.
	Stats Stats
}

// Stats say what a search cost.
type Stats struct {
	// Touched is how many listings were looked at.
	Touched int
	// Judged is how many of them were decided now; the others were before, for
	// another page of the same search or another caller.
	Judged int
}

// ranks is the order of verdicts; from unsuitable on only where asked for.
var ranks = map[fitmentv1.Decision_Verdict]int{
	fitmentv1.Decision_FITS: 0, fitmentv1.Decision_PROVE_FIRST: 1,
	fitmentv1.Decision_DOES_NOT_FIT: unsuitable, fitmentv1.Decision_BARRED: 3,
}

const unsuitable = 2

// pageBytes is what the donors of a page come to at most, unless it is a single one:
// well below what a server sends in one answer (16 MiB).
const pageBytes = 8 << 20

// Find returns a page of the donors for a need. It answers from what the index
// holds; Fresh or Await before it says how new that is. What it looks at it
// takes all at once; it decides without keeping anybody waiting, however many
// donors there are. Errors: ErrStartAgain, the context's.
func (x *Index) Find(ctx context.Context, q Query) (Page, error) {
	sight := x.look(q.Need)
	defer sight.done()
	base, today, err := q.base(sight)
	if err != nil {
		return Page{}, err
	}
	question := rules.For(q.Need, sight.shelf.Catalogue, x.policy, today)
	page := Page{Place: sight.place, Day: base.Day}
	found, err := x.rank(ctx, question, q, base, sight.offers, &page.Stats)
	if err != nil {
		return Page{}, err
	}
	if len(found) > q.Size {
		found = found[:q.Size]
		next := found[q.Size-1].at
		page.Next = &next
	}
	room := pageBytes
	for i, c := range found {
		if err := ctx.Err(); err != nil {
			return Page{}, fmt.Errorf("decide %d donors: %w", len(found), err)
		}
		decision, err := x.decide(question, q.Need, c.offer.listing, sight.shelf)
		if err != nil {
			return Page{}, err
		}
		if room -= proto.Size(decision) + proto.Size(c.offer.listing); room < 0 && i > 0 {
			page.Next = &found[i-1].at
			break
		}
		page.Donors = append(page.Donors, Found{Listing: c.offer.listing, Version: c.offer.version, Decision: decision})
	}
	return page, nil
}

// decide decides one listing of a search, and says what that stood on.
func (x *Index) decide(question *rules.Question, need *fitmentv1.Need, l *fitmentv1.Listing, on *shelf) (*fitmentv1.Decision, error) {
	decision := question.Decide(l)
	var err error
	decision.Basis.Facts, err = basis.Digest(need, l, x.facts.Facts(need, l, on.Catalogue))
	return decision, err
}

// sight is what one search looks at: the index as it was at one moment. Nothing
// in it changes until done.
type sight struct {
	shelf  *shelf
	place  store.Place
	offers []offer
}

// look takes what a search needs. It is all that a search does under the lock.
func (x *Index) look(need *fitmentv1.Need) sight {
	x.mu.RLock()
	defer x.mu.RUnlock()
	x.shelf.readers.Add(1)
	return sight{shelf: x.shelf, place: x.place, offers: x.candidates(need)}
}

func (s sight) done() { s.shelf.readers.Add(-1) }

// base is what the page stands on, with its day; ErrStartAgain where that is not
// what the page before stood on.
func (q Query) base(s sight) (Cursor, time.Time, error) {
	base := Cursor{Epoch: s.place.Epoch, Catalogue: s.shelf.at, Day: dayOf(q.Now)}
	if q.After != nil {
		if q.After.Epoch != base.Epoch || q.After.Catalogue != base.Catalogue || !pinnable(q.After.Day, q.Now) {
			return Cursor{}, time.Time{}, ErrStartAgain
		}
		base.Day = q.After.Day
	}
	today, err := time.Parse(time.DateOnly, base.Day)
	if err != nil {
		return Cursor{}, time.Time{}, ErrStartAgain
	}
	return base, today, nil
}

// rank puts the offers after the query's cursor in order and returns the first,
// one more than a page where there are so many.
func (x *Index) rank(ctx context.Context, question *rules.Question, q Query, base Cursor, offers []offer, stats *Stats) ([]candidate, error) {
	stats.Touched = len(offers)
	key, err := keyOf(q.Need, base)
	if err != nil {
		return nil, err
	}
	before, now := x.memory.recall(key), make(ranking, len(offers))
	found := best{limit: q.Size + 1}
	for _, o := range offers {
		if err := ctx.Err(); err != nil {
			maps.Copy(now, before)
			x.memory.keep(key, now) // so that asking again gets further
			return nil, fmt.Errorf("decide %d donors: %w", len(offers), err)
		}
		if listing.StateAt(o.listing, q.Now) == fitmentv1.Listing_HELD && !listing.HeldBy(o.listing, q.Tenant, q.Now) {
			continue
		}
		r, known := before[o.listing]
		if !known {
			stats.Judged++
			verdict, minutes := question.Rank(o.listing)
			r = rank{ranks[verdict], minutes}
		}
		now[o.listing] = r
		at := o.at(r, base)
		if (r.order < unsuitable || q.Unsuitable) && (q.After == nil || q.After.compare(at) < 0) {
			found.add(candidate{o, at})
		}
	}
	x.memory.keep(key, now)
	return found.ordered(), nil
}

// at is the offer's place in the order.
func (o offer) at(r rank, base Cursor) Cursor {
	at := base
	at.Rank, at.Minutes = r.order, r.minutes
	at.Currency, at.Price, at.Name = o.listing.GetCurrencyCode(), o.listing.GetPrice(), o.name
	return at
}

// candidates lists, each once, the offers that state a number which is right for
// the need or may be, and those that come from its model, kind and position.
func (x *Index) candidates(need *fitmentv1.Need) []offer {
	var found []offer
	known := map[*entry]struct{}{}
	add := func(entries []*entry) {
		for _, e := range entries {
			if _, again := known[e]; !again {
				known[e] = struct{}{}
				found = append(found, e.offer)
			}
		}
	}
	for _, number := range x.shelf.numbersFor(need) {
		add(x.postings.byNumber[number])
	}
	donor := donorKey{
		make: catalogue.Fold(need.GetVehicle().GetMake()), model: catalogue.Fold(need.GetVehicle().GetModel()), kind: need.GetKind(),
	}
	if donor.make == "" || donor.model == "" {
		return found
	}
	want := seatOf(names.NeedPosition(need))
	if names.OneOnly(need.GetKind()) {
		want = seat{}
	}
	for at, entries := range x.postings.byDonor[donor] {
		if at.compatible(want) {
			add(entries)
		}
	}
	return found
}

// Standing is what a single decision stood on.
type Standing struct {
	// Catalogue is the store and the version of the catalogue.
	Catalogue store.Place
	// Day is the day of the decision, YYYY-MM-DD.
	Day string
}

// Decided is a single decision with what it stood on.
type Decided struct {
	// Decision is unmasked and shares its evidence with the listing.
	Decision *fitmentv1.Decision
	// Facts share their records with the index; they must not be changed.
	Facts *fitmentv1.Facts
	// Standing is what to compare by.
	Standing Standing
}

// Decide decides one listing by the catalogue that the index holds, and says what
// it stood on.
func (x *Index) Decide(need *fitmentv1.Need, l *fitmentv1.Listing, now time.Time) (Decided, error) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	cat := x.shelf.Catalogue
	decided := Decided{
		Decision: rules.Decide(need, l, cat, x.policy, midnight(now)),
		Facts:    x.facts.Facts(need, l, cat), Standing: x.standing(now),
	}
	var err error
	decided.Decision.Basis.Facts, err = basis.Digest(need, l, decided.Facts)
	return decided, err
}

// Parts lists the parts for a need by the catalogue that the index holds.
func (x *Index) Parts(need *fitmentv1.Need, now time.Time) ([]*fitmentv1.PartMatch, Standing) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return rules.Parts(need, x.shelf.Catalogue, x.policy, midnight(now)), x.standing(now)
}

// Holds is how many listings, this one not counted, the tenant holds at the time.
func (x *Index) Holds(tenant, butFor string, now time.Time) int {
	x.mu.RLock()
	defer x.mu.RUnlock()
	count := 0
	for e := range x.postings.byHolder[tenant] {
		if e.name != butFor && listing.HeldBy(e.listing, tenant, now) {
			count++
		}
	}
	return count
}

func (x *Index) standing(now time.Time) Standing {
	return Standing{Catalogue: store.Place{Epoch: x.place.Epoch, Version: x.shelf.at}, Day: dayOf(now)}
}

func dayOf(now time.Time) string { return now.UTC().Format(time.DateOnly) }

func midnight(now time.Time) time.Time { return now.UTC().Truncate(24 * time.Hour) }

// pinnable tells whether a page may still stand on the day of the first: today
// or yesterday, so that paging over midnight goes on, but no token makes an old
// set of recall notices recent again.
func pinnable(day string, now time.Time) bool {
	return day == dayOf(now) || day == dayOf(now.AddDate(0, 0, -1))
}
