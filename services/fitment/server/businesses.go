package server

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
)

// operates returns nil for the operator.
func operates(p identity.Principal) error {
	if p.Has(identity.Operator) {
		return nil
	}
	return apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
		"only administrators of the business that runs this deployment may do this")
}

// outputOnly notes fields that a caller has filled and must not.
func outputOnly(fields *check.Fields, filled map[string]bool) {
	var wrong []string
	for field, is := range filled {
		if is {
			wrong = append(wrong, field)
		}
	}
	slices.Sort(wrong)
	for _, field := range wrong {
		fields.Add(field, "is output only", "nothing")
	}
}

// placed is the revision of a write that needs no index.
func (s records) placed(ctx context.Context, applied store.Applied) (string, int64, error) {
	if len(applied.Versions) == 0 {
		return "", 0, errors.New("the store answered a write without its version")
	}
	at, err := s.at(ctx, applied)
	return at, applied.Versions[0], err
}

// business reads a business for whoever manages it; NOT_FOUND.
func (s *IdentityServer) business(ctx context.Context, id string) (*fitmentv1.Business, error) {
	business, err := s.businesses.Get(ctx, id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no business %s", id)
	}
	return business, edge(err)
}

// CreateBusiness admits a business.
func (s *IdentityServer) CreateBusiness(ctx context.Context, req *fitmentv1.CreateBusinessRequest) (*fitmentv1.CreateBusinessResponse, error) {
	b := req.GetBusiness()
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		if !businesses.ValidID(b.GetId()) {
			fields.Add("business.id", strconv.Quote(b.GetId())+" is no id of a business", "1 to 32 of a to z, 0 to 9 and -, and not the word "+strconv.Quote(businesses.Registry))
		}
		businesses.Validate(b, "business.", fields)
		outputOnly(fields, map[string]bool{
			"business.name": b.GetName() != "", "business.operator": b.GetOperator(),
			"business.create_time": b.GetCreateTime() != nil, "business.etag": b.GetEtag() != "",
		})
	})
	if err == nil {
		err = operates(p)
	}
	if err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, now time.Time) ([]byte, store.Change, error) {
		_, err := s.store.Get(ctx, businesses.KeyOf(b.GetId()))
		if err == nil {
			return nil, store.Change{}, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS,
				"business.id: there is a business %s; expected an id that none has", b.GetId())
		}
		if !errors.Is(err, store.ErrNotFound) {
			return nil, store.Change{}, err
		}
		value, err := businesses.Encode(&fitmentv1.Business{
			Id: b.GetId(), DisplayName: b.GetDisplayName(), Roles: b.GetRoles(), Suspended: b.GetSuspended(), CreateTime: timestamppb.New(now),
		})
		return value, store.Change{Puts: []store.Put{{Key: businesses.KeyOf(b.GetId()), Expect: store.Absent, Value: value}}}, err
	})
	if err != nil {
		return nil, err
	}
	stored, at, err := s.storedBusiness(ctx, applied)
	return &fitmentv1.CreateBusinessResponse{Business: stored, Revision: at}, err
}

// storedBusiness is a business as a write left it, and that write's revision.
func (s *IdentityServer) storedBusiness(ctx context.Context, applied store.Applied) (*fitmentv1.Business, string, error) {
	at, version, err := s.placed(ctx, applied)
	if err != nil {
		return nil, "", err
	}
	business, err := businesses.Decode(store.Record{Version: version, Value: applied.Answer})
	return business, at, err
}

// GetBusiness returns the caller's own business, or any to the operator. To others no
// business but their own exists.
func (s *IdentityServer) GetBusiness(ctx context.Context, req *fitmentv1.GetBusinessRequest) (*fitmentv1.GetBusinessResponse, error) {
	id, named := strings.CutPrefix(req.GetName(), businesses.Prefix)
	p, err := s.visitor(ctx, func(fields *check.Fields) { requireBusiness(named, id, "name", fields) })
	if err != nil {
		return nil, err
	}
	if id != p.Tenant && !p.Has(identity.Operator) {
		return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no business %s", id)
	}
	business, err := s.business(ctx, id)
	return &fitmentv1.GetBusinessResponse{Business: business}, err
}

// requireBusiness demands the name of a business.
func requireBusiness(named bool, id, field string, fields *check.Fields) {
	if !named || !businesses.ValidID(id) {
		fields.Add(field, "is no name of a business", businesses.Prefix+"{id}")
	}
}

