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
	// Size is how many donors are wanted at most; at least 1.
	Size int
	// Now is the time at which holds are looked at, and whose day (UTC) is the
	// day of the decision.
	Now time.Time
	// After is the cursor of the page before; nil for the first page.
	After *Cursor
}

// Cursor is the place of a donor in the order of one search, and what the
// search stands on. A donor's place depends on nothing but itself and that, so
// going on after a place neither misses nor repeats a donor that stayed as it
// was, whatever happened to the others.
type Cursor struct {
	Rank     int     `json:"rank"`
	Minutes  float64 `json:"minutes"`
	Currency string  `json:"currency"`
	Price    int64   `json:"price"`
	Name     string  `json:"name"`
	// Epoch and Catalogue are the store and the version of its catalogue; Day is
	// the day of the decisions, YYYY-MM-DD.
	Epoch     string `json:"epoch"`
	Catalogue int64  `json:"catalogue"`
	Day       string `json:"day"`
}

// compare orders donors: by rank, then the work it takes to prove them, then
// price, then name. Amounts of different currencies do not compare, so a
// currency's donors stand together.
func (c Cursor) compare(other Cursor) int {
	return cmp.Or(cmp.Compare(c.Rank, other.Rank), cmp.Compare(c.Minutes, other.Minutes),
		strings.Compare(c.Currency, other.Currency), cmp.Compare(c.Price, other.Price), strings.Compare(c.Name, other.Name))
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
	// Judged is how many of them were decided.
	Judged int
}

// ranks is the order of verdicts; from unsuitable on only where asked for.
var ranks = map[fitmentv1.Decision_Verdict]int{
	fitmentv1.Decision_FITS: 0, fitmentv1.Decision_PROVE_FIRST: 1,
	fitmentv1.Decision_DOES_NOT_FIT: unsuitable, fitmentv1.Decision_BARRED: 3,
}

const unsuitable = 2

// candidate is a judged entry with its place.
type candidate struct {
	entry *entry
	at    Cursor
	// decision is nil until something of it beyond the verdict is needed.
	decision *fitmentv1.Decision
}

// Find returns a page of the donors for a need. It answers from what the index
// holds; Fresh or Await before it says how new that is. Errors: ErrStartAgain,
// the context's.
func (x *Index) Find(ctx context.Context, q Query) (Page, error) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	base := Cursor{Epoch: x.place.Epoch, Catalogue: x.partsAt, Day: dayOf(q.Now)}
	if q.After != nil {
		if q.After.Epoch != base.Epoch || q.After.Catalogue != base.Catalogue || !pinnable(q.After.Day, q.Now) {
			return Page{}, ErrStartAgain
		}
		base.Day = q.After.Day
	}
	today, err := time.Parse(time.DateOnly, base.Day)
	if err != nil {
		return Page{}, ErrStartAgain
	}
	question := rules.For(q.Need, x.parts, x.policy, today)
	page := Page{Place: x.place, Day: base.Day}
	candidates, err := x.judge(ctx, question, q, base, &page.Stats)
	if err != nil {
		return Page{}, err
	}
	if len(candidates) > q.Size {
		candidates = candidates[:q.Size]
		next := candidates[q.Size-1].at
		page.Next = &next
	}
	for _, c := range candidates {
		if c.decision == nil {
			c.decision = question.Decide(c.entry.listing)
		}
		page.Donors = append(page.Donors, Found{Listing: c.entry.listing, Version: c.entry.version, Decision: c.decision})
	}
	return page, nil
}

