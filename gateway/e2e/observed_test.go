package e2e_test

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/requestid"
	"beltwright.example/services/platform/telemetry/telemetrytest"
	"beltwright.example/testdata/demo"
)

// seen are three processes that tell all they can: logs of the lowest level, traces,
// and admin ports.
type seen struct {
	client

	collector *telemetrytest.Collector
	processes map[string]*process
	grpc      string // the fitment service's address
}

func watched(t *testing.T) seen {
	t.Helper()
	collector, err := telemetrytest.Start(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(collector.Stop)
	dir := t.TempDir()
	keyFile := filepath.Join(dir, "operator.key")
	common := []string{"--log-level", "debug", "--log-json", "--admin", "127.0.0.1:0", "--otlp", collector.Address}
	listening := `"msg":"listening".*"address":"(127\.0\.0\.1:\d+)"`
	fitment := start(t, "fitment", append([]string{"--grpc", "127.0.0.1:0", "--data", filepath.Join(dir, "fitment"), "--key-file", keyFile}, common...)...)
	fitmentAddress := fitment.awaits(listening)[1]
	quote := start(t, "quote", append([]string{"--grpc", "127.0.0.1:0", "--data", filepath.Join(dir, "quote"), "--fitment", twice(fitmentAddress)}, common...)...)
	quote.awaits(`"msg":"ready"`)
	gateway := start(t, "beltwright", append([]string{"gateway", "--http", "127.0.0.1:0", "--fitment", twice(fitmentAddress), "--quote", quote.awaits(listening)[1]}, common...)...)
	base := gateway.awaits(`REST (http://127\.0\.0\.1:\d+)`)[1]
	key, err := os.ReadFile(keyFile)
	if err != nil {
		t.Fatal(err)
	}
	return seen{
		client: client{t, base, strings.TrimSpace(string(key))}, collector: collector, grpc: fitmentAddress,
		processes: map[string]*process{"beltwright-fitment": fitment, "beltwright-quote": quote, "beltwright-gateway": gateway},
	}
}

// twice is one server by two addresses, between which reads can be hedged.
func twice(address string) string {
	return address + "," + strings.Replace(address, "127.0.0.1", "localhost", 1)
}

// admin is where a process's admin port is.
func (s seen) admin(service string) string {
	return s.processes[service].awaits(`"msg":"admin port","at":"(127\.0\.0\.1:\d+)"`)[1]
}

// raw sends a request with headers and returns status, headers and body.
func (s seen) raw(method, url, body string, headers map[string]string) (int, http.Header, string) {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(s.t.Context(), 30*time.Second)
	defer cancel()
	request, err := http.NewRequestWithContext(ctx, method, url, strings.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	for name, value := range headers {
		request.Header.Set(name, value)
	}
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() { _ = response.Body.Close() }()
	raw, err := io.ReadAll(response.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return response.StatusCode, response.Header, string(raw)
}

// ends stops all processes, which sends what they have not sent yet.
func (s seen) ends() {
	s.t.Helper()
	for _, name := range []string{"beltwright-gateway", "beltwright-quote", "beltwright-fitment"} {
		s.processes[name].signal(syscall.SIGTERM)
		if code := s.processes[name].exits(); code != 0 {
			s.t.Errorf("%s: exit code %d", name, code)
		}
	}
}

// demoVINs are the VINs of the demo's donors, all invented.
func demoVINs(t *testing.T) []string {
	t.Helper()
	var all []string
	for _, yard := range demo.Yards() {
		raw, err := demo.File("listings-"+yard+".csv", time.Now())
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(strings.NewReader(string(raw))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		column := slices.Index(rows[0], "donor_vin")
		for _, row := range rows[1:] {
			if row[column] != "" {
				all = append(all, row[column])
			}
		}
	}
	if len(all) < 10 {
		t.Fatalf("%d VINs in the demo", len(all))
	}
	return all
}

// TestSeenFromOutside does the main job over three processes that tell all they can,
// and looks at what they told: one trace through all of them down to both stores, each
// log line with its request, the metrics of the trade, nothing of it on the ports that
// callers reach, and neither a VIN nor a secret in any log or span.
func TestSeenFromOutside(t *testing.T) {
	t.Parallel()
	s := watched(t)
	s.loadScenario()
	donorsAreDecided(t, s.client)
	quoteIsBought(t, s.client)
	const requestID = "outside-42"
	body, err := json.Marshal(quoteRequest(object{"requestId": uuid.NewString()}))
	if err != nil {
		t.Fatal(err)
	}
	code, header, answer := s.raw(http.MethodPost, s.base+"/v1/quotes:prepare", string(body), map[string]string{
		"Authorization": "Bearer " + s.key, "Content-Type": "application/json", requestid.Header: requestID,
		"Traceparent": "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01", "Tracestate": "x=" + demoVINs(t)[0],
	})
	if code != http.StatusOK || header.Get(requestid.Header) != requestID {
		t.Fatalf("%d, X-Request-Id %q: %s", code, header.Get(requestid.Header), answer)
	}
	vins := demoVINs(t)
	s.hides(vins)
	s.shows()
	s.publicPortsTellNothing()
	s.ends()
	s.oneTrace(requestID)
	s.nothingTold(vins)
}

// Secrets that are sent to wrong places.
const (
	wrongPassword = "correct-horse-hunter2"
	wrongSecret   = "bw_shop-a_abcdefghij23_Zm9vYmFyYmF6cXV4Zm9vYmFyYmF6cXV4Zm9vYmFyYmE"
)

// hides sends VINs and secrets to wherever they may end up in a log.
func (s seen) hides(vins []string) {
	s.t.Helper()
	key := map[string]string{"Authorization": "Bearer " + s.key, "Content-Type": "application/json"}
	s.raw(http.MethodGet, s.base+"/v1/nothing/"+vins[0], "", key)
	s.raw(http.MethodGet, s.base+"/v1/listings?filter=a%20"+vins[1], "", key)
	s.raw(http.MethodGet, s.base+"/v1/listings/x%20"+vins[2], "", key)
	s.raw(http.MethodPost, s.base+"/v1/vins:decode", `{"vin":"`+vins[3]+`"}`, key)
	s.raw(http.MethodPost, s.base+"/v1/fitment:decide", `{"need":{"vehicle":{"vin":"`+vins[4]+`"`, key)
	s.raw(http.MethodPost, s.base+"/v1/fitment:decide", `{"need":{"vehicle":{"vin":"`+vins[4]+`x"}}}`, key)
	s.raw(http.MethodPost, s.base+"/v1/sessions:signIn", `{"login":"a@b.example","password":"`+wrongPassword+`"}`, map[string]string{"Content-Type": "application/json"})
	s.raw(http.MethodGet, s.base+"/v1/quotes", "", map[string]string{"Authorization": "Bearer " + wrongSecret})
	s.raw(http.MethodGet, s.base+"/v1/quotes/"+wrongSecret, "", key)
}

// shows looks at the admin ports.
func (s seen) shows() {
	s.t.Helper()
	for service, wanted := range map[string][]string{
		"beltwright-fitment": {
			`beltwright_rpc_requests_total{code="OK",method="beltwright.fitment.v1.FitmentService/FindDonors"}`,
			`beltwright_decisions_total{verdict="PROVE_FIRST"}`, `beltwright_holds_total{event="sold"} 1`,
			`beltwright_import_rows_total{import="ImportListings",mode="kept",outcome="CREATED"}`,
			`beltwright_store_commit_seconds_count{side="fitment"}`, `beltwright_index_behind 0`, `beltwright_findings_total{answer="YES",rule="`,
		},
		"beltwright-quote":   {`beltwright_store_calls_total{call="Apply",outcome="done",side="quote"}`, `beltwright_breaker_state{breaker="fitment.ListingService"} 0`, `beltwright_hedges_total{event="made"}`},
		"beltwright-gateway": {`beltwright_http_requests_total{method="POST",route="/v1/quotes:prepare",status="200"}`, `beltwright_breaker_state{breaker="quote.QuoteService"} 0`, `beltwright_hedges_total{event="made"}`},
	} {
		address := "http://" + s.admin(service)
		code, _, text := s.raw(http.MethodGet, address+"/metrics", "", nil)
		if code != http.StatusOK {
			s.t.Errorf("%s /metrics: %d", service, code)
		}
		for _, want := range append(wanted, "beltwright_build_info{", "go_goroutines", "process_resident_memory_bytes") {
			if !strings.Contains(text, want) {
				s.t.Errorf("%s has no %s", service, want)
			}
		}
		if code, _, text := s.raw(http.MethodGet, address+"/health", "", nil); code != http.StatusOK || !strings.Contains(text, `"status": "serving"`) {
			s.t.Errorf("%s /health: %d %s", service, code, text)
		}
		if code, _, text := s.raw(http.MethodGet, address+"/debug/pprof/goroutine?debug=1", "", nil); code != http.StatusOK || !strings.Contains(text, "goroutine profile") {
			s.t.Errorf("%s: %d %.80s", service, code, text)
		}
	}
	if err := s.reflects(s.admin("beltwright-fitment")); err != nil {
		s.t.Errorf("reflection on the admin port: %v", err)
	}
}

// reflects asks a gRPC port which services there are.
func (s seen) reflects(address string) error {
	s.t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		s.t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	ctx, cancel := context.WithTimeout(auth.WithKey(s.t.Context(), s.key), 30*time.Second)
	defer cancel()
	stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(ctx)
	if err != nil {
		return err
	}
	_ = stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}})
	_, err = stream.Recv()
	return err
}

// publicPortsTellNothing: what the admin port shows is nowhere else, with the
// operator's key or without.
func (s seen) publicPortsTellNothing() {
	s.t.Helper()
	for _, path := range []string{"/metrics", "/health", "/debug/pprof/", "/debug/pprof/heap", "/debug/vars"} {
		if code, _, text := s.raw(http.MethodGet, s.base+path, "", nil); code != http.StatusUnauthorized {
			s.t.Errorf("%s without a key: %d %.80s", path, code, text)
		}
		if code, _, text := s.raw(http.MethodGet, s.base+path, "", map[string]string{"Authorization": "Bearer " + s.key}); code != http.StatusNotFound {
			s.t.Errorf("%s: %d %.80s", path, code, text)
		}
	}
	if err := s.reflects(s.grpc); status.Code(err) != codes.Unimplemented {
		s.t.Errorf("reflection on the port of callers: %v", err)
	}
}

// oneTrace: the request has one trace, from the gateway through quote and fitment to
// both stores, each span below the one that caused it; and the lines of all three logs
// name it.
func (s seen) oneTrace(requestID string) {
	s.t.Helper()
	line := regexp.MustCompile(`"request":"` + requestID + `","trace_id":"([0-9a-f]{32})"`)
	traces := map[string]bool{}
	for service, p := range s.processes {
		found := line.FindAllStringSubmatch(p.printed(), -1)
		if len(found) == 0 {
			s.t.Errorf("no line of %s names the request and its trace", service)
		}
		for _, match := range found {
			traces[match[1]] = true
		}
	}
	if len(traces) != 1 || traces["4bf92f3577b34da6a3ce929d0e0e4736"] {
		s.t.Fatalf("the request's traces are %v; want one, and not the caller's", traces)
	}
	spans := map[string]telemetrytest.Span{}
	for _, span := range s.collector.Spans() {
		if traces[span.Trace] {
			spans[span.ID] = span
		}
	}
	stores := map[string]bool{}
	for _, span := range spans {
		path := []string{}
		at := span
		for at.Parent != "" {
			path = append(path, at.Service)
			parent, ok := spans[at.Parent]
			if !ok {
				s.t.Fatalf("%s of %s is below a span that is missing", at.Name, at.Service)
			}
			at = parent
		}
		if at.Service != "beltwright-gateway" || at.Name != "POST /v1/quotes:prepare" {
			s.t.Errorf("a trace begins with %s of %s", at.Name, at.Service)
		}
		if strings.HasPrefix(span.Name, "store ") {
			stores[strings.Join(slices.Compact(path), " < ")] = true
		}
	}
	for _, want := range []string{"beltwright-quote < beltwright-gateway", "beltwright-fitment < beltwright-quote < beltwright-gateway"} {
		if !stores[want] {
			s.t.Errorf("no store's span by the way of %s; there are %v", want, stores)
		}
	}
}

// nothingTold: no log and no span holds a VIN or a secret. The control is that the
// lines in which they would stand are there, with what was masked.
func (s seen) nothingTold(vins []string) {
	s.t.Helper()
	secret := s.key[strings.LastIndex(s.key, "_")+1:]
	told := append([]string{secret, wrongPassword, wrongSecret[24:]}, vins...)
	texts := map[string]string{}
	for service, p := range s.processes {
		texts["log of "+service] = p.printed()
	}
	var all strings.Builder
	for _, span := range s.collector.Spans() {
		all.WriteString(span.Text)
	}
	texts["spans"] = all.String()
	for where, text := range texts {
		if len(text) < 1000 {
			s.t.Errorf("%s: only %d bytes", where, len(text))
		}
		for _, one := range told {
			if strings.Contains(strings.ToUpper(text), strings.ToUpper(one)) {
				s.t.Errorf("%s holds %q", where, one)
			}
		}
	}
	for _, masked := range []string{`"path":"/v1/nothing/[VIN]"`, `"path":"/v1/listings/x [VIN]"`, `"path":"/v1/quotes/bw_shop-a_[secret]"`} {
		if !strings.Contains(texts["log of beltwright-gateway"], masked) {
			s.t.Errorf("the gateway's log has no %s, so nothing was there to be masked", masked)
		}
	}
}
