package adminport_test

import (
	"context"
	"encoding/json"
	"io"
	"log/slog"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	channelzpb "google.golang.org/grpc/channelz/grpc_channelz_v1"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/adminport"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// main is the process's own server.
type main struct{}

func (main) GetServiceInfo() map[string]grpc.ServiceInfo {
	return map[string]grpc.ServiceInfo{"beltwright.fitment.v1.FitmentService": {}}
}

func config() adminport.Config {
	return adminport.Config{
		Address: "127.0.0.1:0",
		Metrics: http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "metrics") }),
		Health: func(context.Context) (bool, map[string]string) {
			return true, map[string]string{"breaker/fitment.ListingService": "NOT_SERVING"}
		},
		Log: slog.New(slog.DiscardHandler),
	}
}

// open serves a port until the test ends.
func open(t *testing.T, c adminport.Config) string {
	t.Helper()
	port, err := adminport.Listen(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- port.Serve(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return port.Address()
}

// get asks and closes the connection afterwards.
func get(t *testing.T, url string, change func(*http.Request)) (int, http.Header, string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(request)
	}
	transport := &http.Transport{}
	defer transport.CloseIdleConnections()
	answer, err := (&http.Client{Transport: transport, Timeout: 20 * time.Second}).Do(request)
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(answer.Body)
	if err := answer.Body.Close(); err != nil {
		t.Error(err)
	}
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, answer.Header, string(body)
}

func TestWhatThePortShows(t *testing.T) {
	t.Parallel()
	address := open(t, config())
	for path, want := range map[string]string{
		"/":                              "channelz",
		"/metrics":                       "metrics",
		"/health":                        `"breaker/fitment.ListingService": "NOT_SERVING"`,
		"/debug/pprof/":                  "goroutine",
		"/debug/pprof/heap?debug=1":      "heap profile",
		"/debug/pprof/goroutine?debug=1": "goroutine profile",
		"/debug/pprof/cmdline":           "adminport",
		"/debug/pprof/symbol":            "num_symbols",
	} {
		code, header, body := get(t, "http://"+address+path, nil)
		if code != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%s: %d %.200s; want %q", path, code, body, want)
		}
		if header.Get("X-Content-Type-Options") != "nosniff" || header.Get("Cache-Control") != "no-store" {
			t.Errorf("%s: %v", path, header)
		}
	}
	for _, path := range []string{"/v1/listings", "/debug/vars", "/metrics/x", "/healthz"} {
		if code, _, _ := get(t, "http://"+address+path, nil); code != http.StatusNotFound {
			t.Errorf("%s: %d", path, code)
		}
	}
}

func TestHealthTellsByItsStatusToo(t *testing.T) {
	t.Parallel()
	c := config()
	c.Health = func(context.Context) (bool, map[string]string) { return false, map[string]string{"a": "NOT_SERVING"} }
	code, _, body := get(t, "http://"+open(t, c)+"/health", nil)
	var answer struct {
		Status string            `json:"status"`
		States map[string]string `json:"states"`
	}
	if err := json.Unmarshal([]byte(body), &answer); err != nil || code != http.StatusServiceUnavailable || answer.Status != "not serving" || answer.States["a"] != "NOT_SERVING" {
		t.Errorf("%d %s (%v)", code, body, err)
	}
}

func TestGRPCOfThePort(t *testing.T) {
	t.Parallel()
	c := config()
	c.Services = main{}
	conn, err := grpc.NewClient(open(t, c), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	}()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if _, err := channelzpb.NewChannelzClient(conn).GetServers(ctx, &channelzpb.GetServersRequest{}); err != nil {
		t.Errorf("channelz: %v", err)
	}
	stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	answer, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, service := range answer.GetListServicesResponse().GetService() {
		names = append(names, service.GetName())
	}
	if !slices.Contains(names, "beltwright.fitment.v1.FitmentService") || slices.Contains(names, "grpc.channelz.v1.Channelz") {
		t.Errorf("services %v; want the main server's", names)
	}
	if _, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{}); status.Code(err) != codes.Unimplemented {
		t.Errorf("a service that is not offered: %v", err)
	}
}

// TestPagesOfOthersSeeNothing: what a browser does for a page of somebody else's, by a
// name of his DNS that leads to this machine, or across sites. The controls are the
// same requests of a person and of a tool.
func TestPagesOfOthersSeeNothing(t *testing.T) {
	t.Parallel()
	address := open(t, config())
	for name, c := range map[string]struct {
		host, site string
		want       int
	}{
		"tool":             {"", "", http.StatusOK},
		"address bar":      {"", "none", http.StatusOK},
		"own page":         {"", "same-origin", http.StatusOK},
		"localhost":        {"localhost:8082", "", http.StatusOK},
		"IPv6":             {"[::1]:8082", "", http.StatusOK},
		"private name":     {"fitment:9101", "", http.StatusOK},
		"rebound name":     {"evil.example:8082", "", http.StatusForbidden},
		"rebound, no port": {"evil.example", "", http.StatusForbidden},
		"trailing dot":     {"localhost.", "", http.StatusForbidden},
		"cross-site":       {"", "cross-site", http.StatusForbidden},
		"same-site":        {"", "same-site", http.StatusForbidden},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			code, _, body := get(t, "http://"+address+"/metrics", func(r *http.Request) {
				if c.host != "" {
					r.Host = c.host
				}
				if c.site != "" {
					r.Header.Set("Sec-Fetch-Site", c.site)
				}
			})
			if code != c.want || strings.Contains(body, "metrics") != (c.want == http.StatusOK) {
				t.Errorf("%d %s, want %d", code, body, c.want)
			}
		})
	}
}

func TestAddresses(t *testing.T) {
	t.Parallel()
	for address, ok := range map[string]bool{
		"127.0.0.1:0": true, "[::1]:0": true, "localhost:0": true,
		"0.0.0.0:0": false, ":0": false, "[::]:0": false, "192.0.2.1:0": false, "example:0": false, "127.0.0.1": false, "": false,
	} {
		c := config()
		c.Address = address
		port, err := adminport.Listen(t.Context(), c)
		if (err == nil) != ok && !strings.Contains(address, "::1") { // a machine may have no IPv6
			t.Errorf("%q: %v", address, err)
		}
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}
	c := config()
	c.Address, c.Anywhere = "0.0.0.0:0", true
	port, err := adminport.Listen(t.Context(), c)
	if err != nil {
		t.Errorf("off loopback, as asked for: %v", err)
	}
	if err := port.Close(); err != nil {
		t.Error(err)
	}
	if _, err := adminport.Listen(t.Context(), adminport.Config{Address: "127.0.0.1:0"}); err == nil {
		t.Error("a port without metrics was opened")
	}
}

func TestOff(t *testing.T) {
	t.Parallel()
	port, err := adminport.Listen(t.Context(), adminport.Config{Address: adminport.Off})
	if err != nil || port != nil || port.Address() != "" || port.Close() != nil {
		t.Fatalf("%v %v", port, err)
	}
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := port.Serve(ctx); err != nil {
		t.Error(err)
	}
}
