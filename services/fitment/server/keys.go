package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
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
	id := cmp.Or(wish.GetBusiness(), p.Tenant)
	if err := manages(p, id); err != nil {
		return nil, err
	}
	text := ""
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		roles, err := s.desksFor(ctx, id, "key.roles", wish.GetRoles())
		if err != nil {
			return nil, store.Change{}, err
		}
		draft, err := s.keys.Draft(keys.New{
			Business: id, Label: wish.GetLabel(), Roles: roles, Creator: p.Name(), Days: int(req.GetDays()),
		}, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		text = draft.Secret.Text()
		answer, err := encode(draft.Shown)
		return answer, store.Change{Puts: []store.Put{draft.Put}}, err
	})
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

func validateKey(req *fitmentv1.CreateKeyRequest, fields *check.Fields) {
	key := req.GetKey()
	requests.ID(fields, req.GetRequestId())
	fields.Int("days", int64(req.GetDays()), 0, keys.MaxDays)
	fields.Text("key.label", key.GetLabel(), longestLabel, false)
	businesses.CheckDesks("key.roles", key.GetRoles(), fields)
	checkBusiness(key.GetBusiness(), "key.business", fields)
	outputOnly(fields, map[string]bool{
		"key.name": key.GetName() != "", "key.prefix": key.GetPrefix() != "", "key.create_time": key.GetCreateTime() != nil,
		"key.expire_time": key.GetExpireTime() != nil, "key.revoke_time": key.GetRevokeTime() != nil,
		"key.creator": key.GetCreator() != "", "key.last_used_day": key.GetLastUsedDay() != "",
	})
}

// checkBusiness demands nothing, for the caller's own, or an id that a business can
// have.
func checkBusiness(id, field string, fields *check.Fields) {
	if id != "" && !businesses.ValidID(id) {
		fields.Add(field, strconv.Quote(id)+" is no id of a business", "1 to 32 of a to z, 0 to 9 and -; nothing for your own")
	}
}

// desksFor are desks that a business gives to a credential: those that it has itself.
// NOT_FOUND where there is no such business; the names in roles are known to be desks.
func (s *IdentityServer) desksFor(ctx context.Context, business, field string, roles []string) ([]identity.Role, error) {
	b, err := s.business(ctx, business)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	given := make([]identity.Role, 0, len(roles))
	for i, role := range roles {
		if !slices.Contains(b.GetRoles(), role) {
			fields.Add(fmt.Sprintf("%s[%d]", field, i), "business "+business+" has no desk "+role, fmt.Sprintf("some of %v", b.GetRoles()))
		}
		given = append(given, identity.Role(role))
	}
	return given, fields.Err()
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
	p, err := s.visitor(ctx, func(fields *check.Fields) { checkBusiness(req.GetBusiness(), "business", fields) })
	if err != nil {
		return nil, err
	}
	id := cmp.Or(req.GetBusiness(), p.Tenant)
	if err := manages(p, id); err != nil {
		return nil, err
	}
	if _, err := s.business(ctx, id); err != nil {
		return nil, err
	}
	records, next, err := s.page(ctx, p, req, id, keys.Kind)
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

// RevokeKey ends a key. One that has ended already stays as it is.
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
	if err := manages(p, business); err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		found, err := s.store.Get(ctx, store.Key{Tenant: business, Kind: keys.Kind, ID: id})
		if errors.Is(err, store.ErrNotFound) {
			return nil, store.Change{}, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no key %s", req.GetName())
		}
		if err != nil {
			return nil, store.Change{}, err
		}
		put, shown, err := keys.Revoke(found, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		answer, err := encode(shown)
		return answer, store.Change{Puts: []store.Put{put}}, err
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
