package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/page"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/quote/repair"
	"beltwright.example/services/store"
)

// Kinds of records of repair orders.
const (
	kindRepair       = "repair-order"
	kindRepairNumber = "repair-order-number" // by year: the last number given
	kindRepairQuote  = "repair-order-quote"  // by quote: the order that its parts were ordered on
)

// mostScanned bounds the orders that one page looks at, so that a filter that
// suits few of many answers in time; the next page goes on behind them.
const mostScanned = 5000

// CreateRepairOrder opens an order with the complaint.
func (s *Server) CreateRepairOrder(ctx context.Context, request *quotev1.CreateRepairOrderRequest) (*quotev1.CreateRepairOrderResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	repair.Open(request, "", s.now(), &fields)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	w, applied, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	for range conflictTries {
		if err != nil || applied.Replayed {
			break
		}
		applied, err = s.openOrder(ctx, w, request)
		if !errors.Is(err, store.ErrConflict) {
			break
		}
		applied, err = store.Applied{}, nil
	}
	if err == nil && len(applied.Versions) == 0 {
		err = contended()
	}
	if err != nil {
		return nil, err
	}
	order := &quotev1.RepairOrder{}
	if err := proto.Unmarshal(applied.Answer, order); err != nil {
		return nil, fmt.Errorf("read the kept answer: %w", err)
	}
	order.Etag = revision.ETag(applied.Versions[0])
	place, err := s.placeOf(ctx, applied.Versions[0])
	return &quotev1.CreateRepairOrderResponse{RepairOrder: order, Revision: place}, err
}

// openOrder gives an order its number and stores it, in one step.
func (s *Server) openOrder(ctx context.Context, w write, request *quotev1.CreateRepairOrderRequest) (store.Applied, error) {
	now := s.now()
	year := now.UTC().Format("2006")
	counter, n, err := s.count(ctx, w.tenant, kindRepairNumber, year)
	if err != nil {
		return store.Applied{}, err
	}
	var fields check.Fields
	order := repair.Open(request, repair.Number(year, n), now, &fields)
	raw, err := encodeOrder(order, endRoom)
	if err != nil {
		return store.Applied{}, err
	}
	put := store.Put{Key: orderKey(w.tenant, order.GetName()), Expect: store.Absent, Value: raw}
	return s.apply(ctx, w, store.Change{Puts: []store.Put{put, counter}}, raw)
}

func orderKey(tenant, name string) store.Key {
	return store.Key{Tenant: tenant, Kind: kindRepair, ID: strings.TrimPrefix(name, repair.Prefix)}
}

// endRoom is kept free in an order's record for the steps that bring it to its end,
// of which there are at most ten and each takes less than 6 KiB, and for what follows
// from the steps before.
const endRoom = 96 << 10

// encodeOrder is an order's stored form, which has no etag: that is the record's
// version. So many bytes of its record stay free.
func encodeOrder(order *quotev1.RepairOrder, free int) ([]byte, error) {
	bare := proto.CloneOf(order)
	bare.Etag = ""
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(bare)
	if err != nil {
		return nil, fmt.Errorf("keep the repair order: %w", err)
	}
	if len(raw) > store.MaxValue-room-free {
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"repair order %s holds as much as one may; close it or give it up, and open another one", order.GetNumber())
	}
	return raw, nil
}

func readOrder(record store.Record) (*quotev1.RepairOrder, error) {
	order := &quotev1.RepairOrder{}
	if err := proto.Unmarshal(record.Value, order); err != nil {
		return nil, fmt.Errorf("read repair order %s: %w", record.Key.ID, err)
	}
	order.Etag = revision.ETag(record.Version)
	return order, nil
}

// loadOrder reads one of the tenant's repair orders.
func (s *Server) loadOrder(ctx context.Context, tenant, name string) (store.Record, *quotev1.RepairOrder, error) {
	if _, err := id(name, repair.Prefix, "repairOrders/R-2026-000001"); err != nil {
		return store.Record{}, nil, err
	}
	record, err := s.store.Get(ctx, orderKey(tenant, name))
	if errors.Is(err, store.ErrNotFound) {
		return store.Record{}, nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "you have no repair order %s", name)
	}
	if err != nil {
		return store.Record{}, nil, fmt.Errorf("read repair order: %w", err)
	}
	order, err := readOrder(record)
	return record, order, err
}

// GetRepairOrder returns one of the caller's orders.
func (s *Server) GetRepairOrder(ctx context.Context, request *quotev1.GetRepairOrderRequest) (*quotev1.GetRepairOrderResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	place, err := s.placeOf(ctx, 0)
	if err != nil {
		return nil, err
	}
	_, order, err := s.loadOrder(ctx, who.Tenant, request.GetName())
	if err != nil {
		return nil, err
	}
	return &quotev1.GetRepairOrderResponse{RepairOrder: order, Revision: place}, nil
}

// ListRepairOrders pages through the caller's orders, or those in one state.
func (s *Server) ListRepairOrders(ctx context.Context, request *quotev1.ListRepairOrdersRequest) (*quotev1.ListRepairOrdersResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	if _, known := quotev1.RepairOrder_State_name[int32(request.GetState())]; !known {
		fields.Add("state", fmt.Sprintf("%d is no state", request.GetState()), "a state such as ORDERED, or nothing")
	}
	if err := fields.Err(); err != nil {
		return nil, err
	}
	size, err := page.Size(request.GetPageSize())
	if err != nil {
		return nil, err
	}
	var after string
	if err := page.Decode(who.Tenant, request, request.GetPageToken(), &after); err != nil {
		return nil, err
	}
	answer := &quotev1.ListRepairOrdersResponse{}
	if answer.Revision, err = s.placeOf(ctx, 0); err != nil { // before the records: never newer than they are
		return nil, err
	}
	more, bytes := true, 0
	for scanned := 0; more && len(answer.GetRepairOrders()) < size && scanned < mostScanned && bytes < pageBytes; {
		var records []store.Record
		records, more, err = s.readPage(ctx, who.Tenant, kindRepair, after, size-len(answer.GetRepairOrders()))
		if err != nil {
			return nil, fmt.Errorf("list repair orders: %w", err)
		}
		for _, record := range records {
			order, err := readOrder(record)
			if err != nil {
				return nil, err
			}
			after = record.Key.ID
			if request.GetState() == quotev1.RepairOrder_STATE_UNSPECIFIED || request.GetState() == order.GetState() {
				answer.RepairOrders, bytes = append(answer.RepairOrders, order), bytes+len(record.Value)
			}
		}
		scanned += len(records)
	}
	if more {
		answer.NextPageToken, err = page.Encode(who.Tenant, request, after)
	}
	return answer, err
}
