package server_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fixture is a server over an embedded store, reached over an in-memory
// connection, with a catalogue of invented makers, makes and numbers.
type fixture struct {
	*server.Server

	clock     *storetest.Clock
	store     store.Store
	catalogue fitmentv1.CatalogueServiceClient
	listings  fitmentv1.ListingServiceClient
	decisions fitmentv1.FitmentServiceClient
	evidence  fitmentv1.EvidenceServiceClient
	files     store.Files
}

func start(t *testing.T) *fixture {
	t.Helper()
	c := storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))
	st, err := embedded.Open(t.TempDir(), embedded.Options{Now: c.Now, NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := st.Close(); err != nil {
			t.Errorf("close the store: %v", err)
		}
	})
	return serveOn(t, st, c)
}

// serveOn serves a store that may be wrapped.
func serveOn(t *testing.T, st store.Store, c *storetest.Clock, change ...func(*server.Options)) *fixture {
	t.Helper()
	shelf, err := files.Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	opts := server.Options{Store: st, Files: shelf, Log: slog.New(slog.NewTextHandler(t.Output(), nil))}
	for _, one := range change {
		one(&opts)
	}
	for _, yard := range []string{"north-yard", "south-yard"} {
		if err := businesses.New(st).Ensure(t.Context(), yard, false, c.Now()); err != nil {
			t.Fatal(err)
		}
	}
	s, err := server.New(opts)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	listener := bufconn.Listen(1 << 20)
	grpcServer := grpc.NewServer(grpc.UnaryInterceptor(asUnary), grpc.StreamInterceptor(asStream))
	s.Register(grpcServer)
	var running sync.WaitGroup
	running.Go(func() {
		if err := s.Run(ctx); err != nil {
			t.Errorf("Run: %v", err)
		}
	})
	running.Go(func() {
		if err := grpcServer.Serve(listener); err != nil {
			t.Errorf("Serve: %v", err)
		}
	})
	conn, err := grpc.NewClient("passthrough:///server",
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Errorf("close the connection: %v", err)
		}
		grpcServer.Stop()
		cancel()
		running.Wait()
	})
	return &fixture{
		Server: s, clock: c, store: st, catalogue: fitmentv1.NewCatalogueServiceClient(conn),
		listings: fitmentv1.NewListingServiceClient(conn), decisions: fitmentv1.NewFitmentServiceClient(conn),
		evidence: fitmentv1.NewEvidenceServiceClient(conn), files: opts.Files,
	}
}

// as is a context of a caller: "tenant role role".
func as(t *testing.T, who string) context.Context {
	t.Helper()
	return withCaller(t.Context(), who)
}

func withCaller(ctx context.Context, who string) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "test-caller", who)
}

// directly is the same for handlers that are called without a connection.
func directly(ctx context.Context, who string) context.Context {
	return identity.NewContext(ctx, principal(who))
}

func principal(who string) identity.Principal {
	words := strings.Fields(who)
	p := identity.Principal{Tenant: words[0]}
	for _, role := range words[1:] {
		p.Roles = append(p.Roles, identity.Role(role))
	}
	return p
}

func authenticate(ctx context.Context) context.Context {
	md, _ := metadata.FromIncomingContext(ctx)
	if who := md.Get("test-caller"); len(who) == 1 {
		return directly(ctx, who[0])
	}
	return ctx
}

func asUnary(ctx context.Context, req any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	return handler(authenticate(ctx), req)
}

type authenticated struct {
	grpc.ServerStream

	ctx context.Context //nolint:containedctx // a stream has its context as a method
}

func (s authenticated) Context() context.Context { return s.ctx }

func asStream(srv any, stream grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	return handler(srv, authenticated{stream, authenticate(stream.Context())})
}

const (
	admin     = "office admin operator"
	northYard = "north-yard yard"
	shopA     = "shop-a shop"
	shopB     = "shop-b shop"
)

func newID() string { return uuid.NewString() }

