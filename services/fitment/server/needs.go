package server

import (
	"context"
	"errors"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

const (
	// kindNeed is the kind of a kept need; its tenant is whose it is. One that was
	// deleted stays as a record without a value.
	kindNeed   = "need"
	needPrefix = "needs/"
	// longestNote is how many characters a remark has at most.
	longestNote = 500
)

// SaveNeed keeps a need of the caller's.
func (s *Server) SaveNeed(ctx context.Context, req *fitmentv1.SaveNeedRequest) (*fitmentv1.SaveNeedResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		rules.ValidateNeed(req.GetNeed(), "need.", fields)
		fields.Text("note", req.GetNote(), longestNote, false)
	})
	if err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		key, err := s.fresh(ctx, p.Tenant, kindNeed, needPrefix, req.GetRequestId())
		if err != nil {
			return nil, store.Change{}, err
		}
		value, err := encode(&fitmentv1.SavedNeed{
			Name: needPrefix + key.ID, Need: req.GetNeed(), Note: req.GetNote(), CreateTime: timestamppb.New(now),
		})
		return value, store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: value}}}, err
	})
	if err != nil {
		return nil, err
	}
	if len(applied.Versions) == 0 {
		return nil, errors.New("the store answered a write without its version")
	}
	saved, err := decodeNeed(store.Record{Version: applied.Versions[0], Value: applied.Answer})
	if err != nil {
		return nil, err
	}
	at, err := s.written(ctx, applied.Versions[0])
	return &fitmentv1.SaveNeedResponse{SavedNeed: saved, Revision: at}, err
}

// fresh is the key of a new record of a business. Its id follows from the request,
// so that a request which is repeated after its id was forgotten makes no second
// one: ALREADY_EXISTS.
func (s *Server) fresh(ctx context.Context, tenant, kind, prefix, requestID string) (store.Key, error) {
	key := store.Key{Tenant: tenant, Kind: kind, ID: requests.Derive(strings.ToLower(requestID), kind)}
	_, err := s.store.Get(ctx, key)
	if err == nil {
		return key, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS,
			"the request_id was used before, for %s%s; expected a new UUID", prefix, key.ID)
	}
	if !errors.Is(err, store.ErrNotFound) {
		return key, err
	}
	return key, nil
}

// encode is the stored form of a message.
func encode(m proto.Message) ([]byte, error) {
	return proto.MarshalOptions{Deterministic: true}.Marshal(m)
}

func decodeNeed(record store.Record) (*fitmentv1.SavedNeed, error) {
	saved := &fitmentv1.SavedNeed{}
	if err := proto.Unmarshal(record.Value, saved); err != nil {
		return nil, err
	}
	saved.Etag = revision.ETag(record.Version)
	return saved, nil
}

// GetSavedNeed returns one of the caller's needs.
func (s *Server) GetSavedNeed(ctx context.Context, req *fitmentv1.GetSavedNeedRequest) (*fitmentv1.GetSavedNeedResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) { requireOwn(req.GetName(), needPrefix, fields) })
	if err != nil {
		return nil, err
	}
	record, err := s.own(ctx, p.Tenant, kindNeed, needPrefix, req.GetName())
	if err != nil {
		return nil, err
	}
	saved, err := decodeNeed(record)
	return &fitmentv1.GetSavedNeedResponse{SavedNeed: saved}, err
}

// ListSavedNeeds pages through the caller's needs.
func (s *Server) ListSavedNeeds(ctx context.Context, req *fitmentv1.ListSavedNeedsRequest) (*fitmentv1.ListSavedNeedsResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	records, next, err := s.pageOfLive(ctx, p, req, kindNeed)
	if err != nil {
		return nil, err
	}
	answer := &fitmentv1.ListSavedNeedsResponse{NextPageToken: next.token, Revision: next.revision}
	for _, record := range records {
		saved, err := decodeNeed(record)
		if err != nil {
			return nil, err
		}
		answer.SavedNeeds = append(answer.SavedNeeds, saved)
	}
	return answer, nil
}

// DeleteSavedNeed ends a need; its watches end too.
func (s *Server) DeleteSavedNeed(ctx context.Context, req *fitmentv1.DeleteSavedNeedRequest) (*fitmentv1.DeleteSavedNeedResponse, error) {
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		requireOwn(req.GetName(), needPrefix, fields)
	})
	if err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, _ time.Time) ([]byte, store.Change, error) {
		record, err := s.own(ctx, p.Tenant, kindNeed, needPrefix, req.GetName())
		return nil, store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version}}}, err
	})
	if err != nil {
		return nil, err
	}
	if len(applied.Versions) == 0 {
		return nil, errors.New("the store answered a write without its version")
	}
	at, err := s.written(ctx, applied.Versions[0])
	return &fitmentv1.DeleteSavedNeedResponse{Revision: at}, err
}

// own reads a record of the caller's by its name; NOT_FOUND where there is none or
// it was deleted.
func (s *Server) own(ctx context.Context, tenant, kind, prefix, name string) (store.Record, error) {
	record, err := s.store.Get(ctx, store.Key{Tenant: tenant, Kind: kind, ID: strings.TrimPrefix(name, prefix)})
	if errors.Is(err, store.ErrNotFound) || (err == nil && len(record.Value) == 0) {
		return store.Record{}, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "your business has no %s", name)
	}
	return record, edge(err)
}

// requireOwn demands the name of one of the caller's records: the prefix and an id
// as fresh makes it.
func requireOwn(name, prefix string, fields *check.Fields) {
	id, ok := strings.CutPrefix(name, prefix)
	if known, err := uuid.Parse(id); !ok || err != nil || known.String() != id {
		fields.Add("name", "is no name of such a record", prefix+"{id}, as the answer said when it was made")
	}
}
