package rest_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"

	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
)

const noKey = "Authorization: "

func TestEverythingButThreePathsNeedsAKey(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for _, path := range []string{"/healthz", "/readyz", "/openapi.json"} {
		if r := d.call(http.MethodGet, path, "", noKey); r.code != http.StatusOK {
			t.Errorf("GET %s without a key: %d %s", path, r.code, r.text)
		}
		d.expect(d.call(http.MethodPost, path, "", noKey), http.StatusUnauthorized, "CREDENTIAL_INVALID")
		d.expect(d.call(http.MethodPost, path, ""), http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
	}
	for _, path := range []string{"/", "/v1/listings", "/v1/listings/a.b", "/none", "/healthz/", "//healthz", "/v1/listings:import", "/v1/../healthz", "/v1/%2e%2e/healthz"} {
		for _, header := range []string{noKey, "Authorization: Bearer wrong", "Authorization: Basic " + goodKey, "Authorization: Bearer " + goodKey + " x"} {
			r := d.call(http.MethodGet, path, "", header)
			d.expect(r, http.StatusUnauthorized, "CREDENTIAL_INVALID")
			if got := r.header.Get("WWW-Authenticate"); got != `Bearer realm="beltwright"` {
				t.Errorf("GET %s: WWW-Authenticate %q", path, got)
			}
			if strings.Contains(r.text, "wrong\"") || strings.Contains(r.text, goodKey) {
				t.Errorf("GET %s repeats the key: %s", path, r.text)
			}
		}
	}
	down := d.call(http.MethodGet, "/v1/listings", "", "Authorization: Bearer nobody-knows")
	d.expect(down, http.StatusServiceUnavailable, "DEPENDENCY_DOWN")
	if got := down.header.Get("Retry-After"); got != "2" { // 1.5 s, rounded up
		t.Errorf("Retry-After %q", got)
	}
	if last, _ := d.fake.noted(); last != nil {
		t.Errorf("a request without a valid key reached the service: %v", last)
	}
}

func TestTwoCredentialsAreNone(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.base+"/v1/listings", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	request.Header["Authorization"] = []string{"Bearer " + goodKey, "Bearer " + goodKey}
	response, err := d.client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	_ = response.Body.Close()
	if response.StatusCode != http.StatusUnauthorized {
		t.Errorf("%d", response.StatusCode)
	}
}

// No byte of a body is asked for before the key is verified: a client that
// waits for "100 Continue" never gets one.
func TestKeyComesBeforeTheBody(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	conn, err := (&net.Dialer{}).DialContext(t.Context(), "tcp", strings.TrimPrefix(d.base, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close() //nolint:errcheck // the test is over
	_ = conn.SetDeadline(time.Now().Add(10 * time.Second))
	_, err = fmt.Fprintf(conn, "POST /v1/fitment:decide HTTP/1.1\r\nHost: x\r\nContent-Length: 100000\r\nExpect: 100-continue\r\n\r\n")
	if err != nil {
		t.Fatal(err)
	}
	line, err := bufio.NewReader(conn).ReadString('\n')
	if err != nil || line != "HTTP/1.1 401 Unauthorized\r\n" {
		t.Errorf("%q, %v", line, err)
	}
}

func TestUnknownRoutesAndMethods(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for _, c := range []struct {
		method, path string
		code         int
		allow        string
	}{
		{http.MethodGet, "/", 404, ""},
		{http.MethodGet, "/v1", 404, ""},
		{http.MethodGet, "/v1/", 404, ""},
		{http.MethodGet, "/v1/listing", 404, ""},
		{http.MethodGet, "/v1/listings/", 404, ""},
		{http.MethodGet, "/v1/listings/a/b", 404, ""},
		{http.MethodGet, "/v1/listings/a%2Fb", 404, ""},
		{http.MethodPost, "/v1/listings/a.b:frobnicate", 404, ""},
		{http.MethodGet, "/v1/listings:import", 405, "POST"},
		{http.MethodGet, "/v1/fitment:decide", 405, "POST"},
		{http.MethodDelete, "/v1/listings", 405, "GET, POST"},
		{http.MethodPut, "/v1/listings/a.b", 405, "GET, PATCH"},
		{http.MethodGet, "/v1/listings/a.b:hold", 405, "POST"},
		{http.MethodHead, "/v1/listings", 405, "GET, POST"},
	} {
		r := d.call(c.method, c.path, "")
		if r.code != c.code || r.header.Get("Allow") != c.allow {
			t.Errorf("%s %s: %d, Allow %q; want %d, %q", c.method, c.path, r.code, r.header.Get("Allow"), c.code, c.allow)
		}
		if c.method == http.MethodHead {
			continue
		}
		want := "there is no such path; GET /openapi.json lists all"
		if c.allow != "" {
			want = c.method + " is not possible on this path; expected " + strings.ReplaceAll(c.allow, ", ", " or ")
		}
		if p := d.expect(r, c.code, "ROUTE_UNKNOWN"); p.Message != want {
			t.Errorf("%s %s: message %q, want %q", c.method, c.path, p.Message, want)
		}
	}
	// Neither header turns a POST into something else.
	r := d.call(http.MethodPost, "/v1/recalls", "a=b", "X-HTTP-Method-Override: GET", "Content-Type: application/x-www-form-urlencoded")
	d.expect(r, http.StatusMethodNotAllowed, "ROUTE_UNKNOWN")
}

func TestOnlyTheKeyIsPassedOn(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	r := d.call(http.MethodGet, "/v1/listings/a.b", "", "Grpc-Metadata-Tenant: evil", "Grpc-Metadata-Authorization: Bearer evil",
		"Grpc-Timeout: 30S", "X-Forwarded-For: 10.0.0.1", "Cookie: a=b", "X-Tenant: evil", "TE: trailers", "Grpc-Trace-Bin: AAAA")
	if r.code != http.StatusOK {
		t.Fatalf("%d %s", r.code, r.text)
	}
	_, md := d.fake.noted()
	for _, own := range []string{":authority", "content-type", "user-agent", "grpc-accept-encoding"} {
		delete(md, own) // grpc's own
	}
	if diff := cmp.Diff(metadata.MD{"authorization": {"Bearer " + goodKey}}, md); diff != "" {
		t.Errorf("-want +got:\n%s", diff)
	}
}

// TestPatienceIsReadOnEveryPath that asks a service, those of signing in too.
func TestPatienceIsReadOnEveryPath(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for _, path := range []string{"/v1/sessions:signIn", "/v1/fitment:decide"} {
		d.expect(d.call(http.MethodPost, path, "{}", "Grpc-Timeout: soon"), http.StatusBadRequest, "MALFORMED_REQUEST")
		if r := d.call(http.MethodPost, path, "{}", "Grpc-Timeout: 30S"); r.code == http.StatusBadRequest {
			t.Errorf("%s with a wait that can be read: %d %s", path, r.code, r.text)
		}
	}
}

func TestRequestsReachTheirMethodWhole(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for _, c := range []struct {
		method, path, body string
		want               proto.Message
		answer             string
	}{
		{
			http.MethodGet, "/v1/listings/kettlewick.K-1?minRevision=x", "",
			&fitmentv1.GetListingRequest{Name: "listings/kettlewick.K-1", MinRevision: "x"},
			`{"listing":{"name":"listings/kettlewick.K-1","price":"18000","state":"HELD"}}`,
		},
		{http.MethodGet, "/v1/listings?page_size=3&yard=k", "", &fitmentv1.ListListingsRequest{PageSize: 3, Yard: "k"}, `{}`},
		{
			http.MethodPatch, "/v1/listings/k.1", `{"etag":"e","listing":{"note":"n"}}`,
			&fitmentv1.UpdateListingRequest{Etag: "e", Listing: &fitmentv1.Listing{Name: "listings/k.1", Note: "n"}},
			`{"listing":{"name":"listings/k.1","note":"n"}}`,
		},
		{
			http.MethodPost, "/v1/listings/k.1:hold", `{"name":"listings/k.1","minutes":"60"}`,
			&fitmentv1.HoldListingRequest{Name: "listings/k.1", Minutes: 60}, `{}`,
		},
		{
			http.MethodPost, "/v1/planning:planPurchase", `{"dayCost":"0","offers":[{"id":"A","passProbability":0.85}]}`,
			&quotev1.PlanPurchaseRequest{Offers: []*quotev1.PlanOffer{{Id: "A", PassProbability: .85}}},
			`{"order":["B"],"expectedCost":"23962","expectedDays":6.666}`,
		},
		{
			http.MethodPost, "/v1/planning:solveBasket",
			`{"currencyCode":"USD","parts":["p1"],"sellers":[{"id":"s1","freight":"1250","offers":[{"part":"p1","price":"4500"}]}]}`,
			&quotev1.SolveBasketRequest{CurrencyCode: "USD", Parts: []string{"p1"}, Sellers: []*quotev1.BasketSeller{
				{Id: "s1", Freight: 1250, Offers: []*quotev1.BasketOffer{{Part: "p1", Price: 4500}}},
			}},
			`{"total":"5750","assignment":[{"part":"p1","seller":"s1"}],"proven":false,"nodes":3}`,
		},
	} {
		r := d.call(c.method, c.path, c.body)
		if r.code != http.StatusOK || r.text != c.answer {
			t.Errorf("%s %s: %d %s, want %s", c.method, c.path, r.code, r.text, c.answer)
		}
		last, _ := d.fake.noted()
		if diff := cmp.Diff(c.want, last, protocmp.Transform()); diff != "" {
			t.Errorf("%s %s (-want +got):\n%s", c.method, c.path, diff)
		}
	}
}

func TestBadRequestsNameTheField(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for _, c := range []struct {
		method, path, body string
		reason             string
		fields             []string
	}{
		{http.MethodPost, "/v1/fitment:decide", `{"need":{"vehicle":{"modelyear":2006}}}`, "FIELD_UNKNOWN", []string{
			"need.vehicle.modelyear: is no field of Vehicle; expected one of body, buildDate, doors, driveSide, make, market, model, modelYear, options, optionsComplete, plant, restraintText, series, vehicleClass, vin",
		}},
		{http.MethodPost, "/v1/fitment:decide", `{"need":{"stages":"NaN"}}`, "FIELD_INVALID", []string{
			`need.stages: is the text "NaN"; expected an integer that fits in 32 bits`,
		}},
		{http.MethodPost, "/v1/fitment:decide", ``, "MALFORMED_REQUEST", nil},
		{http.MethodPost, "/v1/fitment:decide", `{} `, "", nil},
		{http.MethodPost, "/v1/fitment:decide", `{}{}`, "MALFORMED_REQUEST", nil},
		{http.MethodPost, "/v1/fitment:decide?listingName=x", `{}`, "FIELD_UNKNOWN", []string{
			"listingName: is a query parameter, and this method takes none; expected every field in the JSON body",
		}},
		{http.MethodPatch, "/v1/listings/k.1?etag=x", `{}`, "FIELD_UNKNOWN", []string{
			"etag: is a query parameter, and this method takes none; expected every field in the JSON body",
		}},
		{http.MethodPatch, "/v1/listings/k.1", `{"listing":{"name":"listings/k.2"}}`, "FIELD_INVALID", []string{
			"listing.name: differs from the path; expected what the path says, or nothing",
		}},
		{http.MethodPost, "/v1/listings/k.1:hold", `{"name":"listings/k.2"}`, "FIELD_INVALID", []string{
			"name: differs from the path; expected what the path says, or nothing",
		}},
		{http.MethodGet, "/v1/listings?pagesize=1", "", "FIELD_UNKNOWN", []string{
			"pagesize: is no query parameter of this method; expected one of pageSize, pageToken, yard",
		}},
		{http.MethodGet, "/v1/listings/k.1?name=listings/k.2", "", "FIELD_INVALID", []string{
			"name: is a query parameter, but the path says it; expected it in the path only",
		}},
		{http.MethodGet, "/v1/listings?a=%zz", "", "MALFORMED_REQUEST", nil},
		{http.MethodGet, "/v1/listings", "{}", "MALFORMED_REQUEST", nil},
	} {
		r := d.call(c.method, c.path, c.body)
		if c.reason == "" {
			if r.code != http.StatusOK {
				t.Errorf("%s %s %s: %d %s", c.method, c.path, c.body, r.code, r.text)
			}
			continue
		}
		p := d.expect(r, http.StatusBadRequest, c.reason)
		if p.Code != int(codes.InvalidArgument) {
			t.Errorf("%s: code %d", c.path, p.Code)
		}
		if diff := cmp.Diff(c.fields, p.fields()); diff != "" {
			t.Errorf("%s %s (-want +got):\n%s", c.path, c.body, diff)
		}
	}
	const notJSON = "the body is not declared as JSON; expected Content-Type: application/json"
	for header, want := range map[string]string{
		"Content-Type: text/csv": notJSON, "Content-Type: ;": notJSON, "Content-Encoding: gzip": "the body is compressed; expected it as it is",
	} {
		p := d.expect(d.call(http.MethodPost, "/v1/fitment:decide", `{}`, header), http.StatusUnsupportedMediaType, "MALFORMED_REQUEST")
		if p.Message != want {
			t.Errorf("%s: message %q, want %q", header, p.Message, want)
		}
	}
	for _, header := range []string{"Content-Type: application/json; charset=utf-8", "Content-Type: application/x-www-form-urlencoded", "Content-Encoding: identity"} {
		if r := d.call(http.MethodPost, "/v1/fitment:decide", `{}`, header); r.code != http.StatusOK {
			t.Errorf("%s: %d %s", header, r.code, r.text)
		}
	}
}

// TestPathsAreText: percent-encoding can carry bytes that no name has and that
// protobuf cannot carry.
func TestPathsAreText(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	for path, want := range map[string]string{
		"/v1/listings/%FF":              "the path is not valid UTF-8; expected text, percent-encoded as UTF-8",
		"/v1/listings/a.%C3%28":         "the path is not valid UTF-8; expected text, percent-encoded as UTF-8",
		"/v1/listings/a.%ED%A0%80:hold": "the path is not valid UTF-8; expected text, percent-encoded as UTF-8",
		"/v1/listings/a.%00b":           "the path contains a control character; expected plain text",
		"/v1/listings/a.b%0A":           "the path contains a control character; expected plain text",
		"/v1/listings/a.%7Fb":           "the path contains a control character; expected plain text",
		"/v1/listings/a.%C2%85b":        "the path contains a control character; expected plain text",
		"/%FF":                          "the path is not valid UTF-8; expected text, percent-encoded as UTF-8",
	} {
		if p := d.expect(d.call(http.MethodGet, path, ""), http.StatusBadRequest, "MALFORMED_REQUEST"); p.Message != want || p.Code != int(codes.InvalidArgument) {
			t.Errorf("%s: code %d, message %q", path, p.Code, p.Message)
		}
		d.expect(d.call(http.MethodGet, path, "", noKey), http.StatusUnauthorized, "CREDENTIAL_INVALID")
	}
	if last, _ := d.fake.noted(); last != nil {
		t.Errorf("one of them reached the service: %v", last)
	}
	// What is text goes through, whether or not there can be such a listing.
	if r := d.call(http.MethodGet, "/v1/listings/caf%C3%A9.1", ""); r.code != http.StatusOK {
		t.Errorf("%d %s", r.code, r.text)
	}
}

func TestBodiesAreBounded(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, func(o *rest.Options) { o.MaxBody = 100 })
	pad := func(n int) string { return `{"listingName":"` + strings.Repeat("x", n-18) + `"}` }
	if r := d.call(http.MethodPost, "/v1/fitment:decide", pad(100)); r.code != http.StatusOK {
		t.Errorf("100 bytes: %d %s", r.code, r.text)
	}
	d.expect(d.call(http.MethodPost, "/v1/fitment:decide", pad(101)), http.StatusRequestEntityTooLarge, "REQUEST_TOO_LARGE")
	// The same without a length announced.
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, d.base+"/v1/fitment:decide", struct{ *strings.Reader }{strings.NewReader(pad(1 << 16))})
	if err != nil {
		t.Fatal(err)
	}
	request.ContentLength = -1
	request.Header.Set("Authorization", "Bearer "+goodKey)
	response, err := d.client.Do(request)
	if err != nil {
		t.Fatal(err)
	}
	_ = response.Body.Close()
	if response.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("chunked: %d", response.StatusCode)
	}
}

