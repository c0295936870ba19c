package e2e_test

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // the codec that garbled stands before
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/mem"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// raw is an answer that leaves as the bytes that it is.
type raw []byte

// garbled is the protobuf codec, but for raw answers.
type garbled struct{ encoding.CodecV2 }

// Marshal implements encoding.CodecV2.
func (g garbled) Marshal(v any) (mem.BufferSlice, error) {
	if bytes, ok := v.(raw); ok {
		return mem.BufferSlice{mem.SliceBuffer(bytes)}, nil
	}
	return g.CodecV2.Marshal(v)
}

// babbler is a fitment service that verifies credentials and otherwise answers
// whatever the test wants, whatever it is asked.
type babbler struct {
	mu      sync.Mutex
	answers map[string]any // by method
	asked   map[string]int
}

func (b *babbler) babble(answers map[string]any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.answers, b.asked = answers, map[string]int{}
}

func (b *babbler) times(method string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.asked[method]
}

func (b *babbler) intercept(ctx context.Context, request any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	method := info.FullMethod[strings.LastIndex(info.FullMethod, "/")+1:]
	switch method {
	case "Check":
		return handler(ctx, request)
	case "VerifyCredential":
		return &fitmentv1.VerifyCredentialResponse{Tenant: "shop", KeyId: "abcdefghijkl", Roles: []string{"shop", "yard", "books", "admin"}}, nil
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.asked[method]++
	if answer, ok := b.answers[method]; ok {
		return answer, nil
	}
	return handler(ctx, request) // UNIMPLEMENTED
}

// startBabbler serves it over a real socket, before a quote and a gateway
// process.
func startBabbler(t *testing.T) (*babbler, client) {
	t.Helper()
	b := &babbler{}
	b.babble(nil)
	listener, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	server := grpc.NewServer(grpc.ForceServerCodecV2(garbled{encoding.GetCodecV2("proto")}), grpc.UnaryInterceptor(b.intercept))
	fitmentv1.RegisterIdentityServiceServer(server, fitmentv1.UnimplementedIdentityServiceServer{})
	fitmentv1.RegisterFitmentServiceServer(server, fitmentv1.UnimplementedFitmentServiceServer{})
	fitmentv1.RegisterListingServiceServer(server, fitmentv1.UnimplementedListingServiceServer{})
	alive := health.NewServer()
	for name := range server.GetServiceInfo() {
		alive.SetServingStatus(name, healthpb.HealthCheckResponse_SERVING)
	}
	healthpb.RegisterHealthServer(server, alive)
	served := make(chan struct{})
	go func() { defer close(served); _ = server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); <-served })

	address := listener.Addr().String()
	quote := start(t, "quote", "-grpc", "127.0.0.1:0", "-data", filepath.Join(t.TempDir(), "quote"), "-fitment", address)
	quote.awaits(`msg=ready`)
	quoteAddress := quote.awaits(`address=(127\.0\.0\.1:\d+)`)[1]
	gateway := start(t, "beltwright", "gateway", "--http", "127.0.0.1:0", "--fitment", address, "--quote", quoteAddress)
	base := gateway.awaits(`REST (http://127\.0\.0\.1:\d+)`)[1]
	return b, client{t, base, "bw_shop_abcdefghijkl_" + strings.Repeat("A", 43)}
}

const garbageListing = "listings/kettlewick.SOLANE-1"

// nonsense are decisions that say FITS and cannot be believed.
func nonsense() map[string]*fitmentv1.Decision {
	const yes, no, unknown = fitmentv1.Finding_YES, fitmentv1.Finding_NO, fitmentv1.Finding_UNKNOWN
	finding := func(severity fitmentv1.Finding_Severity, answer fitmentv1.Finding_Answer) *fitmentv1.Finding {
		return &fitmentv1.Finding{Rule: "fit.anything", Severity: severity, Answer: answer, Reason: "because"}
	}
	fits := func(fit, reuse fitmentv1.Finding_Answer, findings ...*fitmentv1.Finding) *fitmentv1.Decision {
		return &fitmentv1.Decision{Verdict: fitmentv1.Decision_FITS, Fit: fit, Reuse: reuse, Findings: findings}
	}
	return map[string]*fitmentv1.Decision{
		"a bare verdict":          fits(0, 0),
		"no findings":             fits(yes, yes),
		"one finding of each":     fits(yes, yes, finding(fitmentv1.Finding_FIT, yes), finding(fitmentv1.Finding_REUSE, yes)),
		"fit disproven":           fits(no, yes, finding(fitmentv1.Finding_FIT, no), finding(fitmentv1.Finding_REUSE, yes)),
		"reuse unknown":           fits(yes, unknown, finding(fitmentv1.Finding_FIT, yes), finding(fitmentv1.Finding_REUSE, unknown)),
		"findings say otherwise":  fits(yes, yes, finding(fitmentv1.Finding_FIT, no), finding(fitmentv1.Finding_REUSE, no)),
		"a verdict from nowhere":  {Verdict: 99, Fit: yes, Reuse: yes},
		"fit without its verdict": {Fit: yes, Reuse: yes},
	}
}

