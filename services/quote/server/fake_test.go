package server_test

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// fakeFitment is a fitment service that decides what a test tells it to, and
// keeps the promises about holds, fences, sales and request ids that the real
// one keeps. A holder extends his hold by its fence; the new hold ends the old one.
type fakeFitment struct {
	fitmentv1.UnimplementedFitmentServiceServer
	fitmentv1.UnimplementedListingServiceServer
	fitmentv1.UnimplementedIdentityServiceServer

	now    func() time.Time
	health *health.Server

	mu       sync.Mutex
	tenant   string // who calls; the fake knows no credentials
	donors   map[string]*fitmentv1.Donor
	parts    []*fitmentv1.PartMatch
	answers  map[string]*fitmentv1.Listing // by request id
	calls    map[string]int
	hang     bool
	pageSize int
	endless  bool
	// before, where set, runs before a method with the lock held; its error is
	// the answer.
	before map[string]func(name string) error
	// after, where set, runs after a method; its error replaces the answer.
	after map[string]func(name string) error
	// spoil, where set, may alter any answer to a search or decision.
	spoil func(*fitmentv1.Donor)
}

func newFake(t *testing.T, now func() time.Time) (*fakeFitment, *grpc.ClientConn) {
	t.Helper()
	fake := &fakeFitment{
		now: now, tenant: "shop-a", donors: make(map[string]*fitmentv1.Donor), answers: make(map[string]*fitmentv1.Listing),
		calls: make(map[string]int), before: make(map[string]func(string) error), after: make(map[string]func(string) error),
		health: health.NewServer(), pageSize: 2,
	}
	fake.health.SetServingStatus(fitmentv1.FitmentService_ServiceDesc.ServiceName, healthpb.HealthCheckResponse_SERVING)
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer()
	fitmentv1.RegisterFitmentServiceServer(server, fake)
	fitmentv1.RegisterListingServiceServer(server, fake)
	fitmentv1.RegisterIdentityServiceServer(server, fake)
	healthpb.RegisterHealthServer(server, fake.health)
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	conn, err := grpc.NewClient("passthrough:///fake", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		server.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	return fake, conn
}

// GetBusiness knows shops, which have books, and yards, which have none.
func (f *fakeFitment) GetBusiness(ctx context.Context, req *fitmentv1.GetBusinessRequest) (*fitmentv1.GetBusinessResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "GetBusiness", req.GetName()); err != nil {
		return nil, err
	}
	id, _ := strings.CutPrefix(req.GetName(), "businesses/")
	desks := map[string][]string{"shop-a": {"shop", "books"}, "shop-b": {"shop", "books"}, "yard-a": {"yard", "admin"}}
	if desks[id] == nil {
		return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "there is no business %s", id)
	}
	return &fitmentv1.GetBusinessResponse{Business: &fitmentv1.Business{Id: id, Roles: desks[id]}}, nil
}

// enter counts a call and does what the test asks for before it.
func (f *fakeFitment) enter(ctx context.Context, method, name string) error {
	if f.hang {
		f.mu.Unlock()
		<-ctx.Done()
		f.mu.Lock()
		return ctx.Err()
	}
	f.calls[method]++
	if before := f.before[method]; before != nil {
		return before(name)
	}
	return nil
}

func (f *fakeFitment) leave(method, name string) error {
	if after := f.after[method]; after != nil {
		return after(name)
	}
	return nil
}

// state is the state that counts now.
func (f *fakeFitment) state(l *fitmentv1.Listing) fitmentv1.Listing_State {
	if l.GetState() == fitmentv1.Listing_HELD && !f.now().Before(l.GetHold().GetExpireTime().AsTime()) {
		return fitmentv1.Listing_AVAILABLE
	}
	return l.GetState()
}

// view is a listing as it is now.
func (f *fakeFitment) view(l *fitmentv1.Listing) *fitmentv1.Listing {
	v := proto.CloneOf(l)
	v.State = f.state(l)
	if v.GetHold().GetHolder() != f.tenant {
		v.Hold = nil
	}
	return v
}