func TestErrorsOfServicesBecomeHTTP(t *testing.T) {
	t.Parallel()
	withDetail := func(code codes.Code, reason fitmentv1.ErrorInfo_Reason) error {
		return apierr.New(code, reason, "as it was said")
	}
	f := &fake{}
	d := open(t, f, nil)
	for name, c := range map[string]struct {
		err    error
		code   int
		reason string
		text   string
	}{
		"stale etag":   {withDetail(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE), 409, "ETAG_STALE", "as it was said"},
		"exists":       {withDetail(codes.AlreadyExists, fitmentv1.ErrorInfo_ALREADY_EXISTS), 409, "ALREADY_EXISTS", "as it was said"},
		"not found":    {withDetail(codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND), 404, "NOT_FOUND", "as it was said"},
		"forbidden":    {withDetail(codes.PermissionDenied, fitmentv1.ErrorInfo_PERMISSION_MISSING), 403, "PERMISSION_MISSING", "as it was said"},
		"gate":         {withDetail(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT), 400, "GATE_SHUT", "as it was said"},
		"limit":        {withDetail(codes.ResourceExhausted, fitmentv1.ErrorInfo_LIMIT_REACHED), 429, "LIMIT_REACHED", "as it was said"},
		"too large":    {withDetail(codes.InvalidArgument, fitmentv1.ErrorInfo_REQUEST_TOO_LARGE), 413, "REQUEST_TOO_LARGE", "as it was said"},
		"revoked":      {withDetail(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID), 401, "CREDENTIAL_INVALID", "as it was said"},
		"not ready":    {withDetail(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY), 503, "NOT_READY", "as it was said"},
		"bare down":    {status.Error(codes.Unavailable, "dial tcp 10.0.0.1: refused"), 503, "DEPENDENCY_DOWN", "a service behind the gateway does not answer"},
		"bare late":    {status.Error(codes.DeadlineExceeded, "10.0.0.1"), 504, "DEPENDENCY_DOWN", "a service behind the gateway did not answer in time"},
		"bare large":   {status.Error(codes.ResourceExhausted, "10.0.0.1"), 429, "LIMIT_REACHED", "the answer or the request is larger than a service allows"},
		"bare":         {errBroken, 500, "INTERNAL", "something failed inside"},
		"foreign info": {foreign(t), 500, "INTERNAL", "something failed inside"},
	} {
		f.decide = func(context.Context, *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) { return nil, c.err }
		p := d.expect(d.call(http.MethodPost, "/v1/fitment:decide", `{}`), c.code, c.reason)
		if p.Message != c.text {
			t.Errorf("%s: %q, want %q", name, p.Message, c.text)
		}
	}
	f.decide = func(context.Context, *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
		return nil, apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "need.vehicle.model_year", Problem: "1066 is out of range", Expected: "1980 to 2039",
		})
	}
	p := d.expect(d.call(http.MethodPost, "/v1/fitment:decide", `{}`), http.StatusBadRequest, "FIELD_INVALID")
	want := "need.vehicle.modelYear: 1066 is out of range; expected 1980 to 2039"
	if diff := cmp.Diff([]string{want}, p.fields()); diff != "" || p.Message != want {
		t.Errorf("message %q, fields (-want +got):\n%s", p.Message, diff)
	}
}

