package server

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// attempts is how often a write is tried again where somebody else changed the
// record between reading and writing it.
const attempts = 16

// write is one write of a listing, the same for every RPC that makes one.
type write struct {
	caller    identity.Principal
	request   proto.Message
	requestID string
	// act reads the record and decides; it returns the listing as it shall be
	// and the change that makes it so, whose first put is the listing's. It is
	// called again where a put met a conflict.
	act actFunc
	// means is what the write is to a hold, for the metrics; empty for nothing.
	means metrics.HoldEvent
}

// actFunc is one try of a write.
type actFunc = func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error)

// write runs a write once, however often it is asked for: a repeat answers with
// the listing as the write left it. It returns that as this caller may see it
// now, who need not be the one who asked first, and the revision of the write.
func (s *Server) write(ctx context.Context, w write) (*fitmentv1.Listing, string, error) {
	applied, err := s.once(ctx, w.caller, w.requestID, w.request, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		next, change, err := w.act(ctx, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		answer, err := listing.Encode(next)
		return answer, change, err
	})
	if err != nil {
		return nil, "", err
	}
	if w.means != "" && !applied.Replayed {
		s.metrics.Hold(w.means, 1)
	}
	return s.answer(ctx, w.caller, applied)
}

// answer makes the answer of a write, or of its first time. What is kept with the
// request id is the whole listing, and any key of the business may repeat the
// request, at any time: what is shown is masked afresh. Only the state stays as
// the write left it, since that is what the write did.
func (s *Server) answer(ctx context.Context, p identity.Principal, applied store.Applied) (*fitmentv1.Listing, string, error) {
	if len(applied.Versions) == 0 {
		return nil, "", errors.New("the store answered a write without its version")
	}
	version := applied.Versions[0]
	whole, err := listing.Decode(applied.Answer)
	if err != nil {
		return nil, "", err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, "", edge(err)
	}
	l := seen(whole, version, p, now)
	l.State = whole.GetState()
	at, err := s.written(ctx, version)
	return l, at, err
}

// written is the revision of a write that the caller may wait for.
func (s *Server) written(ctx context.Context, version int64) (string, error) {
	place, err := s.store.Place(ctx)
	if err != nil {
		return "", edge(err)
	}
	// Every search reads the feed to its end first; doing it here too only
	// spares the next one the work, so a failure is no failure of the write.
	if err := s.index.CatchUp(ctx, version); err != nil {
		s.log.WarnContext(ctx, "the index is behind", "version", version, "error", err)
	}
	return revision.Place(store.Place{Epoch: place.Epoch, Version: version}), nil
}
