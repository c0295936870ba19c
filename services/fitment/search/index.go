// Package search keeps an index of everything that is on sale, and the
// catalogue beside it, in memory: built from the store at start and kept
// current by the store's feed of changes. Donor searches run on it.
//
// A listing is found by a part number that it states, or by its donor's make
// and model together with kind and position. Nothing else of the stock is
// looked at, so a search costs what its matches cost, however large the stock.
package search

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/basis"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

const (
	// batch is how many changes are read from the store at once.
	batch = 1024
	// patience is how long a reader that states no deadline waits for a place.
	patience = 2 * time.Second
	// retryAfter is how long Run waits after the store failed, and how long a
	// caller is asked to wait while the index is behind.
	retryAfter = 200 * time.Millisecond
)

// Index answers donor searches. Its methods may be called concurrently.
type Index struct {
	store  store.Store
	policy rules.Policy
	facts  *basis.Source // of the policy
	log    *slog.Logger

	// pulling has room for one: whoever has put into it reads the feed, and
	// only he touches cursor.
	pulling chan struct{}
	cursor  int64

	// others take the records of kinds that the index does not keep itself.
	others map[string]func(store.Record)
	// told are given each listing that has changed.
	told func(name string, l *fitmentv1.Listing)

	// memory holds what searches made of listings.
	memory *memory

	mu       sync.RWMutex
	postings postings
	// shelf is the catalogue; whoever pulls may put another in its place.
	shelf *shelf
	// place is how far the store's changes are all here; its epoch is empty
	// until the index is built.
	place store.Place
}

// New makes an index that is empty until Run, CatchUp or Fresh reads the store.
func New(st store.Store, policy rules.Policy, log *slog.Logger) *Index {
	return &Index{
		store: st, policy: policy, facts: basis.From(policy), log: log, pulling: make(chan struct{}, 1),
		memory: newMemory(), postings: newPostings(), shelf: newShelf(),
	}
}

// Hand has the records of a kind, which is none that the index keeps itself, given
// to take as they come out of the store's feed: what the index is said to hold has
// then been given to take too. It is for the time before the index is used. Take
// must not keep its caller waiting, since searches wait meanwhile.
func (x *Index) Hand(kind string, take func(store.Record)) {
	if x.others == nil {
		x.others = map[string]func(store.Record){}
	}
	x.others[kind] = take
}

// Tell has each listing as it comes out of the store's feed told to somebody, who
// must neither change it nor keep searches waiting. It is for the time before the
// index is used.
func (x *Index) Tell(told func(name string, l *fitmentv1.Listing)) { x.told = told }

// Size is how many listings are found: those on sale, held or not.
func (x *Index) Size() int {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return len(x.postings.all)
}

// Run keeps the index current until the context ends; it then returns nil. It
// returns an error only where the store is closed or has stopped for good. Where the store fails
// otherwise it says so in the log and tries again.
func (x *Index) Run(ctx context.Context) error {
	for ctx.Err() == nil {
		err := x.CatchUp(ctx, x.Place().Version+1)
		switch {
		case err == nil, ctx.Err() != nil:
		case errors.Is(err, store.ErrClosed), errors.Is(err, store.ErrBroken):
			return fmt.Errorf("keep the index current: %w", err)
		default:
			x.log.ErrorContext(ctx, "the index cannot read the store", "error", err)
			pause(ctx, retryAfter)
		}
	}
	return nil
}

// Place is how far the store's changes are all in the index; the zero Place
// before it is built.
func (x *Index) Place() store.Place {
	x.mu.RLock()
	defer x.mu.RUnlock()
	return x.place
}

// Fresh returns once everything that the store had acknowledged when it was
// called is in the index, so that no answer stands on less than that.
func (x *Index) Fresh(ctx context.Context) error {
	place, err := x.store.Place(ctx)
	if err != nil {
		return fmt.Errorf("read the store's place: %w", err)
	}
	return x.CatchUp(ctx, place.Version)
}

// CatchUp returns once every change up to the version is in the index, waiting
// for one that has not happened yet, or with the context's error.
func (x *Index) CatchUp(ctx context.Context, version int64) error {
	for {
		place := x.Place()
		if place.Epoch != "" && place.Version >= version {
			return nil
		}
		if place.Epoch != "" {
			if err := x.store.Wait(ctx, place.Version); err != nil {
				return fmt.Errorf("wait for the store: %w", err)
			}
		}
		if err := x.pull(ctx); err != nil {
			return err
		}
	}
}

// Await is CatchUp for a place that a caller demands: it waits until a little
// before the caller's deadline, then answers UNAVAILABLE with NOT_READY. A place
// of another store is INVALID_ARGUMENT with REVISION_INVALID.
func (x *Index) Await(ctx context.Context, want store.Place) error {
	if err := x.Fresh(ctx); err != nil {
		return err
	}
	if have := x.Place(); want.Epoch != have.Epoch {
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_REVISION_INVALID,
			"min_revision: of another store or of one since restored; expected the revision of a write's answer")
	}
	limited, cancel := shaved(ctx)
	defer cancel()
	err := x.CatchUp(limited, want.Version)
	if err != nil && limited.Err() != nil {
		return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, retryAfter,
			"min_revision: this server has not seen that change yet")
	}
	return err
}

