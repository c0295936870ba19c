package server

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/inquiry"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// MaxOpenRequests is how many open evidence requests one business may have: enough
// for a busy shop, and too few to bury a yard (a choice of this project, no source).
const MaxOpenRequests = 200

// RequestEvidence asks a listing's yard for evidence.
func (s *Server) RequestEvidence(ctx context.Context, req *fitmentv1.RequestEvidenceRequest) (*fitmentv1.RequestEvidenceResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireName(req.GetListing(), "listing", fields)
		rules.ValidateNeed(req.GetNeed(), "need.", fields)
		inquiry.ValidateAsked(req.GetAttributes(), req.GetText(), fields)
		requests.ID(fields, req.GetRequestId())
	})
	if err != nil {
		return nil, err
	}
	// One at a time a business, so that each counts those before it.
	leave, err := s.asking.enter(ctx, p.Tenant)
	if err != nil {
		return nil, edge(err)
	}
	defer leave()
	r, at, err := s.inquire(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) (*fitmentv1.EvidenceRequest, store.Change, error) {
		return s.ask(ctx, p, req, now)
	})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.RequestEvidenceResponse{EvidenceRequest: r, Revision: at}, nil
}

func (s *Server) ask(ctx context.Context, p identity.Principal, req *fitmentv1.RequestEvidenceRequest, now time.Time) (*fitmentv1.EvidenceRequest, store.Change, error) {
	_, l, err := s.read(ctx, req.GetListing())
	if err != nil {
		return nil, store.Change{}, err
	}
	if err := s.index.Fresh(ctx); err != nil {
		return nil, store.Change{}, err
	}
	if s.asked.open(p.Tenant) >= MaxOpenRequests {
		return nil, store.Change{}, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"your business has %d open evidence requests, the most that one may; withdraw one, or wait for an answer", MaxOpenRequests)
	}
	decided, err := s.index.Decide(req.GetNeed(), l, now)
	if err != nil {
		return nil, store.Change{}, err
	}
	// The decision's texts go to the shop, who may not see the donor's VIN.
	decision := listing.MaskDecision(decided.Decision, l, p, now)
	// Request ids are each business's own, but the question lies with the yard.
	id := requests.Derive(strings.ToLower(req.GetRequestId()), inquiry.Kind+"\x00"+p.Tenant)
	key := inquiry.Key(l.GetYard(), id)
	if _, err := s.store.Get(ctx, key); !errors.Is(err, store.ErrNotFound) {
		if err == nil {
			err = apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS,
				"the request_id was used before, for %s; expected a new UUID", inquiry.Name(l.GetYard(), id))
		}
		return nil, store.Change{}, err
	}
	r, err := inquiry.New(req, l, p.Tenant, id, decision, now)
	if err != nil {
		return nil, store.Change{}, err
	}
	change, err := putInquiry(store.Record{Key: key, Version: store.Absent}, r)
	return r, change, err
}

// DeclineEvidenceRequest says that the yard will not or cannot give it.
func (s *Server) DeclineEvidenceRequest(ctx context.Context, req *fitmentv1.DeclineEvidenceRequestRequest) (*fitmentv1.DeclineEvidenceRequestResponse, error) {
	p, err := s.party(ctx, req.GetName(), req.GetRequestId(), req.GetAnswer())
	if err != nil {
		return nil, err
	}
	r, at, err := s.inquire(ctx, p, req.GetRequestId(), req, s.moved(p, req.GetName(), forYard, func(r *fitmentv1.EvidenceRequest, now time.Time) (*fitmentv1.EvidenceRequest, error) {
		return inquiry.Decline(r, req.GetAnswer(), now)
	}))
	if err != nil {
		return nil, err
	}
	return &fitmentv1.DeclineEvidenceRequestResponse{EvidenceRequest: r, Revision: at}, nil
}

// WithdrawEvidenceRequest takes a request of the caller's back.
func (s *Server) WithdrawEvidenceRequest(ctx context.Context, req *fitmentv1.WithdrawEvidenceRequestRequest) (*fitmentv1.WithdrawEvidenceRequestResponse, error) {
	p, err := s.party(ctx, req.GetName(), req.GetRequestId(), "")
	if err != nil {
		return nil, err
	}
	r, at, err := s.inquire(ctx, p, req.GetRequestId(), req, s.moved(p, req.GetName(), forShop, inquiry.Withdraw))
	if err != nil {
		return nil, err
	}
	return &fitmentv1.WithdrawEvidenceRequestResponse{EvidenceRequest: r, Revision: at}, nil
}

