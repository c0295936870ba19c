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

// page reads a page of one tenant's records of a kind, in id order. It may hold fewer
// than asked for although there are more.
func (s records) page(ctx context.Context, p identity.Principal, req paged, tenant, kind string) ([]store.Record, following, error) {
	size, cursor, next, err := s.beginPage(ctx, p, req)
	if err != nil {
		return nil, following{}, err
	}
	records, err := s.store.List(ctx, tenant, kind, cursor.After, size+1)
	if err != nil {
		return nil, following{}, edge(err)
	}
	if n := fitting(records, size); n < len(records) {
		records = records[:n]
		next.token, err = page.Encode(p.Tenant, req, listCursor{After: records[n-1].Key.ID})
	}
	return records, next, err
}

// fitting is how many records make a page: at most size, and no more bytes than an
// answer has room for.
func fitting(records []store.Record, size int) int {
	room := pageBytes
	for i, record := range records {
		if room -= len(record.Value); i == size || (room < 0 && i > 0) {
			return i
		}
	}
	return len(records)
}

// beginPage reads what a request says about its page.
func (s records) beginPage(ctx context.Context, p identity.Principal, req paged) (size int, cursor listCursor, next following, err error) {
	if size, err = page.Size(req.GetPageSize()); err != nil {
		return 0, listCursor{}, following{}, err
	}
	if err := page.Decode(p.Tenant, req, req.GetPageToken(), &cursor); err != nil {
		return 0, listCursor{}, following{}, err
	}
	place, err := s.store.Place(ctx)
	if err != nil {
		return 0, listCursor{}, following{}, edge(err)
	}
	return size, cursor, following{revision: revision.Place(place)}, nil
}

const (
	// pageBytes is what the records of such a page come to at most, unless it is a
	// single one, so that an answer stays below what may be sent.
	pageBytes = 4 << 20
	// readAtOnce is how many of them are read from the store at once.
	readAtOnce = 32
)

// pageOfLive is a page of the caller's own records of a kind, without those that
// were deleted. It may hold fewer than asked for although there are more.
func (s records) pageOfLive(ctx context.Context, p identity.Principal, req paged, kind string) ([]store.Record, following, error) {
	return s.pageWhere(ctx, p, req, p.Tenant, kind, func(store.Record) (bool, error) { return true, nil })
}

// pageWhere is a page of one tenant's records of a kind that are wanted, which is
// asked once for each that is read and was not deleted, in id order.
func (s records) pageWhere(
	ctx context.Context, p identity.Principal, req paged, tenant, kind string, wanted func(store.Record) (bool, error),
) ([]store.Record, following, error) {
	size, cursor, next, err := s.beginPage(ctx, p, req)
	if err != nil {
		return nil, following{}, err
	}
	var records []store.Record
	room := pageBytes
	for after := cursor.After; ; {
		some, err := s.store.List(ctx, tenant, kind, after, readAtOnce)
		if err != nil || len(some) == 0 {
			return records, next, edge(err)
		}
		for _, record := range some {
			after = record.Key.ID
			if len(record.Value) == 0 {
				continue
			}
			if yes, err := wanted(record); err != nil || !yes {
				if err != nil {
					return nil, following{}, err
				}
				continue
			}
			if room -= len(record.Value); len(records) == size || (room < 0 && len(records) > 0) {
				next.token, err = page.Encode(p.Tenant, req, listCursor{After: records[len(records)-1].Key.ID})
				return records, next, err
			}
			records = append(records, record)
		}
	}
}
