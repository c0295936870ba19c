package server

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// longestLabel is how many characters the label of a key has at most.
const longestLabel = 200

// CreateKey makes a key. Its text is in the first answer only: what is kept with the
// request id is the answer without it.
func (s *IdentityServer) CreateKey(ctx context.Context, req *fitmentv1.CreateKeyRequest) (*fitmentv1.CreateKeyResponse, error) {
	wish := req.GetKey()
	p, err := s.visitor(ctx, func(fields *check.Fields) { validateKey(req, fields) })
	if err != nil {
		return nil, err
	}
	id, err := managed(p, "key.business", wish.GetBusiness())
	if err != nil {
		return nil, err
	}
	text := ""
	applied, err := s.once(ctx, p, req.GetRequestId(), req, s.draft(p, id, req, &text, false))
	if apierr.ReasonOf(err) == fitmentv1.ErrorInfo_QUOTA_REACHED {
		applied, err = s.once(ctx, p, req.GetRequestId(), req, s.draft(p, id, req, &text, true))
	}
	if err != nil {
		return nil, err
	}
	if applied.Replayed {
		text = ""
	}
	key, at, err := s.storedKey(ctx, applied)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.CreateKeyResponse{Key: key, Text: text, Revision: at}, nil
}

// draft is the deed of CreateKey, which notes the key's text. Where the business keeps
// as many keys as it may, the one that ended first gives way, if any has.
func (s *IdentityServer) draft(p identity.Principal, business string, req *fitmentv1.CreateKeyRequest, text *string, crowded bool) deed {
	wish := req.GetKey()
	return func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		if err := s.hasDesks(ctx, business, "key.roles", wish.GetRoles()); err != nil {
			return nil, store.Change{}, err
		}
		draft, err := s.keys.Draft(keys.New{
			Business: business, Label: wish.GetLabel(), Roles: desks(wish.GetRoles()), Creator: p.Name(), Days: int(req.GetDays()),
		}, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		change := store.Change{Puts: []store.Put{draft.Put}}
		if crowded {
			forgotten, found, err := s.keys.GiveWay(ctx, business, now)
			if err != nil {
				return nil, store.Change{}, err
			}
			if found {
				change.Puts = append(change.Puts, forgotten)
			}
		}
		*text = draft.Secret.Text()
		answer, err := encode(draft.Shown)
		return answer, change, err
	}
}

func validateKey(req *fitmentv1.CreateKeyRequest, fields *check.Fields) {
	key := req.GetKey()
	requests.ID(fields, req.GetRequestId())
	fields.Int("days", int64(req.GetDays()), 0, keys.MaxDays)
	fields.Text("key.label", key.GetLabel(), longestLabel, false)
	businesses.CheckDesks("key.roles", key.GetRoles(), fields)
	outputOnly(fields, map[string]bool{
		"key.name": key.GetName() != "", "key.prefix": key.GetPrefix() != "", "key.create_time": key.GetCreateTime() != nil,
		"key.expire_time": key.GetExpireTime() != nil, "key.revoke_time": key.GetRevokeTime() != nil,
		"key.creator": key.GetCreator() != "", "key.last_used_day": key.GetLastUsedDay() != "",
	})
}

// desks are the desks of these names.
func desks(names []string) []identity.Role {
	roles := make([]identity.Role, 0, len(names))
	for _, name := range names {
		roles = append(roles, identity.Role(name))
	}
	return roles
}

// storedKey is a key as a write left it, and that write's revision.
func (s *IdentityServer) storedKey(ctx context.Context, applied store.Applied) (*fitmentv1.Key, string, error) {
	at, _, err := s.placed(ctx, applied)
	if err != nil {
		return nil, "", err
	}
	key := &fitmentv1.Key{}
	if err := proto.Unmarshal(applied.Answer, key); err != nil {
		return nil, "", fmt.Errorf("kept answer of a key: %w", err)
	}
	return key, at, nil
}

// ListKeys pages through a business's keys.
func (s *IdentityServer) ListKeys(ctx context.Context, req *fitmentv1.ListKeysRequest) (*fitmentv1.ListKeysResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	id, err := managed(p, "business", req.GetBusiness())
	if err != nil {
		return nil, err
	}
	if _, err := s.business(ctx, id); err != nil {
		return nil, err
	}
	records, next, err := s.pageWhere(ctx, p, req, id, keys.Kind, func(store.Record) (bool, error) { return true, nil })
	if err != nil {
		return nil, err
	}
	answer := &fitmentv1.ListKeysResponse{NextPageToken: next.token}
	for _, record := range records {
		key, err := keys.Show(record)
		if err != nil {
			return nil, err
		}
		answer.Keys = append(answer.Keys, key)
	}
	return answer, nil
}

// RevokeKey ends a key. One that has ended already stays as it is; the last one by which
// the deployment can be administered is not ended, see wayIn.
func (s *IdentityServer) RevokeKey(ctx context.Context, req *fitmentv1.RevokeKeyRequest) (*fitmentv1.RevokeKeyResponse, error) {
	business, id, named := keys.ParseName(req.GetName())
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		if !named {
			fields.Add("name", strconv.Quote(req.GetName())+" is no name of a key", keys.Prefix+"{business}.{id}, as keys are listed")
		}
	})
	if err != nil {
		return nil, err
	}
	if _, err := managed(p, "name", business); err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		found, err := s.store.Get(ctx, store.Key{Tenant: business, Kind: keys.Kind, ID: id})
		if errors.Is(err, store.ErrNotFound) || err == nil && len(found.Value) == 0 {
			return nil, store.Change{}, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no key %s", req.GetName())
		}
		if err != nil {
			return nil, store.Change{}, err
		}
		others, err := s.wayIn(ctx, found, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		put, shown, err := keys.Revoke(found, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		answer, err := encode(shown)
		return answer, store.Change{Puts: append([]store.Put{put}, others...)}, err
	})
	if err != nil {
		return nil, err
	}
	key, at, err := s.storedKey(ctx, applied)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.RevokeKeyResponse{Key: key, Revision: at}, nil
}
