package rest_test

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const goodKey = "bw_shop_abcdefghijkl_secret"

// keyring accepts goodKey; the key "nobody-knows" cannot be verified now.
type keyring struct{}

func (keyring) Verify(_ context.Context, key string) (identity.Principal, error) {
	switch key {
	case goodKey:
		return identity.Principal{Tenant: "shop", Roles: []identity.Role{
			identity.Yard, identity.Shop, identity.Books, identity.Admin, identity.Operator,
		}}, nil
	case "nobody-knows":
		return identity.Principal{}, apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, 1500*time.Millisecond, "cannot tell")
	}
	return identity.Principal{}, auth.Invalid()
}

// fake stands for both services. Its hooks answer; it notes what it was sent.
type fake struct {
	fitmentv1.UnimplementedCatalogueServiceServer
	fitmentv1.UnimplementedListingServiceServer
	fitmentv1.UnimplementedFitmentServiceServer
	fitmentv1.UnimplementedEvidenceServiceServer
	quotev1.UnimplementedOfferServiceServer
	quotev1.UnimplementedQuoteServiceServer
	quotev1.UnimplementedPlanningServiceServer
	quotev1.UnimplementedBooksServiceServer
	quotev1.UnimplementedRepairServiceServer

	decide   func(ctx context.Context, r *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error)
	watch    func(r *fitmentv1.WatchDonorsRequest, stream fitmentv1.FitmentService_WatchDonorsServer) error
	upload   func(stream fitmentv1.EvidenceService_UploadAttachmentServer) error
	download func(r *fitmentv1.DownloadAttachmentRequest, stream fitmentv1.EvidenceService_DownloadAttachmentServer) error
	listings func(stream fitmentv1.ListingService_ImportListingsServer) error
	offers   func(stream quotev1.OfferService_ImportOffersServer) error
	ledger   func(r *quotev1.ExportLedgerRequest, stream ledgerStream) error

	mu   sync.Mutex
	last any
	md   metadata.MD
}

func (f *fake) note(ctx context.Context, r any) {
	md, _ := metadata.FromIncomingContext(ctx)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.last, f.md = r, md
}

func (f *fake) noted() (any, metadata.MD) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.last, f.md
}

func (f *fake) Decide(ctx context.Context, r *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
	f.note(ctx, r)
	if f.decide == nil {
		return &fitmentv1.DecideResponse{Revision: "r1"}, nil
	}
	return f.decide(ctx, r)
}

func (f *fake) GetListing(ctx context.Context, r *fitmentv1.GetListingRequest) (*fitmentv1.GetListingResponse, error) {
	f.note(ctx, r)
	return &fitmentv1.GetListingResponse{Listing: &fitmentv1.Listing{Name: r.GetName(), Price: 18000, State: fitmentv1.Listing_HELD}}, nil
}

func (f *fake) ListListings(ctx context.Context, r *fitmentv1.ListListingsRequest) (*fitmentv1.ListListingsResponse, error) {
	f.note(ctx, r)
	return &fitmentv1.ListListingsResponse{}, nil
}

func (f *fake) UpdateListing(ctx context.Context, r *fitmentv1.UpdateListingRequest) (*fitmentv1.UpdateListingResponse, error) {
	f.note(ctx, r)
	return &fitmentv1.UpdateListingResponse{Listing: r.GetListing()}, nil
}

func (f *fake) HoldListing(ctx context.Context, r *fitmentv1.HoldListingRequest) (*fitmentv1.HoldListingResponse, error) {
	f.note(ctx, r)
	return &fitmentv1.HoldListingResponse{}, nil
}

func (f *fake) PlanPurchase(ctx context.Context, r *quotev1.PlanPurchaseRequest) (*quotev1.PlanPurchaseResponse, error) {
	f.note(ctx, r)
	return &quotev1.PlanPurchaseResponse{Order: []string{"B"}, ExpectedCost: 23962, ExpectedDays: 6.666}, nil
}

func (f *fake) SolveBasket(ctx context.Context, r *quotev1.SolveBasketRequest) (*quotev1.SolveBasketResponse, error) {
	f.note(ctx, r)
	return &quotev1.SolveBasketResponse{Total: 5750, Nodes: 3, Assignment: []*quotev1.BasketChoice{{Part: "p1", Seller: "s1"}}}, nil
}

func (f *fake) WatchDonors(r *fitmentv1.WatchDonorsRequest, stream fitmentv1.FitmentService_WatchDonorsServer) error {
	f.note(stream.Context(), r)
	return f.watch(r, stream)
}

func (f *fake) ImportListings(stream fitmentv1.ListingService_ImportListingsServer) error {
	f.note(stream.Context(), nil)
	return f.listings(stream)
}

func (f *fake) ImportOffers(stream quotev1.OfferService_ImportOffersServer) error {
	f.note(stream.Context(), nil)
	return f.offers(stream)
}