// foreign is an error with a reason of somebody else.
func foreign(t *testing.T) error {
	t.Helper()
	s, err := status.New(codes.Unknown, "secret").WithDetails(&errdetails.ErrorInfo{Reason: "X", Domain: "elsewhere"})
	if err != nil {
		t.Fatal(err)
	}
	return s.Err()
}

func TestRequestsEndInTimeAndWithTheirClient(t *testing.T) {
	t.Parallel()
	waits := func(began chan<- struct{}, ended chan<- error) *fake {
		return &fake{decide: func(ctx context.Context, _ *fitmentv1.DecideRequest) (*fitmentv1.DecideResponse, error) {
			began <- struct{}{}
			<-ctx.Done()
			ended <- ctx.Err()
			return nil, ctx.Err()
		}}
	}
	d := open(t, waits(make(chan struct{}, 1), make(chan error, 1)), func(o *rest.Options) { o.Timeout = 100 * time.Millisecond })
	d.expect(d.call(http.MethodPost, "/v1/fitment:decide", `{}`), http.StatusGatewayTimeout, "DEPENDENCY_DOWN")

	began, ended := make(chan struct{}, 1), make(chan error, 1)
	patient := open(t, waits(began, ended), nil)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	go func() {
		<-began
		cancel()
	}()
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, patient.base+"/v1/fitment:decide", strings.NewReader(`{}`))
	if err != nil {
		t.Fatal(err)
	}
	request.Header.Set("Authorization", "Bearer "+goodKey)
	if response, err := patient.client.Do(request); err == nil {
		_ = response.Body.Close()
		t.Fatal("an answer came")
	}
	select {
	case err := <-ended:
		if err == nil {
			t.Error("the call did not end with its client")
		}
	case <-time.After(10 * time.Second):
		t.Error("the call went on after its client had gone")
	}
}