// shaved leaves a tenth of the time that is left for the answer.
func shaved(ctx context.Context) (context.Context, context.CancelFunc) {
	deadline, ok := ctx.Deadline()
	if !ok {
		return context.WithTimeout(ctx, patience)
	}
	left := time.Until(deadline)
	return context.WithTimeout(ctx, left-left/10)
}

// pull reads the feed to its end.
func (x *Index) pull(ctx context.Context) error {
	select {
	case x.pulling <- struct{}{}:
		defer func() { <-x.pulling }()
	case <-ctx.Done():
		return fmt.Errorf("wait for the index: %w", ctx.Err())
	}
	for {
		// Whatever the store holds when it has nothing above the cursor is here.
		// The place is read before asking for more, so that it is never newer than
		// the answer. An answer of any length but none says nothing: the store may
		// end it where it likes, and a record that was changed again meanwhile
		// stands at the end of the feed.
		place, err := x.store.Place(ctx)
		if err != nil {
			return fmt.Errorf("read the store's place: %w", err)
		}
		records, err := x.store.Changes(ctx, x.cursor, batch)
		if err != nil {
			return fmt.Errorf("read the store's changes: %w", err)
		}
		if len(records) == 0 {
			x.settle(place)
			return nil
		}
		changes, err := x.decode(ctx, records)
		if err != nil {
			return err
		}
		if err := x.take(changes); err != nil {
			return err
		}
	}
}

// change is one decoded record.
type change struct {
	key     store.Key
	version int64
	message proto.Message
	// give hands a record of another kind to who takes them; nil for all others.
	give func()
}

// ofCatalogue tells whether the change is one of the catalogue.
func (c change) ofCatalogue() bool {
	_, isListing := c.message.(*fitmentv1.Listing)
	return c.message != nil && !isListing
}

// decode reads records. A listing that cannot be read is not offered to
// anybody; a catalogue record that cannot be read might be a recall notice, so
// it stops the index.
func (x *Index) decode(ctx context.Context, records []store.Record) ([]change, error) {
	changes := make([]change, 0, len(records))
	for _, record := range records {
		c := change{key: record.Key, version: record.Version}
		var err error
		switch record.Key.Kind {
		case listing.Kind:
			c.message = x.offered(ctx, record)
		case catalogue.KindPart:
			c.message, err = unmarshal(record, &fitmentv1.Part{})
		case catalogue.KindSupersession:
			c.message, err = unmarshal(record, &fitmentv1.Supersession{})
		case catalogue.KindRecall:
			c.message, err = unmarshal(record, &fitmentv1.Recall{})
		case catalogue.KindVehicleData:
			c.message, err = unmarshal(record, &fitmentv1.VehicleData{})
		default:
			if take, wanted := x.others[record.Key.Kind]; wanted {
				c.give = func() { take(record) }
			}
		}
		if err != nil {
			return nil, err
		}
		changes = append(changes, c)
	}
	return changes, nil
}

// offered reads a listing as it may be offered: one that cannot be read is withdrawn.
// What a part cost its yard is left out, since no search goes by it and no answer of
// one may show it.
func (x *Index) offered(ctx context.Context, record store.Record) *fitmentv1.Listing {
	l, err := listing.Decode(record.Value)
	if err != nil {
		x.log.ErrorContext(ctx, "a stored listing cannot be read and is not offered", "key", record.Key, "error", err)
		return &fitmentv1.Listing{State: fitmentv1.Listing_WITHDRAWN}
	}
	l.CostNote = nil
	return l
}

func unmarshal(record store.Record, into proto.Message) (proto.Message, error) {
	if err := proto.Unmarshal(record.Value, into); err != nil {
		return nil, fmt.Errorf("decode stored %s %s: %w", record.Key.Kind, record.Key.ID, err)
	}
	return into, nil
}

// take puts decoded changes into the index, up to the first that it refuses.
func (x *Index) take(changes []change) error {
	next := x.shelf
	if slices.ContainsFunc(changes, change.ofCatalogue) && next.readers.Load() > 0 {
		next = next.clone()
	}
	x.mu.Lock()
	defer x.mu.Unlock()
	if next == x.shelf && slices.ContainsFunc(changes, change.ofCatalogue) && next.readers.Load() > 0 {
		next = next.clone() // a search began between looking and locking
	}
	x.shelf = next
	for _, c := range changes {
		if l, ok := c.message.(*fitmentv1.Listing); ok {
			name := listing.Name(c.key.Tenant, c.key.ID)
			x.postings.put(name, c.version, l)
			if x.told != nil {
				x.told(name, l)
			}
		} else if err := x.shelf.put(c.message, c.version); err != nil {
			return fmt.Errorf("index %s %s: %w", c.key.Kind, c.key.ID, err)
		}
		if c.give != nil {
			c.give()
		}
		x.cursor = c.version
	}
	return nil
}

// settle notes that everything up to a place is here.
func (x *Index) settle(place store.Place) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.place = store.Place{Epoch: place.Epoch, Version: max(place.Version, x.cursor)}
}

func pause(ctx context.Context, d time.Duration) {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
	}
}
