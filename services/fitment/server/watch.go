package server

import (
	"cmp"
	"context"
	"errors"
	"sync"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/search"
	"beltwright.example/services/fitment/watch"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
)

const (
	// DefaultMaxWatches is how many watches one business may have open at a time
	// where nothing is set (a choice of this project, no source).
	DefaultMaxWatches = 64
	// DefaultWatchPulse is how long a watch is silent at most where nothing is set:
	// often enough for proxies that cut silent connections after half a minute.
	DefaultWatchPulse = 15 * time.Second
	// gather is how long changes of the store are gathered before a watch looks
	// again, so that an import does not make it look at every row.
	gather = 100 * time.Millisecond
	// farewell is how long before its deadline a stream ends by itself, so that its
	// reader sees an orderly end and takes it up again.
	farewell = 250 * time.Millisecond
)

// WatchDonors sends the listings that suit a saved need of the caller's, and what
// becomes of them.
//
// A revision holds everything that its reader was sent; see package watch. What
// suits now is compared with it when the watch begins, whenever the store has
// changed, when a hold runs out and from time to time (the day may have changed):
// NEW is sent for what the reader does not have, or has with another verdict, and
// GONE for what no longer suits or may no longer be had, as one that another
// business holds. Each first look ends with NOTHING, so that the reader knows that
// it has all there is. A need that more listings suit than a watch can follow is
// refused with LIMIT_REACHED.
//
// The stream ends in good order when the server stops, and shortly before its
// deadline; the reader takes it up again with the last revision.
func (s *Server) WatchDonors(req *fitmentv1.WatchDonorsRequest, stream grpc.ServerStreamingServer[fitmentv1.WatchDonorsResponse]) error {
	p, err := s.visitor(stream.Context(), func(fields *check.Fields) { requireOwn(req.GetName(), needPrefix, fields) })
	if err != nil {
		return err
	}
	return s.attend(stream.Context(), p.Tenant, func(ctx context.Context) error { return s.watchDonors(ctx, p, req, stream.Send) })
}

// attend runs one of a business's watches. It ends in good order when the server
// stops, and shortly before the stream's deadline.
func (s *Server) attend(stream context.Context, tenant string, watch func(ctx context.Context) error) error {
	leave, err := s.watches.enter(tenant)
	if err != nil {
		return err
	}
	defer leave()
	ctx, cancel := s.lasting(stream)
	defer cancel()
	if deadline, ok := ctx.Deadline(); ok {
		ctx, cancel = context.WithDeadline(ctx, deadline.Add(-farewell))
		defer cancel()
	}
	err = watch(ctx)
	if ctx.Err() != nil && stream.Err() == nil {
		return nil
	}
	return edge(err)
}

func (s *Server) watchDonors(ctx context.Context, p identity.Principal, req *fitmentv1.WatchDonorsRequest, send func(*fitmentv1.WatchDonorsResponse) error) error {
	w := donorWatch{server: s, caller: p, name: req.GetName(), send: send}
	if err := w.open(ctx, req); err != nil {
		return err
	}
	for first := true; ; first = false {
		pause, err := w.look(ctx)
		if err != nil {
			return err
		}
		if now := time.Now(); first || now.Sub(w.spoke) >= s.watchPulse {
			if err := w.say(&fitmentv1.WatchDonorsResponse{Change: fitmentv1.WatchDonorsResponse_NOTHING}); err != nil {
				return err
			}
		}
		if err := s.stirred(ctx, w.state.Place.Version, pause); err != nil {
			return err
		}
	}
}

// donorWatch is one watch that is under way.
type donorWatch struct {
	server   *Server
	caller   identity.Principal
	name     string
	send     func(*fitmentv1.WatchDonorsResponse) error
	follower *search.Follower
	mark     watch.Mark
	state    *watch.State
	spoke    time.Time // when something was sent last, by the process's clock
}

// open reads the need and the revision.
func (w *donorWatch) open(ctx context.Context, req *fitmentv1.WatchDonorsRequest) error {
	record, err := w.server.own(ctx, w.caller.Tenant, kindNeed, needPrefix, w.name)
	if err != nil {
		return err
	}
	saved, err := decodeNeed(record)
	if err != nil {
		return err
	}
	if w.mark, err = watch.MarkOf(w.caller.Tenant, w.name, saved.GetNeed()); err != nil {
		return err
	}
	if w.state, err = watch.Decode(w.mark, req.GetRevision()); err != nil {
		return apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_REVISION_INVALID,
			"revision: not one of a watch of this need; expected the revision of the last answer received, or nothing to start anew")
	}
	w.follower = w.server.index.Follow(saved.GetNeed(), w.caller.Tenant, req.GetIncludeProveFirst(), watch.MaxListings)
	return nil
}

