package serve

import (
	"context"
	"encoding/json"
	"fmt"
	"net"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	_ "google.golang.org/grpc/health" // lets clients follow a server's health
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/test/bufconn"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/requestid"
)

// Limits of connections.
const (
	// CallTimeout bounds a unary call whose context has no deadline.
	CallTimeout = 10 * time.Second
	// maxReceive bounds an answer; servers send no more.
	maxReceive = 16 << 20
	// attempts is how often a read is tried in all.
	attempts = 3
)

// reads are the methods that are tried again where a server is UNAVAILABLE:
// they change nothing, so that trying twice cannot do anything twice.
var reads = map[string][]string{
	"beltwright.fitment.v1.CatalogueService": {"GetPart", "ListParts", "ListSupersessions", "ListRecalls", "ListVehicleData"},
	"beltwright.fitment.v1.EvidenceService":  {"GetEvidenceRequest", "ListEvidenceRequests"},
	"beltwright.fitment.v1.FitmentService":   {"DecodeVin", "AssessFault", "Decide", "FindDonors", "FindParts", "GetSavedNeed", "ListSavedNeeds", "GetKeptDecision", "ListKeptDecisions", "RecomputeDecision", "ListDialects", "ListJurisdictionPacks"},
	"beltwright.fitment.v1.IdentityService":  {"VerifyCredential", "GetBusiness", "ListBusinesses", "ListKeys", "ListPeople", "ListSessions"},
	"beltwright.fitment.v1.ListingService":   {"GetListing", "ListListings", "RenderTag", "RenderShippingFacts"},
	"beltwright.quote.v1.BooksService":       {"ListEntries", "SumQuotes", "ListCoreDeposits", "RenderCreditNote"},
	"beltwright.quote.v1.OfferService":       {"ListOffers"},
	"beltwright.quote.v1.PlanningService":    {"PlanPurchase", "WeighChoices", "SolveBasket", "JudgeConsignment", "ListTaxPacks"},
	"beltwright.quote.v1.QuoteService":       {"GetQuote", "ListQuotes", "RenderQuote"},
	"beltwright.quote.v1.RepairService":      {"GetRepairOrder", "ListRepairOrders", "RenderRepairOrder", "ListOutcomes"},
}

// Dial returns a connection to a server at "host:port" on loopback, or to several of
// them separated by commas that answer from one store, opened when first used. It
// passes the credential of the call being served on, tries reads again where the server
// is UNAVAILABLE (a budget bounds how much), follows the server's health, and gives
// calls without a deadline one.
func Dial(address string, more ...grpc.DialOption) (*grpc.ClientConn, error) {
	name, several, err := target(address, checkLoopback, more...)
	if err != nil {
		return nil, err
	}
	return dial(name, append(several, more...)...)
}

// DialAs is Dial as somebody: over TLS 1.3 with the identity's certificate, to a
// server of one of the names wanted and to nobody else, on any address. Without an
// identity it is Dial.
func DialAs(identity *mtls.Identity, wanted []string, address string, more ...grpc.DialOption) (*grpc.ClientConn, error) {
	if identity == nil {
		return Dial(address, more...)
	}
	name, several, err := target(address, checkAddress, more...)
	if err != nil {
		return nil, err
	}
	secure, err := identity.ClientCredentials(wanted)
	if err != nil {
		return nil, fmt.Errorf("serve: connect to %s: %w", address, err)
	}
	return dial(name, slices.Concat(several, []grpc.DialOption{grpc.WithTransportCredentials(secure)}, more)...)
}

func dial(target string, more ...grpc.DialOption) (*grpc.ClientConn, error) {
	config, err := serviceConfig()
	if err != nil {
		return nil, fmt.Errorf("serve: %w", err)
	}
	options := append([]grpc.DialOption{
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultServiceConfig(config),
		grpc.WithDisableServiceConfig(), // of the resolver: DNS must not set policy
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 50 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 2 * time.Second},
			MinConnectTimeout: 2 * time.Second,
		}),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: 10 * time.Second}),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxReceive)),
		grpc.WithChainUnaryInterceptor(boundCall),
	}, slices.Concat(auth.Forward(), requestid.Forward())...)
	// The last one is the innermost, next to grpc's own retries.
	options = append(append(options, more...), grpc.WithChainUnaryInterceptor(answered))
	conn, err := grpc.NewClient(target, options...)
	if err != nil {
		return nil, fmt.Errorf("serve: connect to %s: %w", target, err)
	}
	return conn, nil
}

// boundCall gives a unary call without a deadline one.
func boundCall(
	ctx context.Context, method string, req, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, opts ...grpc.CallOption,
) error {
	if _, ok := ctx.Deadline(); !ok {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, CallTimeout)
		defer cancel()
	}
	return invoke(ctx, method, req, reply, conn, opts...)
}

// serviceConfig is the client's policy in grpc's JSON form.
func serviceConfig() (string, error) {
	type name struct {
		Service string `json:"service"`
		Method  string `json:"method"`
	}
	var names []name
	for service, methods := range reads {
		for _, method := range methods {
			names = append(names, name{Service: service, Method: method})
		}
	}
	raw, err := json.Marshal(map[string]any{
		"loadBalancingConfig": []any{map[string]any{"round_robin": map[string]any{}}},
		"healthCheckConfig":   map[string]any{"serviceName": ""},
		"methodConfig": []any{map[string]any{
			"name": names,
			"retryPolicy": map[string]any{
				"maxAttempts": attempts, "initialBackoff": "0.05s", "maxBackoff": "0.5s", "backoffMultiplier": 2,
				"retryableStatusCodes": []string{"UNAVAILABLE"},
			},
		}},
		// Each failure costs a token and ten successes earn one: below half no
		// call is tried again, so that retries cannot keep a server down.
		"retryThrottling": map[string]any{"maxTokens": 10, "tokenRatio": 0.1},
	})
	return string(raw), err
}

// Memory is a listener and the way to it inside one process.
type Memory struct {
	*bufconn.Listener
}

// memoryBuffer is how many bytes are under way in each direction at most.
const memoryBuffer = 1 << 20

// NewMemory returns a listener in memory.
func NewMemory() Memory { return Memory{Listener: bufconn.Listen(memoryBuffer)} }

// Dial returns a connection to whoever serves on the listener, like the
// function Dial.
func (m Memory) Dial(more ...grpc.DialOption) (*grpc.ClientConn, error) {
	dialer := grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return m.DialContext(ctx) })
	return dial("passthrough:///memory", append(more, dialer)...)
}