// party checks a write to an existing request, but not yet whose it is.
func (s *Server) party(ctx context.Context, name, requestID, remark string) (identity.Principal, error) {
	return s.visitor(ctx, func(fields *check.Fields) {
		requireInquiry(name, fields)
		inquiry.ValidateText("answer", remark, fields)
		requests.ID(fields, requestID)
	})
}

func requireInquiry(name string, fields *check.Fields) {
	if _, _, ok := inquiry.ParseName(name); !ok {
		fields.Add("name", "is no evidence request's name", "evidenceRequests/{yard}.{id}, as the answer said when it was asked")
	}
}

// forYard is nil where the caller may answer for the yard, forShop where he may
// take the question back.
func forYard(p identity.Principal, r *fitmentv1.EvidenceRequest) error {
	return mayList(p, inquiry.Yard(r))
}

func forShop(p identity.Principal, r *fitmentv1.EvidenceRequest) error {
	if p.Tenant == r.GetShop() || p.Has(identity.Operator) {
		return nil
	}
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"only the business that asked, or the operator, may take %s back", r.GetName())
}

// inquired is one try of a write of a request.
type inquired = func(ctx context.Context, now time.Time) (*fitmentv1.EvidenceRequest, store.Change, error)

// moved is a write that reads a request and moves it.
func (s *Server) moved(
	p identity.Principal, name string, may func(identity.Principal, *fitmentv1.EvidenceRequest) error,
	move func(*fitmentv1.EvidenceRequest, time.Time) (*fitmentv1.EvidenceRequest, error),
) inquired {
	return func(ctx context.Context, now time.Time) (*fitmentv1.EvidenceRequest, store.Change, error) {
		record, r, err := s.inquiry(ctx, p, name)
		if err != nil {
			return nil, store.Change{}, err
		}
		if err := may(p, r); err != nil {
			return nil, store.Change{}, err
		}
		next, err := move(r, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		change, err := putInquiry(record, next)
		return next, change, err
	}
}

// inquiry reads a request that the caller may see; NOT_FOUND for all others.
func (s *Server) inquiry(ctx context.Context, p identity.Principal, name string) (store.Record, *fitmentv1.EvidenceRequest, error) {
	yard, id, ok := inquiry.ParseName(name)
	if !ok {
		return store.Record{}, nil, wellFormed(func(fields *check.Fields) { requireInquiry(name, fields) })
	}
	missing := apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "your business has neither asked nor been asked %s", name)
	record, err := s.store.Get(ctx, inquiry.Key(yard, id))
	if errors.Is(err, store.ErrNotFound) {
		return record, nil, missing
	}
	if err != nil {
		return record, nil, edge(err)
	}
	r, err := inquiry.Decode(record.Value)
	if err != nil {
		return record, nil, err
	}
	if !inquiry.Party(r, p.Tenant) && !p.Has(identity.Operator) {
		return record, nil, missing
	}
	return record, r, nil
}

// putInquiry is the change that stores a request over the record that was read.
func putInquiry(record store.Record, next *fitmentv1.EvidenceRequest) (store.Change, error) {
	value, err := inquiry.Encode(next)
	if err != nil {
		return store.Change{}, err
	}
	return store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version, Value: value}}}, nil
}

// inquire runs a write of a request once, however often it is asked for, and
// returns the request as the write left it, as the caller may see it now, and the
// revision of the write.
func (s *Server) inquire(ctx context.Context, p identity.Principal, requestID string, req proto.Message, do inquired) (*fitmentv1.EvidenceRequest, string, error) {
	applied, err := s.once(ctx, p, requestID, req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		next, change, err := do(ctx, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		answer, err := inquiry.Encode(next)
		return answer, change, err
	})
	if err != nil {
		return nil, "", err
	}
	if len(applied.Versions) == 0 {
		return nil, "", errors.New("the store answered a write without its version")
	}
	r, err := inquiry.Decode(applied.Answer)
	if err != nil {
		return nil, "", err
	}
	view, _, err := s.shown(ctx, p, r, applied.Versions[0])
	if err != nil {
		return nil, "", err
	}
	at, err := s.written(ctx, applied.Versions[0])
	return view, at, err
}