// judge decides the candidates after the query's cursor and puts them in order.
func (x *Index) judge(ctx context.Context, question *rules.Question, q Query, base Cursor, stats *Stats) ([]candidate, error) {
	entries := x.candidates(q.Need)
	stats.Touched = len(entries)
	found := make([]candidate, 0, len(entries))
	for _, e := range entries {
		if err := ctx.Err(); err != nil {
			return nil, fmt.Errorf("decide %d donors: %w", len(entries), err)
		}
		if listing.StateAt(e.listing, q.Now) == fitmentv1.Listing_HELD && !listing.HeldBy(e.listing, q.Tenant, q.Now) {
			continue
		}
		stats.Judged++
		c := place(question, e, base)
		if (c.at.Rank < unsuitable || q.Unsuitable) && (q.After == nil || q.After.compare(c.at) < 0) {
			found = append(found, c)
		}
	}
	slices.SortFunc(found, func(a, b candidate) int { return a.at.compare(b.at) })
	return found, nil
}

// place decides an entry as far as its place in the order needs: the verdict,
// and for what is to be proven first the expected work, which takes a whole
// decision.
func place(question *rules.Question, e *entry, base Cursor) candidate {
	c := candidate{entry: e, at: base}
	c.at.Currency, c.at.Price, c.at.Name = e.listing.GetCurrencyCode(), e.listing.GetPrice(), e.name
	verdict := question.Judge(e.listing)
	c.at.Rank = ranks[verdict]
	if verdict == fitmentv1.Decision_PROVE_FIRST {
		c.decision = question.Decide(e.listing)
		c.at.Minutes = c.decision.GetExpectedMinutes()
	}
	return c
}

// candidates lists, each once, the entries that state a number which is right
// for the need or may be, and those that come from its model, kind and position.
func (x *Index) candidates(need *fitmentv1.Need) []*entry {
	var found []*entry
	known := map[*entry]struct{}{}
	add := func(entries []*entry) {
		for _, e := range entries {
			if _, again := known[e]; !again {
				known[e] = struct{}{}
				found = append(found, e)
			}
		}
	}
	for _, number := range x.numbersFor(need) {
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

// numbersFor lists the keys of the part numbers that a right part may bear: the
// catalogue's for the vehicle, the one on the part to be replaced, and what
// replaces that in one step.
func (x *Index) numbersFor(need *fitmentv1.Need) []string {
	var keys []string
	for _, match := range x.parts.Right(need) {
		if key, err := catalogue.NumberKey(match.Part.GetNumber()); err == nil {
			keys = append(keys, key)
		}
	}
	if key, err := catalogue.NumberKey(need.GetPartNumber()); err == nil {
		keys = append(keys, key)
		keys = append(keys, x.replacedBy[key]...)
	}
	slices.Sort(keys)
	return slices.Compact(keys)
}

// Standing is what a single decision stood on.
type Standing struct {
	// Catalogue is the store and the version of the catalogue.
	Catalogue store.Place
	// Day is the day of the decision, YYYY-MM-DD.
	Day string
}

// Decide decides one listing by the catalogue that the index holds.
func (x *Index) Decide(need *fitmentv1.Need, l *fitmentv1.Listing, now time.Time) (*fitmentv1.Decision, Standing) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return rules.Decide(need, l, x.parts, x.policy, midnight(now)), x.standing(now)
}

// Parts lists the parts for a need by the catalogue that the index holds.
func (x *Index) Parts(need *fitmentv1.Need, now time.Time) ([]*fitmentv1.PartMatch, Standing) {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return rules.Parts(need, x.parts, x.policy, midnight(now)), x.standing(now)
}

func (x *Index) standing(now time.Time) Standing {
	return Standing{Catalogue: store.Place{Epoch: x.place.Epoch, Version: x.partsAt}, Day: dayOf(now)}
}

func dayOf(now time.Time) string { return now.UTC().Format(time.DateOnly) }

func midnight(now time.Time) time.Time { return now.UTC().Truncate(24 * time.Hour) }

// pinnable tells whether a page may still stand on the day of the first: today
// or yesterday, so that paging over midnight goes on, but no token makes an old
// set of recall notices recent again.
func pinnable(day string, now time.Time) bool {
	return day == dayOf(now) || day == dayOf(now.AddDate(0, 0, -1))
}