// look compares what suits now with what the reader has, and sends the difference.
// It returns after how long to look again where the store does not change.
func (w *donorWatch) look(ctx context.Context) (time.Duration, error) {
	if _, err := w.server.own(ctx, w.caller.Tenant, kindNeed, needPrefix, w.name); err != nil {
		return 0, err // as where it was deleted
	}
	if err := w.server.index.Fresh(ctx); err != nil {
		return 0, err
	}
	now, err := w.server.store.Now(ctx)
	if err != nil {
		return 0, err
	}
	glance, err := w.follower.Look(ctx, now, w.state.Knows)
	if errors.Is(err, search.ErrTooMany) {
		return 0, tooMany()
	}
	if err != nil {
		return 0, err
	}
	w.state.Place = glance.Place
	if err := w.tell(glance, now); err != nil {
		return 0, err
	}
	pause := w.server.watchPulse
	if !glance.Until.IsZero() {
		pause = min(pause, max(glance.Until.Sub(now), gather))
	}
	return pause, nil
}

// tell sends what is gone, then what is new.
func (w *donorWatch) tell(glance search.Glance, now time.Time) error {
	gone := w.state.Gone(func(name string) bool { return glance.Find(name) != nil })
	for _, name := range gone {
		w.state.Drop(name)
		err := w.say(&fitmentv1.WatchDonorsResponse{
			Change: fitmentv1.WatchDonorsResponse_GONE, Donor: &fitmentv1.Donor{Listing: &fitmentv1.Listing{Name: name}},
		})
		if err != nil {
			return err
		}
	}
	for _, suit := range glance.Suits {
		if suit.Found == nil {
			continue
		}
		w.state.Add(suit.Name, suit.Verdict)
		l := suit.Found.Listing
		err := w.say(&fitmentv1.WatchDonorsResponse{Change: fitmentv1.WatchDonorsResponse_NEW, Donor: &fitmentv1.Donor{
			Listing: seen(l, suit.Found.Version, w.caller, now), Decision: listing.MaskDecision(suit.Found.Decision, l, w.caller, now),
		}})
		if err != nil {
			return err
		}
	}
	return nil
}

// say sends one message with the revision that holds it.
func (w *donorWatch) say(m *fitmentv1.WatchDonorsResponse) error {
	token, err := watch.Encode(w.mark, w.state)
	if errors.Is(err, watch.ErrTooMany) {
		return tooMany()
	}
	if err != nil {
		return err
	}
	m.Revision = token
	w.spoke = time.Now()
	return w.send(m)
}

func tooMany() error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
		"more listings suit this need than a watch can follow (%d); make the need narrower, as by the number on the old part, or page through them with FindDonors", watch.MaxListings)
}

// stirred returns when the store has changed after a version, when the time has
// passed, or with the context's error.
func (s *Server) stirred(ctx context.Context, after int64, pause time.Duration) error {
	limited, cancel := context.WithTimeout(ctx, pause)
	defer cancel()
	err := s.store.Wait(limited, after)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case limited.Err() != nil:
		return nil
	case err != nil:
		return err
	}
	timer := time.NewTimer(gather)
	defer timer.Stop()
	select {
	case <-timer.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// counts bound how many calls of one kind each business may have open.
type counts struct {
	most int
	what string

	mu   sync.Mutex
	open map[string]int
}

func newCounts(most, preset int, what string) *counts {
	return &counts{most: cmp.Or(most, preset), what: what, open: map[string]int{}}
}

// enter counts one more and returns what ends it; LIMIT_REACHED where the business
// has as many as it may.
func (c *counts) enter(tenant string) (leave func(), err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.open[tenant] >= c.most {
		return nil, apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"your business has %d %s open, the most that one may; end one first", c.most, c.what)
	}
	c.open[tenant]++
	return func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if c.open[tenant]--; c.open[tenant] == 0 {
			delete(c.open, tenant)
		}
	}, nil
}