// shown is a stored request as the caller may see it, with its listing.
func (s *Server) shown(ctx context.Context, p identity.Principal, r *fitmentv1.EvidenceRequest, version int64) (*fitmentv1.EvidenceRequest, *fitmentv1.Listing, error) {
	_, l, err := s.read(ctx, r.GetListing())
	if err != nil {
		return nil, nil, err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, nil, edge(err)
	}
	view := inquiry.View(r, l, p, now)
	view.Etag = revision.ETag(version)
	return view, l, nil
}

// AnswerEvidenceRequest adds evidence to the listing and answers the request, in
// one step.
func (s *Server) AnswerEvidenceRequest(ctx context.Context, req *fitmentv1.AnswerEvidenceRequestRequest) (*fitmentv1.AnswerEvidenceRequestResponse, error) {
	yard, _, _ := inquiry.ParseName(req.GetName())
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requireInquiry(req.GetName(), fields)
		if len(req.GetEvidence()) == 0 {
			fields.Add("evidence", "is missing", "at least one statement; decline the request where there is none to give")
		}
		listing.ValidateStatements(req.GetEvidence(), yard, "evidence", fields)
		inquiry.ValidateText("answer", req.GetAnswer(), fields)
		requests.ID(fields, req.GetRequestId())
	})
	if err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		return s.answerInquiry(ctx, p, req, now)
	})
	if err != nil {
		return nil, err
	}
	return s.answered(ctx, p, applied)
}

// answerInquiry is one try of an answer: what is decided is the listing as it will
// be, by the catalogue as it is.
func (s *Server) answerInquiry(ctx context.Context, p identity.Principal, req *fitmentv1.AnswerEvidenceRequestRequest, now time.Time) ([]byte, store.Change, error) {
	record, r, err := s.inquiry(ctx, p, req.GetName())
	if err != nil {
		return nil, store.Change{}, err
	}
	if err := forYard(p, r); err != nil {
		return nil, store.Change{}, err
	}
	// What is over already is told before anything about the evidence.
	if _, err := inquiry.Decline(r, "", now); err != nil {
		return nil, store.Change{}, err
	}
	shelved, old, err := s.read(ctx, r.GetListing())
	if err != nil {
		return nil, store.Change{}, err
	}
	next, err := s.withEvidence(ctx, p, old, req.GetEvidence(), now)
	if err != nil {
		return nil, store.Change{}, err
	}
	if err := s.index.Fresh(ctx); err != nil {
		return nil, store.Change{}, err
	}
	decided, err := s.index.Decide(r.GetNeed(), next, now)
	if err != nil {
		return nil, store.Change{}, err
	}
	r, err = inquiry.Answer(r, req.GetEvidence(), req.GetAnswer(), decided.Decision.GetVerdict(), now)
	if err != nil {
		return nil, store.Change{}, err
	}
	change, err := putInquiry(record, r)
	if err != nil {
		return nil, store.Change{}, err
	}
	listed, err := putListing(shelved, next)
	if err != nil {
		return nil, store.Change{}, err
	}
	change.Puts = append(change.Puts, listed.Puts...)
	answer, err := encode(&fitmentv1.AnswerEvidenceRequestResponse{EvidenceRequest: r, Listing: next})
	return answer, change, err
}

// withEvidence is the listing with statements added, or why that cannot be.
func (s *Server) withEvidence(ctx context.Context, p identity.Principal, old *fitmentv1.Listing, given []*fitmentv1.Evidence, now time.Time) (*fitmentv1.Listing, error) {
	said := inquiry.Add(old, given)
	err := wellFormed(func(fields *check.Fields) {
		listing.ValidateDays(&fitmentv1.Listing{Evidence: given}, "", now, fields)
		if n := len(said.GetEvidence()); n > listing.MaxEvidence {
			fields.Add("evidence", fmt.Sprintf("would make %d statements of the listing", n), fmt.Sprintf("at most %d; take back what is superseded", listing.MaxEvidence))
		}
	})
	if err != nil {
		return nil, err
	}
	if err := s.attached(ctx, p, old.GetYard(), old, given, "evidence"); err != nil {
		return nil, err
	}
	next, _, err := listing.Revise(old, said, now)
	return next, err
}