// csv reads a test file.
func csv(t *testing.T, name string) string {
	t.Helper()
	raw, err := os.ReadFile(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

// results are what an import answered.
type results struct {
	rows []*fitmentv1.RowResult
	sum  *fitmentv1.ImportSummary
}

// upload runs one import over its stream.
func upload[Req, Res any, Ptr interface {
	*Res
	GetRow() *fitmentv1.RowResult
	GetSummary() *fitmentv1.ImportSummary
}](t *testing.T, stream grpc.BidiStreamingClient[Req, Res], err error, messages ...*Req) (results, error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range messages {
		if err := stream.Send(m); err != nil && !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	}
	if err := stream.CloseSend(); err != nil {
		t.Fatal(err)
	}
	var got results
	for {
		res, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return got, nil
		}
		if err != nil {
			return got, err
		}
		if row := Ptr(res).GetRow(); row != nil {
			got.rows = append(got.rows, row)
		}
		if sum := Ptr(res).GetSummary(); sum != nil {
			got.sum = sum
		}
	}
}

func (f *fixture) importParts(t *testing.T, who, file string) (results, error) {
	t.Helper()
	stream, err := f.catalogue.ImportParts(as(t, who))
	return upload(t, stream, err,
		&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Options{Options: &fitmentv1.ImportOptions{}}},
		&fitmentv1.ImportPartsRequest{Content: &fitmentv1.ImportPartsRequest_Chunk{Chunk: []byte(file)}})
}

func (f *fixture) importSupersessions(t *testing.T, who, file string) (results, error) {
	t.Helper()
	stream, err := f.catalogue.ImportSupersessions(as(t, who))
	return upload(t, stream, err,
		&fitmentv1.ImportSupersessionsRequest{Content: &fitmentv1.ImportSupersessionsRequest_Options{Options: &fitmentv1.ImportOptions{}}},
		&fitmentv1.ImportSupersessionsRequest{Content: &fitmentv1.ImportSupersessionsRequest_Chunk{Chunk: []byte(file)}})
}

func (f *fixture) importRecalls(t *testing.T, who, file string) (results, error) {
	t.Helper()
	stream, err := f.catalogue.ImportRecalls(as(t, who))
	return upload(t, stream, err,
		&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Options{Options: &fitmentv1.ImportOptions{}}},
		&fitmentv1.ImportRecallsRequest{Content: &fitmentv1.ImportRecallsRequest_Chunk{Chunk: []byte(file)}})
}

func (f *fixture) importListings(t *testing.T, who string, options *fitmentv1.ImportOptions, file string) (results, error) {
	t.Helper()
	stream, err := f.listings.ImportListings(as(t, who))
	return upload(t, stream, err,
		&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Options{Options: options}},
		&fitmentv1.ImportListingsRequest{Content: &fitmentv1.ImportListingsRequest_Chunk{Chunk: []byte(file)}})
}

const recallsHeader = "type,number,issued,as_of,part_maker,part_number,kind,summary,source\n"

// stock imports the test catalogue and the test listings.
func (f *fixture) stock(t *testing.T) {
	t.Helper()
	for name, run := range map[string]func() (results, error){
		"parts":         func() (results, error) { return f.importParts(t, admin, csv(t, "parts.csv")) },
		"supersessions": func() (results, error) { return f.importSupersessions(t, admin, csv(t, "supersessions.csv")) },
		"recalls": func() (results, error) {
			return f.importRecalls(t, admin, recallsHeader+"coverage,set 1,,2026-06-20,Orbis,,,,invented\n")
		},
		"listings": func() (results, error) {
			return f.importListings(t, northYard, &fitmentv1.ImportOptions{}, csv(t, "listings.csv"))
		},
	} {
		got, err := run()
		if err != nil || got.sum.GetRejected() != 0 || got.sum.GetCreated() == 0 {
			t.Fatalf("%s: %v, %v, %v", name, got.sum, got.rows, err)
		}
	}
}

// need is the front right buckle of a 2005 Kestrel, fitted in Washington.
func need() *fitmentv1.Need {
	return &fitmentv1.Need{
		Vehicle: &fitmentv1.Vehicle{Make: "Velorn", Model: "Kestrel", ModelYear: 2005, DriveSide: fitmentv1.Vehicle_LEFT},
		Kind:    fitmentv1.Part_BUCKLE_PRETENSIONER, Position: &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT},
		Jurisdiction: "US-WA",
	}
}

func wantReason(t *testing.T, err error, want fitmentv1.ErrorInfo_Reason) {
	t.Helper()
	if got := apierr.ReasonOf(err); got != want {
		t.Errorf("got %s (%v), want %s", got, err, want)
	}
}

// fieldsOf lists the fields that an error names, sorted.
func fieldsOf(err error) []string {
	var fields []string
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				fields = append(fields, v.GetField())
			}
		}
	}
	slices.Sort(fields)
	return fields
}

func hasRetryInfo(err error) bool {
	return slices.ContainsFunc(status.Convert(err).Details(), func(detail any) bool {
		_, ok := detail.(*errdetails.RetryInfo)
		return ok
	})
}

func reasonName(err error) string { return apierr.ReasonOf(err).String() }