func TestReadyFollowsTheServices(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	if r := d.call(http.MethodGet, "/readyz", "", noKey); r.code != http.StatusOK || r.text != `{"status":"ready"}` {
		t.Errorf("serving: %d %s", r.code, r.text)
	}
	d.health.SetServingStatus("", healthpb.HealthCheckResponse_NOT_SERVING)
	r := d.call(http.MethodGet, "/readyz", "", noKey)
	d.expect(r, http.StatusServiceUnavailable, "NOT_READY")
	if r.header.Get("Retry-After") != "1" {
		t.Errorf("Retry-After %q", r.header.Get("Retry-After"))
	}
	if r := d.call(http.MethodGet, "/healthz", "", noKey); r.code != http.StatusOK || r.text != `{"status":"alive"}` {
		t.Errorf("alive: %d %s", r.code, r.text)
	}
	d.health.SetServingStatus("", healthpb.HealthCheckResponse_SERVING)
	if r := d.call(http.MethodGet, "/readyz", "", noKey); r.code != http.StatusOK {
		t.Errorf("serving again: %d %s", r.code, r.text)
	}
}

func TestLogHasNoSecrets(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	d.call(http.MethodGet, "/v1/listings?pageToken=tokentext", "")
	d.call(http.MethodPost, "/v1/fitment:decide", `{"listingName":"bodytext"}`)
	text := d.log.String()
	if !strings.Contains(text, "path=/v1/listings status=200") {
		t.Errorf("no line for the request:\n%s", text)
	}
	for _, secret := range []string{goodKey, "tokentext", "bodytext"} {
		if strings.Contains(text, secret) {
			t.Errorf("the log holds %s:\n%s", secret, text)
		}
	}
}

