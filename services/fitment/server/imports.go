package server

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/listing"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/imports"
)

// ImportParts reads parts.
func (s *Server) ImportParts(stream grpc.BidiStreamingServer[fitmentv1.ImportPartsRequest, fitmentv1.ImportPartsResponse]) error {
	return imports.Serve(stream, s.intoCatalogue(catalogue.PartsTarget()),
		func(r *fitmentv1.RowResult) *fitmentv1.ImportPartsResponse {
			return &fitmentv1.ImportPartsResponse{Content: &fitmentv1.ImportPartsResponse_Row{Row: r}}
		},
		func(sum *fitmentv1.ImportSummary) *fitmentv1.ImportPartsResponse {
			return &fitmentv1.ImportPartsResponse{Content: &fitmentv1.ImportPartsResponse_Summary{Summary: sum}}
		})
}

// ImportSupersessions reads supersessions.
func (s *Server) ImportSupersessions(stream grpc.BidiStreamingServer[fitmentv1.ImportSupersessionsRequest, fitmentv1.ImportSupersessionsResponse]) error {
	return imports.Serve(stream, s.intoCatalogue(catalogue.SupersessionsTarget()),
		func(r *fitmentv1.RowResult) *fitmentv1.ImportSupersessionsResponse {
			return &fitmentv1.ImportSupersessionsResponse{Content: &fitmentv1.ImportSupersessionsResponse_Row{Row: r}}
		},
		func(sum *fitmentv1.ImportSummary) *fitmentv1.ImportSupersessionsResponse {
			return &fitmentv1.ImportSupersessionsResponse{Content: &fitmentv1.ImportSupersessionsResponse_Summary{Summary: sum}}
		})
}

// ImportRecalls reads recall notices and coverage statements.
func (s *Server) ImportRecalls(stream grpc.BidiStreamingServer[fitmentv1.ImportRecallsRequest, fitmentv1.ImportRecallsResponse]) error {
	return imports.Serve(stream, s.intoCatalogue(catalogue.RecallsTarget()),
		func(r *fitmentv1.RowResult) *fitmentv1.ImportRecallsResponse {
			return &fitmentv1.ImportRecallsResponse{Content: &fitmentv1.ImportRecallsResponse_Row{Row: r}}
		},
		func(sum *fitmentv1.ImportSummary) *fitmentv1.ImportRecallsResponse {
			return &fitmentv1.ImportRecallsResponse{Content: &fitmentv1.ImportRecallsResponse_Summary{Summary: sum}}
		})
}

// ImportVehicleData reads what is known of vehicles.
func (s *Server) ImportVehicleData(stream grpc.BidiStreamingServer[fitmentv1.ImportVehicleDataRequest, fitmentv1.ImportVehicleDataResponse]) error {
	return imports.Serve(stream, s.intoCatalogue(catalogue.VehicleDataTarget()),
		func(r *fitmentv1.RowResult) *fitmentv1.ImportVehicleDataResponse {
			return &fitmentv1.ImportVehicleDataResponse{Content: &fitmentv1.ImportVehicleDataResponse_Row{Row: r}}
		},
		func(sum *fitmentv1.ImportSummary) *fitmentv1.ImportVehicleDataResponse {
			return &fitmentv1.ImportVehicleDataResponse{Content: &fitmentv1.ImportVehicleDataResponse_Summary{Summary: sum}}
		})
}

// ImportListings reads a yard's listings.
func (s *Server) ImportListings(stream grpc.BidiStreamingServer[fitmentv1.ImportListingsRequest, fitmentv1.ImportListingsResponse]) error {
	return imports.Serve(stream, s.intoListings,
		func(r *fitmentv1.RowResult) *fitmentv1.ImportListingsResponse {
			return &fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Row{Row: r}}
		},
		func(sum *fitmentv1.ImportSummary) *fitmentv1.ImportListingsResponse {
			return &fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Summary{Summary: sum}}
		})
}

// starter checks who may import what.
type starter = func(ctx context.Context, options *fitmentv1.ImportOptions) (imports.Job, error)

// intoCatalogue lets the operator import into the catalogue, which belongs to
// nobody else.
func (s *Server) intoCatalogue(target imports.Target) starter {
	return func(ctx context.Context, options *fitmentv1.ImportOptions) (imports.Job, error) {
		p, err := caller(ctx)
		if err != nil {
			return imports.Job{}, err
		}
		if !p.Has(identity.Operator) {
			return imports.Job{}, apierr.New(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING,
				"only the operator may change the catalogue")
		}
		if options.GetOwner() != "" && options.GetOwner() != catalogue.Tenant {
			return imports.Job{}, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
				Field: "options.owner", Problem: "the catalogue belongs to no business", Expected: "nothing",
			})
		}
		return imports.Job{Store: headed{s.store}, Target: target, Owner: catalogue.Tenant, Committed: s.index.Fresh}, nil
	}
}

// intoListings lets a yard import its own listings, and the operator anyone's.
func (s *Server) intoListings(ctx context.Context, options *fitmentv1.ImportOptions) (imports.Job, error) {
	p, err := caller(ctx)
	if err != nil {
		return imports.Job{}, err
	}
	yard := options.GetOwner()
	if yard == "" {
		yard = p.Tenant
	}
	if _, _, ok := listing.ParseName(listing.Name(yard, "0")); !ok {
		return imports.Job{}, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "options.owner", Problem: "is no business's id", Expected: "1 to 32 of a-z, 0-9 and -",
		})
	}
	if err := mayList(p, yard); err != nil {
		return imports.Job{}, err
	}
	if err := s.listsFor(ctx, p, yard, "options.owner"); err != nil {
		return imports.Job{}, err
	}
	now := func() (time.Time, error) { return s.store.Now(ctx) }
	return imports.Job{Store: s.store, Target: listing.Target(now), Owner: yard, Committed: s.index.Fresh}, nil
}
