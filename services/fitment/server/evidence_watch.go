package server

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// WatchEvidenceRequests sends the requests that the caller asked or was asked, in
// the order in which they changed, and each again when it changes. A revision is
// the place of the change that came with it, so going on from one misses nothing
// and repeats nothing; of several changes that happened while nobody watched, the
// last is sent. Once all there is has been sent, and from time to time, a message
// tells the revision alone.
//
// The stream ends in good order when the server stops, and shortly before its
// deadline; the reader takes it up again with the last revision.
func (s *Server) WatchEvidenceRequests(req *fitmentv1.WatchEvidenceRequestsRequest, stream grpc.ServerStreamingServer[fitmentv1.WatchEvidenceRequestsResponse]) error {
	p, err := caller(stream.Context())
	if err != nil {
		return err
	}
	return s.attend(stream.Context(), p.Tenant, func(ctx context.Context) error {
		return s.watchInquiries(ctx, p, req.GetRevision(), stream.Send)
	})
}

func (s *Server) watchInquiries(ctx context.Context, p identity.Principal, from string, send func(*fitmentv1.WatchEvidenceRequestsResponse) error) error {
	at, err := s.startOf(ctx, from)
	if err != nil {
		return err
	}
	var spoke time.Time
	for first := true; ; first = false {
		if err := s.index.Fresh(ctx); err != nil {
			return err
		}
		place := s.index.Place() // before looking: everything up to it is found
		sent, err := s.sendInquiries(ctx, p, &at, place.Epoch, send)
		if err != nil {
			return err
		}
		if sent {
			spoke = time.Now()
		}
		at.Version = max(at.Version, place.Version)
		if first || time.Since(spoke) >= s.watchPulse {
			spoke = time.Now()
			if err := send(&fitmentv1.WatchEvidenceRequestsResponse{Revision: revision.Place(at)}); err != nil {
				return err
			}
		}
		if err := s.stirred(ctx, at.Version, s.watchPulse); err != nil {
			return err
		}
	}
}

// startOf reads where a watch goes on from.
func (s *Server) startOf(ctx context.Context, from string) (store.Place, error) {
	if err := s.index.Fresh(ctx); err != nil {
		return store.Place{}, err
	}
	have := s.index.Place()
	if from == "" {
		return store.Place{Epoch: have.Epoch}, nil
	}
	at, err := revision.Parse(from)
	if err != nil || at.Epoch != have.Epoch || at.Version > have.Version {
		return at, apierr.New(codes.InvalidArgument, fitmentv1.ErrorInfo_REVISION_INVALID,
			"revision: no place of this store to go on from; expected the revision of the last answer received, or nothing to start anew")
	}
	return at, nil
}

// sendInquiries sends what changed after a place and moves the place on.
func (s *Server) sendInquiries(
	ctx context.Context, p identity.Principal, at *store.Place, epoch string, send func(*fitmentv1.WatchEvidenceRequestsResponse) error,
) (sent bool, err error) {
	for _, i := range s.asked.since(p.Tenant, at.Version) {
		record, r, err := s.inquiry(ctx, p, i.name)
		if err != nil {
			return sent, err
		}
		if record.Version != i.version {
			continue // it has changed again: that change comes later
		}
		view, _, err := s.shown(ctx, p, r, record.Version)
		if err != nil {
			return sent, err
		}
		*at = store.Place{Epoch: epoch, Version: i.version}
		if err := send(&fitmentv1.WatchEvidenceRequestsResponse{EvidenceRequest: view, Revision: revision.Place(*at)}); err != nil {
			return sent, err
		}
		sent = true
	}
	return sent, nil
}
