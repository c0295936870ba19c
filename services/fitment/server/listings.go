package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// CreateListing lists one part.
func (s *Server) CreateListing(ctx context.Context, req *fitmentv1.CreateListingRequest) (*fitmentv1.CreateListingResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	said := listing.Content(req.GetListing())
	if said.GetYard() == "" {
		said.Yard = p.Tenant
	}
	err = wellFormed(func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		listing.Validate(said, "listing.", fields)
		validateNew(req.GetListing(), said, fields)
	})
	if err != nil {
		return nil, err
	}
	if err := mayList(p, said.GetYard()); err != nil {
		return nil, err
	}
	l, at, err := s.write(ctx, write{caller: p, request: req, requestID: req.GetRequestId(), act: func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error) {
		return s.create(ctx, p, said, now)
	}})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.CreateListingResponse{Listing: l, Revision: at}, nil
}

func (s *Server) create(ctx context.Context, p identity.Principal, said *fitmentv1.Listing, now time.Time) (*fitmentv1.Listing, store.Change, error) {
	if err := notFuture(said, now); err != nil {
		return nil, store.Change{}, err
	}
	if err := s.listsFor(ctx, p, said.GetYard(), "listing.yard"); err != nil {
		return nil, store.Change{}, err
	}
	if err := s.attached(ctx, p, said.GetYard(), nil, said.GetEvidence(), "listing.evidence"); err != nil {
		return nil, store.Change{}, err
	}
	next := listing.New(said, now)
	key := listing.Key(said.GetYard(), said.GetStockNumber())
	_, err := s.store.Get(ctx, key)
	if err == nil {
		return nil, store.Change{}, apierr.New(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS, "%s exists", next.GetName())
	}
	if !errors.Is(err, store.ErrNotFound) {
		return nil, store.Change{}, err
	}
	change, err := putListing(store.Record{Key: key, Version: store.Absent}, next)
	return next, change, err
}

// notFuture refuses statements that are dated later than now.
func notFuture(l *fitmentv1.Listing, now time.Time) error {
	return wellFormed(func(fields *check.Fields) { listing.ValidateDays(l, "listing.", now, fields) })
}

// validateNew notes output-only fields that a new listing states, and a name
// that is not its own.
func validateNew(asked, said *fitmentv1.Listing, fields *check.Fields) {
	if name := listing.Name(said.GetYard(), said.GetStockNumber()); asked.GetName() != "" && asked.GetName() != name {
		expected := "nothing"
		if _, _, ok := listing.ParseName(name); ok {
			expected += ", or " + name
		}
		fields.Add("listing.name", "is not this listing's", expected)
	}
	for _, output := range []struct {
		field string
		set   bool
	}{
		{"listing.state", asked.GetState() != fitmentv1.Listing_STATE_UNSPECIFIED},
		{"listing.hold", asked.GetHold() != nil},
		{"listing.buyer", asked.GetBuyer() != ""},
		{"listing.etag", asked.GetEtag() != ""},
		{"listing.create_time", asked.GetCreateTime() != nil},
		{"listing.update_time", asked.GetUpdateTime() != nil},
		{"listing.return_of", asked.GetReturnOf() != ""},
		{"listing.returned_as", asked.GetReturnedAs() != ""},
		{"listing.return_report", asked.GetReturnReport() != nil},
	} {
		if output.set {
			fields.Add(output.field, "is output only", "nothing")
		}
	}
}

// GetListing returns one listing as the caller may see it.
func (s *Server) GetListing(ctx context.Context, req *fitmentv1.GetListingRequest) (*fitmentv1.GetListingResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	if req.GetMinRevision() != "" {
		if err := s.await(ctx, req.GetMinRevision()); err != nil {
			return nil, err
		}
	}
	at, err := s.here(ctx)
	if err != nil {
		return nil, err
	}
	record, l, err := s.read(ctx, req.GetName())
	if err != nil {
		return nil, err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, edge(err)
	}
	return &fitmentv1.GetListingResponse{Listing: seen(l, record.Version, p, now), Revision: at}, nil
}

// ListListings pages through one yard's listings.
func (s *Server) ListListings(ctx context.Context, req *fitmentv1.ListListingsRequest) (*fitmentv1.ListListingsResponse, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	yard := req.GetYard()
	if yard == "" {
		yard = p.Tenant
	}
	if _, _, ok := listing.ParseName(listing.Name(yard, "0")); !ok {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "yard", Problem: "is no business's id", Expected: "1 to 32 of a-z, 0-9 and -",
		})
	}
	records, next, err := s.page(ctx, p, req, yard, listing.Kind)
	if err != nil {
		return nil, err
	}
	now, err := s.store.Now(ctx)
	if err != nil {
		return nil, edge(err)
	}
	answer := &fitmentv1.ListListingsResponse{NextPageToken: next.token, Revision: next.revision}
	for _, record := range records {
		l, err := listing.Decode(record.Value)
		if err != nil {
			return nil, err
		}
		answer.Listings = append(answer.Listings, seen(l, record.Version, p, now))
	}
	return answer, nil
}