func (f *fakeFitment) donor(d *fitmentv1.Donor) *fitmentv1.Donor {
	made := &fitmentv1.Donor{Listing: f.view(d.GetListing()), Decision: proto.CloneOf(d.GetDecision())}
	if f.spoil != nil {
		f.spoil(made)
	}
	return made
}

func (f *fakeFitment) FindDonors(ctx context.Context, r *fitmentv1.FindDonorsRequest) (*fitmentv1.FindDonorsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "FindDonors", ""); err != nil {
		return nil, err
	}
	var names []string
	for name, d := range f.donors {
		on := f.state(d.GetListing())
		if kind := d.GetListing().GetKind(); kind != r.GetNeed().GetKind() {
			continue
		}
		if on == fitmentv1.Listing_AVAILABLE || (on == fitmentv1.Listing_HELD && d.GetListing().GetHold().GetHolder() == f.tenant) {
			names = append(names, name)
		}
	}
	slices.SortFunc(names, func(a, b string) int {
		fa, fb := f.donors[a].GetDecision().GetVerdict(), f.donors[b].GetDecision().GetVerdict()
		if fa != fb {
			return int(fa) - int(fb)
		}
		return strings.Compare(a, b)
	})
	start := 0
	if r.GetPageToken() != "" {
		start = slices.Index(names, r.GetPageToken()) + 1
	}
	end := min(start+f.pageSize, len(names))
	answer := &fitmentv1.FindDonorsResponse{Revision: "d-fake"}
	for _, name := range names[start:end] {
		answer.Donors = append(answer.Donors, f.donor(f.donors[name]))
	}
	switch {
	case f.endless:
		answer.NextPageToken = fmt.Sprint(f.calls["FindDonors"])
	case end < len(names):
		answer.NextPageToken = names[end-1]
	}
	return answer, f.leave("FindDonors", "")
}

func (f *fakeFitment) FindParts(ctx context.Context, r *fitmentv1.FindPartsRequest) (*fitmentv1.FindPartsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "FindParts", ""); err != nil {
		return nil, err
	}
	answer := &fitmentv1.FindPartsResponse{Revision: "d-fake"}
	for _, match := range f.parts {
		if match.GetPart().GetKind() == r.GetNeed().GetKind() {
			answer.Parts = append(answer.Parts, proto.CloneOf(match))
		}
	}
	return answer, f.leave("FindParts", "")
}

func (f *fakeFitment) Decide(ctx context.Context, r *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "Decide", r.GetListingName()); err != nil {
		return nil, err
	}
	if r.GetListing() != nil { // asked for what is due with a part of this kind
		made := decision(unknown, unknown)
		made.ArrivalChecks = dueChecks()
		return &fitmentv1.DecideResponse{Decision: made}, f.leave("Decide", "")
	}
	d, err := f.find(r.GetListingName())
	if err != nil {
		return nil, err
	}
	return &fitmentv1.DecideResponse{Decision: f.donor(d).GetDecision()}, f.leave("Decide", r.GetListingName())
}

func (f *fakeFitment) find(name string) (*fitmentv1.Donor, error) {
	if d := f.donors[name]; d != nil {
		return d, nil
	}
	return nil, apierr.New(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND, "no %s", name)
}

func (f *fakeFitment) GetListing(ctx context.Context, r *fitmentv1.GetListingRequest) (*fitmentv1.GetListingResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, "GetListing", r.GetName()); err != nil {
		return nil, err
	}
	d, err := f.find(r.GetName())
	if err != nil {
		return nil, err
	}
	return &fitmentv1.GetListingResponse{Listing: f.donor(d).GetListing()}, f.leave("GetListing", r.GetName())
}