// desk is a gateway before a fake, and a client of it.
type desk struct {
	t       *testing.T
	base    string
	handler *rest.Handler
	client  *http.Client
	fake    *fake
	health  *health.Server
	log     *logged
}

// logged is a log kept in memory.
type logged struct {
	mu   sync.Mutex
	text strings.Builder
}

func (l *logged) Write(part []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(part)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// unhurried is longer than any machine stands still.
const unhurried = 5 * time.Minute

func open(t *testing.T, f *fake, change func(o *rest.Options)) *desk {
	t.Helper()
	memory := bufconn.Listen(1 << 20)
	server := grpc.NewServer()
	fitmentv1.RegisterCatalogueServiceServer(server, f)
	fitmentv1.RegisterListingServiceServer(server, f)
	fitmentv1.RegisterFitmentServiceServer(server, f)
	fitmentv1.RegisterEvidenceServiceServer(server, f)
	quotev1.RegisterOfferServiceServer(server, f)
	quotev1.RegisterQuoteServiceServer(server, f)
	quotev1.RegisterPlanningServiceServer(server, f)
	quotev1.RegisterBooksServiceServer(server, f)
	quotev1.RegisterRepairServiceServer(server, f)
	d := &desk{t: t, fake: f, health: health.NewServer(), log: &logged{}}
	healthpb.RegisterHealthServer(server, d.health)
	var running sync.WaitGroup
	running.Go(func() { _ = server.Serve(memory) })
	conn, err := grpc.NewClient("passthrough:///memory", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return memory.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	options := rest.Options{Fitment: conn, Quote: conn, Verifier: keyring{}, Log: slog.New(slog.NewTextHandler(d.log, nil))}
	if change != nil {
		change(&options)
	}
	handler, err := rest.New(options)
	if err != nil {
		t.Fatal(err)
	}
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	d.handler = handler
	web := rest.Server("", handler)
	// The client of a test on a busy machine may not get to send a request for longer than
	// a client may take.
	web.ReadHeaderTimeout, web.ReadTimeout, web.WriteTimeout = unhurried, unhurried, unhurried
	running.Go(func() { _ = web.Serve(listener) })
	d.base = "http://" + listener.Addr().String()
	d.client = &http.Client{Transport: &http.Transport{}}
	t.Cleanup(func() {
		d.client.CloseIdleConnections()
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := web.Shutdown(ctx); err != nil {
			t.Errorf("requests go on after the test: %v", err)
		}
		_ = conn.Close()
		server.Stop()
		running.Wait()
	})
	return d
}

// reply is an answer, read whole.
type reply struct {
	code   int
	header http.Header
	text   string
}

// call sends a request; header entries "Name: value" come on top of the key.
func (d *desk) call(method, path, body string, headers ...string) reply {
	d.t.Helper()
	request, err := http.NewRequestWithContext(d.t.Context(), method, d.base+path, strings.NewReader(body))
	if err != nil {
		d.t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+goodKey)
	for _, header := range headers {
		name, value, _ := strings.Cut(header, ": ")
		request.Header.Del(name)
		if value != "" {
			request.Header.Set(name, value)
		}
	}
	response, err := d.client.Do(request)
	if err != nil {
		d.t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // only read
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return reply{code: response.StatusCode, header: response.Header, text: strings.TrimSuffix(string(raw), "\n")}
}

// problem is the error body.
type problem struct {
	Code    int    `json:"code"`
	Message string `json:"message"`
	Details []struct {
		Type            string `json:"@type"`
		Reason          string `json:"reason"`
		Domain          string `json:"domain"`
		FieldViolations []struct {
			Field       string `json:"field"`
			Description string `json:"description"`
		} `json:"fieldViolations"`
	} `json:"details"`
}

func (r reply) problem(t *testing.T) problem {
	t.Helper()
	var p problem
	if err := json.Unmarshal([]byte(r.text), &p); err != nil {
		t.Fatalf("no error in JSON: %s", r.text)
	}
	return p
}

// reason returns the ErrorInfo reason.
func (p problem) reason() string {
	for _, d := range p.Details {
		if d.Type == "type.googleapis.com/google.rpc.ErrorInfo" && d.Domain == "beltwright" {
			return d.Reason
		}
	}
	return ""
}

// fields lists the violations.
func (p problem) fields() []string {
	var all []string
	for _, d := range p.Details {
		for _, v := range d.FieldViolations {
			all = append(all, v.Field+": "+v.Description)
		}
	}
	return all
}

// expect checks status and reason.
func (d *desk) expect(r reply, code int, reason string) problem {
	d.t.Helper()
	p := r.problem(d.t)
	if r.code != code || p.reason() != reason || r.header.Get("Content-Type") != "application/json" {
		d.t.Errorf("%d %s %s, want %d %s as JSON", r.code, r.header.Get("Content-Type"), r.text, code, reason)
	}
	return p
}

var errBroken = errors.New("broken on purpose")
