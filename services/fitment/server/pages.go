package server

import (
	"context"

	"google.golang.org/protobuf/proto"

	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

// paged is a request for a page.
type paged interface {
	proto.Message
	GetPageSize() int32
	GetPageToken() string
}

// listCursor is where a page of records starts.
type listCursor struct {
	// After is the id of the last record of the page before.
	After string `json:"after"`
}

// following says how to go on from a page.
type following struct {
	token    string
	revision string
}

// page reads a page of one tenant's records of a kind, in id order.
func (s *Server) page(ctx context.Context, p identity.Principal, req paged, tenant, kind string) ([]store.Record, following, error) {
	size, err := page.Size(req.GetPageSize())
	if err != nil {
		return nil, following{}, err
	}
	var cursor listCursor
	if err := page.Decode(p.Tenant, req, req.GetPageToken(), &cursor); err != nil {
		return nil, following{}, err
	}
	place, err := s.store.Place(ctx)
	if err != nil {
		return nil, following{}, edge(err)
	}
	next := following{revision: revision.Place(place)}
	records, err := s.store.List(ctx, tenant, kind, cursor.After, size+1)
	if err != nil {
		return nil, following{}, edge(err)
	}
	if len(records) > size {
		records = records[:size]
		next.token, err = page.Encode(p.Tenant, req, listCursor{After: records[size-1].Key.ID})
	}
	return records, next, err
}
