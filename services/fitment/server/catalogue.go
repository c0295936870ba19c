package server

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// GetPart returns one part of the catalogue.
func (s *Server) GetPart(ctx context.Context, req *fitmentv1.GetPartRequest) (*fitmentv1.GetPartResponse, error) {
	if _, err := caller(ctx); err != nil {
		return nil, err
	}
	id, ok := strings.CutPrefix(req.GetName(), "parts/")
	if maker, number, dotted := strings.Cut(id, "."); !ok || !dotted || maker == "" || number == "" || len(id) > store.MaxKeyPart || strings.ContainsRune(id, 0) {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "name", Problem: "is no part's name", Expected: "parts/{maker}.{number}",
		})
	}
	at, err := s.here(ctx)
	if err != nil {
		return nil, err
	}
	record, err := s.store.Get(ctx, store.Key{Tenant: catalogue.Tenant, Kind: catalogue.KindPart, ID: id})
	if errors.Is(err, store.ErrNotFound) {
		return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no %s", req.GetName())
	}
	if err != nil {
		return nil, edge(err)
	}
	part, err := decodePart(record)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.GetPartResponse{Part: part, Revision: at}, nil
}

// ListParts pages through the parts.
func (s *Server) ListParts(ctx context.Context, req *fitmentv1.ListPartsRequest) (*fitmentv1.ListPartsResponse, error) {
	parts, next, err := listCatalogue(ctx, s, req, catalogue.KindPart, decodePart)
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ListPartsResponse{Parts: parts, NextPageToken: next.token, Revision: next.revision}, nil
}

// ListSupersessions pages through the supersessions.
func (s *Server) ListSupersessions(ctx context.Context, req *fitmentv1.ListSupersessionsRequest) (*fitmentv1.ListSupersessionsResponse, error) {
	list, next, err := listCatalogue(ctx, s, req, catalogue.KindSupersession, func(record store.Record) (*fitmentv1.Supersession, error) {
		one := &fitmentv1.Supersession{}
		return one, proto.Unmarshal(record.Value, one)
	})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ListSupersessionsResponse{Supersessions: list, NextPageToken: next.token, Revision: next.revision}, nil
}

// ListRecalls pages through recall notices and coverage statements.
func (s *Server) ListRecalls(ctx context.Context, req *fitmentv1.ListRecallsRequest) (*fitmentv1.ListRecallsResponse, error) {
	list, next, err := listCatalogue(ctx, s, req, catalogue.KindRecall, func(record store.Record) (*fitmentv1.Recall, error) {
		one := &fitmentv1.Recall{}
		return one, proto.Unmarshal(record.Value, one)
	})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ListRecallsResponse{Recalls: list, NextPageToken: next.token, Revision: next.revision}, nil
}

// ListVehicleData pages through what is known of vehicles.
func (s *Server) ListVehicleData(ctx context.Context, req *fitmentv1.ListVehicleDataRequest) (*fitmentv1.ListVehicleDataResponse, error) {
	list, next, err := listCatalogue(ctx, s, req, catalogue.KindVehicleData, func(record store.Record) (*fitmentv1.VehicleData, error) {
		one := &fitmentv1.VehicleData{}
		return one, proto.Unmarshal(record.Value, one)
	})
	if err != nil {
		return nil, err
	}
	return &fitmentv1.ListVehicleDataResponse{VehicleData: list, NextPageToken: next.token, Revision: next.revision}, nil
}

func decodePart(record store.Record) (*fitmentv1.Part, error) {
	part := &fitmentv1.Part{}
	err := proto.Unmarshal(record.Value, part)
	part.Etag = revision.ETag(record.Version)
	return part, err
}

// listCatalogue pages through one kind of the catalogue's records.
func listCatalogue[M proto.Message](ctx context.Context, s *Server, req paged, kind string, decode func(store.Record) (M, error)) ([]M, following, error) {
	p, err := caller(ctx)
	if err != nil {
		return nil, following{}, err
	}
	records, next, err := s.page(ctx, p, req, catalogue.Tenant, kind)
	if err != nil {
		return nil, following{}, err
	}
	list := make([]M, 0, len(records))
	for _, record := range records {
		one, err := decode(record)
		if err != nil {
			return nil, following{}, err
		}
		list = append(list, one)
	}
	return list, next, nil
}
