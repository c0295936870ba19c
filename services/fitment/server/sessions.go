package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// ListSessions pages through the sessions of a business that the caller manages:
// those under way, and those that ended not long ago.
func (s *IdentityServer) ListSessions(ctx context.Context, req *fitmentv1.ListSessionsRequest) (*fitmentv1.ListSessionsResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	business, err := managed(p, "business", req.GetBusiness())
	if err != nil {
		return nil, err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, edge(err)
	}
	answer := &fitmentv1.ListSessionsResponse{}
	found, next, err := s.pageWhere(ctx, p, req, business, sessions.Kind, func(r store.Record) (bool, error) {
		session, err := s.sessions.View(ctx, r)
		if err != nil || !sessions.Shown(session, now) {
			return false, err
		}
		answer.Sessions = append(answer.Sessions, session)
		return true, nil
	})
	if err != nil {
		return nil, edge(err)
	}
	// One more is looked at where there is a next page.
	answer.Sessions, answer.NextPageToken = answer.GetSessions()[:len(found)], next.token
	return answer, nil
}

// EndSession ends a session of a business that the caller manages. One that has ended
// stays as it is.
func (s *IdentityServer) EndSession(ctx context.Context, req *fitmentv1.EndSessionRequest) (*fitmentv1.EndSessionResponse, error) {
	p, err := administers(ctx)
	if err != nil {
		return nil, err
	}
	if err := wellFormed(func(fields *check.Fields) { requests.ID(fields, req.GetRequestId()) }); err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		session, err := s.sessionNamed(ctx, p, req.GetName())
		if err != nil {
			return nil, store.Change{}, err
		}
		puts, err := s.sessions.End(ctx, session, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		if len(puts) > 0 {
			session.EndTime = timestamppb.New(now.UTC())
		}
		answer, err := proto.Marshal(session)
		return answer, store.Change{Puts: puts}, err
	})
	if err != nil {
		return nil, err
	}
	session := &fitmentv1.Session{}
	if err := proto.Unmarshal(applied.Answer, session); err != nil {
		return nil, fmt.Errorf("a kept answer: %w", err)
	}
	at, err := s.at(ctx, applied)
	return &fitmentv1.EndSessionResponse{Session: session, Revision: at}, err
}

// sessionNamed reads the session of a resource name. One of another business does not
// exist for whoever does not manage it.
func (s *IdentityServer) sessionNamed(ctx context.Context, p identity.Principal, name string) (*fitmentv1.Session, error) {
	missing := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no such session; expected sessions/{business}.{id}")
	business, id, ok := sessions.ParseName(name)
	if !ok || business != p.Tenant && !p.Has(identity.Operator) {
		return nil, missing
	}
	session, err := s.sessions.Get(ctx, business, id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, missing
	}
	return session, err
}