// UpdateListing replaces what the yard says.
func (s *Server) UpdateListing(ctx context.Context, req *fitmentv1.UpdateListingRequest) (*fitmentv1.UpdateListingResponse, error) {
	said := listing.Content(req.GetListing())
	yard, stock, named := listing.ParseName(said.GetName())
	p, err := s.keeper(ctx, said.GetName(), func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		requireETag(req.GetEtag(), fields)
		if !named {
			return // named as wrong already
		}
		for _, part := range []struct {
			field  string
			stated *string
			own    string
		}{{"listing.yard", &said.Yard, yard}, {"listing.stock_number", &said.StockNumber, stock}} {
			if *part.stated != "" && *part.stated != part.own {
				fields.Add(part.field, "is not the name's", part.own+", or nothing")
			}
			*part.stated = part.own
		}
		listing.Validate(said, "listing.", fields)
	}, "listing.name")
	if err != nil {
		return nil, err
	}
	l, at, err := s.write(ctx, s.change(p, req, req.GetRequestId(), said.GetName(), func(old *fitmentv1.Listing, version int64, now time.Time) (*fitmentv1.Listing, error) {
		if err := sameETag(req.GetEtag(), version, old); err != nil {
			return nil, err
		}
		if err := notFuture(said, now); err != nil {
			return nil, err
		}
		whole := said
		if p.Tenant != yard {
			whole = listing.KeepCost(said, old)
		}
		if err := s.attached(ctx, p, yard, old, said.GetEvidence(), "listing.evidence"); err != nil {
			return nil, err
		}
		next, _, err := listing.Revise(old, whole, now)
		return next, err
	}))
	if err != nil {
		return nil, err
	}
	return &fitmentv1.UpdateListingResponse{Listing: l, Revision: at}, nil
}

// WithdrawListing takes a listing off sale.
func (s *Server) WithdrawListing(ctx context.Context, req *fitmentv1.WithdrawListingRequest) (*fitmentv1.WithdrawListingResponse, error) {
	l, at, err := s.turn(ctx, req, listing.Withdraw)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.WithdrawListingResponse{Listing: l, Revision: at}, nil
}

// turnRequest is what the requests have by which a yard moves a listing of its own
// to another state.
type turnRequest interface {
	proto.Message
	GetName() string
	GetEtag() string
	GetRequestId() string
}

// turn moves a yard's listing to another state, which to decides.
func (s *Server) turn(
	ctx context.Context, req turnRequest, to func(old *fitmentv1.Listing, now time.Time) (*fitmentv1.Listing, error),
) (*fitmentv1.Listing, string, error) {
	p, err := s.keeper(ctx, req.GetName(), func(fields *check.Fields) {
		requests.ID(fields, req.GetRequestId())
		requireETag(req.GetEtag(), fields)
	}, "name")
	if err != nil {
		return nil, "", err
	}
	return s.write(ctx, s.change(p, req, req.GetRequestId(), req.GetName(), func(old *fitmentv1.Listing, version int64, now time.Time) (*fitmentv1.Listing, error) {
		if err := sameETag(req.GetEtag(), version, old); err != nil {
			return nil, err
		}
		return to(old, now)
	}))
}

// keeper checks a write of the yard's own: who calls, that the name in the
// field is one, whatever else checks says, and that the caller may do it.
func (*Server) keeper(ctx context.Context, name string, checks func(*check.Fields), field string) (identity.Principal, error) {
	p, err := caller(ctx)
	if err != nil {
		return p, err
	}
	err = wellFormed(func(fields *check.Fields) {
		requireName(name, field, fields)
		checks(fields)
	})
	if err != nil {
		return p, err
	}
	yard, _, _ := listing.ParseName(name)
	return p, mayList(p, yard)
}

// change is a write that reads one listing and moves it by a function of what
// is stored.
func (s *Server) change(
	p identity.Principal, req proto.Message, requestID, name string,
	move func(old *fitmentv1.Listing, version int64, now time.Time) (*fitmentv1.Listing, error),
) write {
	return write{caller: p, request: req, requestID: requestID, act: func(ctx context.Context, now time.Time) (*fitmentv1.Listing, store.Change, error) {
		record, old, err := s.read(ctx, name)
		if err != nil {
			return nil, store.Change{}, err
		}
		next, err := move(old, record.Version, now)
		if err != nil {
			return nil, store.Change{}, err
		}
		change, err := putListing(record, next)
		return next, change, err
	}}
}

// read reads a listing by its name.
func (s *Server) read(ctx context.Context, name string) (store.Record, *fitmentv1.Listing, error) {
	yard, stock, ok := listing.ParseName(name)
	if !ok {
		return store.Record{}, nil, wellFormed(func(fields *check.Fields) { requireName(name, "name", fields) })
	}
	record, err := s.store.Get(ctx, listing.Key(yard, stock))
	if errors.Is(err, store.ErrNotFound) {
		return record, nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no %s", name)
	}
	if err != nil {
		return record, nil, edge(err)
	}
	l, err := listing.Decode(record.Value)
	return record, l, err
}

// putListing is the change that stores a listing over the record that was read.
func putListing(record store.Record, next *fitmentv1.Listing) (store.Change, error) {
	value, err := listing.Encode(next)
	if err != nil {
		return store.Change{}, err
	}
	if len(value) > store.MaxValue {
		return store.Change{}, fmt.Errorf("%s is too large to store", next.GetName())
	}
	return store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version, Value: value}}}, nil
}

// seen is a stored listing as the caller may see it, with its etag.
func seen(l *fitmentv1.Listing, version int64, p identity.Principal, now time.Time) *fitmentv1.Listing {
	view := listing.View(l, p, now)
	view.Etag = revision.ETag(version)
	return view
}

func requireName(name, field string, fields *check.Fields) {
	if _, _, ok := listing.ParseName(name); !ok {
		fields.Add(field, "is no listing's name", "listings/{yard}.{stock_number}")
	}
}

func requireETag(etag string, fields *check.Fields) {
	fields.Text("etag", etag, 40, true)
}

func sameETag(etag string, version int64, l *fitmentv1.Listing) error {
	if etag == revision.ETag(version) {
		return nil
	}
	return apierr.New(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE,
		"etag: %s has changed since it was read; read it again", l.GetName())
}