// answered makes the answer of an answer, or of its first time.
func (s *Server) answered(ctx context.Context, p identity.Principal, applied store.Applied) (*fitmentv1.AnswerEvidenceRequestResponse, error) {
	if len(applied.Versions) != 2 {
		return nil, fmt.Errorf("the store answered a write of 2 records with %d versions", len(applied.Versions))
	}
	whole := &fitmentv1.AnswerEvidenceRequestResponse{}
	if err := proto.Unmarshal(applied.Answer, whole); err != nil {
		return nil, fmt.Errorf("decode an answer: %w", err)
	}
	view, _, err := s.shown(ctx, p, whole.GetEvidenceRequest(), applied.Versions[0])
	if err != nil {
		return nil, err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, edge(err)
	}
	l := seen(whole.GetListing(), applied.Versions[1], p, now)
	l.State = whole.GetListing().GetState()
	at, err := s.written(ctx, max(applied.Versions[0], applied.Versions[1]))
	return &fitmentv1.AnswerEvidenceRequestResponse{EvidenceRequest: view, Listing: l, Revision: at}, err
}

// GetEvidenceRequest returns one, with the decision as it is now for the shop.
func (s *Server) GetEvidenceRequest(ctx context.Context, req *fitmentv1.GetEvidenceRequestRequest) (*fitmentv1.GetEvidenceRequestResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) { requireInquiry(req.GetName(), fields) })
	if err != nil {
		return nil, err
	}
	at, err := s.here(ctx)
	if err != nil {
		return nil, err
	}
	record, r, err := s.inquiry(ctx, p, req.GetName())
	if err != nil {
		return nil, err
	}
	view, l, err := s.shown(ctx, p, r, record.Version)
	if err != nil {
		return nil, err
	}
	answer := &fitmentv1.GetEvidenceRequestResponse{EvidenceRequest: view, Revision: at}
	if p.Tenant != r.GetShop() {
		return answer, nil
	}
	now, err := s.current(ctx, "")
	if err != nil {
		return nil, err
	}
	decided, err := s.index.Decide(r.GetNeed(), l, now)
	answer.Decision = listing.MaskDecision(decided.Decision, l, p, now)
	return answer, err
}

// ListEvidenceRequests pages through those the caller asked or was asked. Those of
// a shop lie with many yards, so the index beside the search's finds them.
func (s *Server) ListEvidenceRequests(ctx context.Context, req *fitmentv1.ListEvidenceRequestsRequest) (*fitmentv1.ListEvidenceRequestsResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		if req.GetListing() != "" {
			requireName(req.GetListing(), "listing", fields)
		}
		if _, known := fitmentv1.EvidenceRequest_State_name[int32(req.GetState())]; !known {
			fields.Add("state", "is not known", "OPEN, ANSWERED, DECLINED, WITHDRAWN, or nothing for all")
		}
	})
	if err != nil {
		return nil, err
	}
	size, cursor, next, err := s.beginPage(ctx, p, req)
	if err != nil {
		return nil, err
	}
	if err := s.index.Fresh(ctx); err != nil {
		return nil, edge(err)
	}
	names := s.asked.names(p.Tenant, cursor.After, size+1, func(i item) bool {
		return (req.GetState() == fitmentv1.EvidenceRequest_STATE_UNSPECIFIED || req.GetState() == i.state) &&
			(req.GetListing() == "" || req.GetListing() == i.listing)
	})
	answer := &fitmentv1.ListEvidenceRequestsResponse{Revision: next.revision}
	room := pageBytes
	for i, name := range names {
		record, r, err := s.inquiry(ctx, p, name)
		if err != nil {
			return nil, err
		}
		if room -= len(record.Value); i == size || (room < 0 && i > 0) {
			answer.NextPageToken, err = page.Encode(p.Tenant, req, listCursor{After: names[i-1]})
			return answer, err
		}
		view, _, err := s.shown(ctx, p, r, record.Version)
		if err != nil {
			return nil, err
		}
		answer.EvidenceRequests = append(answer.EvidenceRequests, view)
	}
	return answer, nil
}