// babbles are whole sets of answers.
func babbles() map[string]map[string]any {
	all := map[string]map[string]any{
		"bytes that are no protobuf": {}, "other protobuf": {}, "nothing": {},
	}
	for _, method := range []string{"Decide", "FindDonors", "FindParts", "GetListing", "HoldListing", "SellListing"} {
		all["bytes that are no protobuf"][method] = raw("\xff\xff\xff\xff FITS \x00\x01")
		all["other protobuf"][method] = raw("\x0a\x05fits!\xa2\x06\x04FITS")
		all["nothing"][method] = raw(nil)
	}
	listing := &fitmentv1.Listing{
		Name: garbageListing, Yard: "kettlewick", StockNumber: "SOLANE-1", State: fitmentv1.Listing_AVAILABLE, Price: 1000, CurrencyCode: "USD",
	}
	for name, decision := range nonsense() {
		all[name] = map[string]any{
			"Decide":     &fitmentv1.DecideResponse{Decision: decision, Revision: "r"},
			"FindDonors": &fitmentv1.FindDonorsResponse{Donors: []*fitmentv1.Donor{{Listing: listing, Decision: decision}}, Revision: "r"},
			"FindParts": &fitmentv1.FindPartsResponse{Parts: []*fitmentv1.PartMatch{{
				Part:        &fitmentv1.Part{Name: "parts/korrin.KR4941L", Maker: "Korrin", Number: "KR-4941-L"},
				Via:         fitmentv1.PartMatch_APPLICATION,
				Application: &fitmentv1.Finding{Rule: "recall.open", Answer: fitmentv1.Finding_YES},
			}}},
			"GetListing": &fitmentv1.GetListingResponse{Listing: listing},
			"HoldListing": &fitmentv1.HoldListingResponse{Listing: &fitmentv1.Listing{
				Name: garbageListing, State: fitmentv1.Listing_HELD, Hold: &fitmentv1.Hold{Holder: "shop", Fence: 1},
			}},
		}
	}
	return all
}

// TestFitmentBabblesNothingFits puts a fitment side that answers garbage behind
// the real quote and gateway processes.
func TestFitmentBabblesNothingFits(t *testing.T) {
	t.Parallel()
	b, c := startBabbler(t)
	asks := map[string]object{
		"/v1/fitment:decide":     {"need": solane(), "listingName": garbageListing},
		"/v1/fitment:findDonors": {"need": solane()},
		"/v1/fitment:findParts":  {"need": solane()},
		"/v1/quotes:prepare":     quoteRequest(nil),

		"/v1/" + garbageListing + ":sell": {"fence": "1", "need": solane(), "requestId": uuid.NewString()},
	}
	for name, answers := range babbles() {
		b.babble(answers)
		asks["/v1/quotes:prepare"]["requestId"] = uuid.NewString()
		for path, body := range asks {
			for _, dry := range []bool{true, false} {
				if path == "/v1/quotes:prepare" {
					body["dryRun"] = dry
				}
				code, answer := c.do(http.MethodPost, path, body)
				if saysFits(answer) {
					t.Errorf("%s: %s says that something fits: %d %v", name, path, code, answer)
				}
				// Nothing on record, which no answer at all says, is no fit either.
				if refused := code >= 400 && code < 500; refused && reason(t, answer) != "NOTHING_TO_BUY" {
					t.Errorf("%s: %s was not asked: %d %v", name, path, code, answer)
				}
			}
		}
		for _, method := range []string{"Decide", "FindDonors", "FindParts", "SellListing"} {
			if b.times(method) == 0 {
				t.Errorf("%s: %s was never asked", name, method)
			}
		}
		if quotes := list(t, c.get("/v1/quotes"), "quotes"); len(quotes) > 0 {
			t.Fatalf("%s: a quote stands on it: %v", name, fmt.Sprint(quotes...))
		}
	}
}