// write runs a write once for each request id.
func (f *fakeFitment) write(ctx context.Context, method, name, requestID string, act func(l *fitmentv1.Listing, state fitmentv1.Listing_State) error) (*fitmentv1.Listing, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if err := f.enter(ctx, method, name); err != nil {
		return nil, err
	}
	d, err := f.find(name)
	if err != nil {
		return nil, err
	}
	requestID = f.tenant + requestID
	if before := f.answers[requestID]; before != nil {
		return before, f.leave(method, name)
	}
	state := f.state(d.GetListing())
	if state == fitmentv1.Listing_SOLD || state == fitmentv1.Listing_WITHDRAWN {
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_GONE, "%s is gone", name)
	}
	if err := act(d.GetListing(), state); err != nil {
		return nil, err
	}
	f.answers[requestID] = proto.CloneOf(d.GetListing())
	return f.answers[requestID], f.leave(method, name)
}

func (f *fakeFitment) HoldListing(ctx context.Context, r *fitmentv1.HoldListingRequest) (*fitmentv1.HoldListingResponse, error) {
	l, err := f.write(ctx, "HoldListing", r.GetName(), r.GetRequestId(), func(l *fitmentv1.Listing, state fitmentv1.Listing_State) error {
		live := state == fitmentv1.Listing_HELD
		if live && (l.GetHold().GetHolder() != f.tenant || l.GetHold().GetFence() != r.GetFence()) {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LISTING_HELD, "%s is held", l.GetName())
		}
		if !live && r.GetFence() != 0 {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST, "hold %d of %s is lost", r.GetFence(), l.GetName())
		}
		f.holdFor(l, f.tenant, time.Duration(r.GetMinutes())*time.Minute)
		return nil
	})
	return &fitmentv1.HoldListingResponse{Listing: l}, err
}

func (f *fakeFitment) holdFor(l *fitmentv1.Listing, holder string, span time.Duration) {
	l.State = fitmentv1.Listing_HELD
	l.Hold = &fitmentv1.Hold{Holder: holder, Fence: l.GetHold().GetFence() + 1, ExpireTime: timestamppb.New(f.now().Add(span))}
}

func (f *fakeFitment) owned(l *fitmentv1.Listing, state fitmentv1.Listing_State, fence int64) error {
	if state != fitmentv1.Listing_HELD || l.GetHold().GetHolder() != f.tenant || l.GetHold().GetFence() != fence {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_HOLD_LOST, "hold %d of %s is lost", fence, l.GetName())
	}
	return nil
}

func (f *fakeFitment) ReleaseListing(ctx context.Context, r *fitmentv1.ReleaseListingRequest) (*fitmentv1.ReleaseListingResponse, error) {
	l, err := f.write(ctx, "ReleaseListing", r.GetName(), r.GetRequestId(), func(l *fitmentv1.Listing, state fitmentv1.Listing_State) error {
		if err := f.owned(l, state, r.GetFence()); err != nil {
			return err
		}
		l.State = fitmentv1.Listing_AVAILABLE
		return nil
	})
	return &fitmentv1.ReleaseListingResponse{Listing: l}, err
}

func (f *fakeFitment) SellListing(ctx context.Context, r *fitmentv1.SellListingRequest) (*fitmentv1.SellListingResponse, error) {
	l, err := f.write(ctx, "SellListing", r.GetName(), r.GetRequestId(), func(l *fitmentv1.Listing, state fitmentv1.Listing_State) error {
		if err := f.owned(l, state, r.GetFence()); err != nil {
			return err
		}
		if f.donors[r.GetName()].GetDecision().GetVerdict() != fitmentv1.Decision_FITS {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "%s does not fit any more", l.GetName())
		}
		l.State, l.Buyer = fitmentv1.Listing_SOLD, f.tenant
		return nil
	})
	return &fitmentv1.SellListingResponse{Listing: l}, err
}

// set runs a change of the fake under its lock.
func (f *fakeFitment) set(change func()) {
	f.mu.Lock()
	defer f.mu.Unlock()
	change()
}

// listing is the fake's record of a listing, as it is now.
func (f *fakeFitment) listing(name string) *fitmentv1.Listing {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.view(f.donors[name].GetListing())
}

func (f *fakeFitment) count(method string) int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.calls[method]
}