// ListBusinesses pages through all businesses for the operator; for others that is
// their own.
func (s *IdentityServer) ListBusinesses(ctx context.Context, req *fitmentv1.ListBusinessesRequest) (*fitmentv1.ListBusinessesResponse, error) {
	p, err := caller(ctx)
	if err == nil {
		_, err = managed(p, "", p.Tenant)
	}
	if err != nil {
		return nil, err
	}
	if !p.Has(identity.Operator) {
		return s.onlyBusiness(ctx, p, req)
	}
	records, next, err := s.page(ctx, p, req, businesses.Registry, businesses.Kind)
	if err != nil {
		return nil, err
	}
	answer := &fitmentv1.ListBusinessesResponse{NextPageToken: next.token}
	for _, record := range records {
		business, err := businesses.Decode(record)
		if err != nil {
			return nil, err
		}
		answer.Businesses = append(answer.Businesses, business)
	}
	return answer, nil
}

// onlyBusiness is the only page of who manages one business.
func (s *IdentityServer) onlyBusiness(
	ctx context.Context, p identity.Principal, req *fitmentv1.ListBusinessesRequest,
) (*fitmentv1.ListBusinessesResponse, error) {
	if _, _, _, err := s.beginPage(ctx, p, req); err != nil {
		return nil, err
	}
	business, err := s.business(ctx, p.Tenant)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ListBusinessesResponse{Businesses: []*fitmentv1.Business{business}}, nil
}

// UpdateBusiness replaces what is kept about a business. Shutting one out, or taking
// desks from it, counts for its credentials from the next look at them on.
func (s *IdentityServer) UpdateBusiness(ctx context.Context, req *fitmentv1.UpdateBusinessRequest) (*fitmentv1.UpdateBusinessResponse, error) {
	b := req.GetBusiness()
	id, named := strings.CutPrefix(b.GetName(), businesses.Prefix)
	p, err := s.visitor(ctx, func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		requireBusiness(named, id, "business.name", fields)
		if b.GetId() != "" && b.GetId() != id {
			fields.Add("business.id", strconv.Quote(b.GetId())+" is not the business of that name", id+", or nothing")
		}
		if req.GetEtag() == "" {
			fields.Add("etag", "is missing", "the etag that was read")
		}
		businesses.Validate(b, "business.", fields)
	})
	if err == nil {
		err = operates(p)
	}
	if err != nil {
		return nil, err
	}
	applied, err := s.once(ctx, p, req.GetRequestId(), req, func(ctx context.Context, _ time.Time) ([]byte, store.Change, error) {
		kept, version, err := s.current(ctx, id, req.GetEtag())
		if err != nil {
			return nil, store.Change{}, err
		}
		if err := mayBecome(kept, b); err != nil {
			return nil, store.Change{}, err
		}
		kept.DisplayName, kept.Roles, kept.Suspended = b.GetDisplayName(), b.GetRoles(), b.GetSuspended()
		value, err := businesses.Encode(kept)
		return value, store.Change{Puts: []store.Put{{Key: businesses.KeyOf(id), Expect: version, Value: value}}}, err
	})
	if err != nil {
		return nil, err
	}
	stored, at, err := s.storedBusiness(ctx, applied)
	return &fitmentv1.UpdateBusinessResponse{Business: stored, Revision: at}, err
}

// current is a business and the version at which it was read; ABORTED where that is not
// the one of the etag.
func (s *IdentityServer) current(ctx context.Context, id, etag string) (*fitmentv1.Business, int64, error) {
	found, err := s.store.Get(ctx, businesses.KeyOf(id))
	if errors.Is(err, store.ErrNotFound) {
		return nil, 0, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no business %s", id)
	}
	if err != nil {
		return nil, 0, err
	}
	kept, err := businesses.Decode(found)
	if err == nil && kept.GetEtag() != etag {
		err = apierr.New(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE,
			"the business has changed since it was read; read it again")
	}
	return kept, found.Version, err
}

// mayBecome refuses changes that would leave nobody to run the deployment, or make
// another business run it.
func mayBecome(kept, next *fitmentv1.Business) error {
	var fields check.Fields
	if next.GetOperator() != kept.GetOperator() && next.GetOperator() {
		fields.Add("business.operator", "is output only", "what was read, or nothing")
	}
	if kept.GetOperator() {
		if next.GetSuspended() {
			fields.Add("business.suspended", "would shut out the business that runs the deployment", "false")
		}
		if !slices.Contains(next.GetRoles(), string(identity.Admin)) {
			fields.Add("business.roles", "would leave the business that runs the deployment without administrators", "admin among them")
		}
	}
	return fields.Err()
}