func TestAPanicIsAnError(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, func(o *rest.Options) {
		o.Ready = func(context.Context) error { panic("on purpose") } //nolint:forbidigo // what is tested
	})
	d.expect(d.call(http.MethodGet, "/readyz", ""), http.StatusInternalServerError, "INTERNAL")
}

func TestOptionsAreChecked(t *testing.T) {
	t.Parallel()
	if _, err := rest.New(rest.Options{}); err == nil {
		t.Error("a gateway before nothing was made")
	}
}

func TestServerHasLimits(t *testing.T) {
	t.Parallel()
	s := rest.Server("127.0.0.1:0", &rest.Handler{Handler: http.NotFoundHandler()})
	if s.ReadHeaderTimeout != 5*time.Second || s.ReadTimeout != 15*time.Second || s.IdleTimeout != time.Minute || s.MaxHeaderBytes != 32<<10 || s.WriteTimeout <= rest.DefaultTimeout {
		t.Errorf("%+v", s)
	}
}

// TestOpenAPIDescribesWhatIsServed compares the document with http.yaml's
// routes, with the import paths, and with the messages that imports answer.
func TestOpenAPIDescribesWhatIsServed(t *testing.T) {
	t.Parallel()
	d := open(t, &fake{}, nil)
	var document struct {
		Swagger string `json:"swagger"`
		Paths   map[string]map[string]struct {
			OperationID string   `json:"operationId"`
			Consumes    []string `json:"consumes"`
		} `json:"paths"`
		Definitions map[string]struct {
			Properties map[string]any `json:"properties"`
		} `json:"definitions"`
		Security []map[string][]string `json:"security"`
	}
	r := d.call(http.MethodGet, "/openapi.json", "", noKey)
	if err := json.Unmarshal([]byte(r.text), &document); err != nil {
		t.Fatal(err)
	}
	if document.Swagger != "2.0" || len(document.Security) != 1 {
		t.Errorf("swagger %q, security %v", document.Swagger, document.Security)
	}
	rules, err := os.ReadFile("../../proto/http.yaml")
	if err != nil {
		t.Fatal(err)
	}
	operations := map[string]bool{}
	for _, path := range document.Paths {
		for _, operation := range path {
			operations[operation.OperationID] = true
		}
	}
	count := 0
	for line := range strings.Lines(string(rules)) {
		_, rest, ok := strings.Cut(line, "selector: beltwright.")
		if !ok {
			continue
		}
		count++
		parts := strings.Split(strings.Split(rest, ",")[0], ".")
		if id := parts[2] + "_" + parts[3]; !operations[id] {
			t.Errorf("the document lacks %s", id)
		}
	}
	if count == 0 || len(operations) != count+6+5+3 {
		t.Errorf("%d operations, want %d of http.yaml, 6 imports, 2 watches, an upload, a download, a ledger and 3 ways of browsers", len(operations), count)
	}
	for _, kind := range []string{"parts", "supersessions", "vehicleData", "recalls", "listings", "offers"} {
		if post := document.Paths["/v1/"+kind+":import"]["post"]; !cmp.Equal(post.Consumes, []string{"text/csv"}) {
			t.Errorf("import of %s: %v", kind, post)
		}
	}
	for _, message := range []proto.Message{&fitmentv1.RowResult{}, &fitmentv1.FieldProblem{}, &fitmentv1.ImportSummary{}, &fitmentv1.WatchDonorsResponse{}, &fitmentv1.WatchEvidenceRequestsResponse{}, &fitmentv1.UploadAttachmentResponse{}, &fitmentv1.Attachment{}} {
		name := string(message.ProtoReflect().Descriptor().Name())
		got := document.Definitions[name].Properties
		fields := message.ProtoReflect().Descriptor().Fields()
		for i := range fields.Len() {
			if _, ok := got[fields.Get(i).JSONName()]; !ok {
				t.Errorf("definition %s lacks %s", name, fields.Get(i).JSONName())
			}
		}
		if len(got) != fields.Len() {
			t.Errorf("definition %s has %d properties, the message %d fields", name, len(got), fields.Len())
		}
	}
}

// TestRequestsHaveNoMaps: maps are refused in JSON, so no request may have one.
func TestRequestsHaveNoMaps(t *testing.T) {
	t.Parallel()
	seen := map[protoreflect.FullName]bool{}
	var walk func(m protoreflect.MessageDescriptor)
	walk = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			field := m.Fields().Get(i)
			if field.IsMap() {
				t.Errorf("%s is a map", field.FullName())
			}
			if field.Message() != nil {
				walk(field.Message())
			}
		}
	}
	for _, file := range []protoreflect.FileDescriptor{
		fitmentv1.File_beltwright_fitment_v1_catalogue_proto, fitmentv1.File_beltwright_fitment_v1_listing_proto,
		fitmentv1.File_beltwright_fitment_v1_fitment_proto, fitmentv1.File_beltwright_fitment_v1_identity_proto,
		quotev1.File_beltwright_quote_v1_offer_proto, quotev1.File_beltwright_quote_v1_quote_proto,
		quotev1.File_beltwright_quote_v1_repair_proto, quotev1.File_beltwright_quote_v1_planning_proto,
	} {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				walk(methods.Get(j).Input())
			}
		}
	}
	if len(seen) < 20 {
		t.Errorf("only %d messages were looked at", len(seen))
	}
}
