package rest_test

import (
	"context"
	"log/slog"
	"net/http"
	"strings"
	"testing"
	"time"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"

	"beltwright.example/gateway/rest"
	"beltwright.example/services/platform/logs"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/metrics/metricstest"
	"beltwright.example/services/platform/requestid"
	"beltwright.example/services/platform/telemetry"
)

// TestRequestsAreNamedCountedAndTraced by the templates of their routes, whatever is
// in their paths.
func TestRequestsAreNamedCountedAndTraced(t *testing.T) {
	t.Parallel()
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	exporter := tracetest.NewInMemoryExporter()
	traces, err := telemetry.Open(t.Context(), telemetry.Config{Exporter: exporter})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := traces.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	}()
	var kept *logged
	d := open(t, &fake{}, func(o *rest.Options) {
		kept = &logged{}
		o.Metrics, o.Traces, o.Log = set, traces, slog.New(logs.New(slog.NewTextHandler(kept, nil)))
	})
	const vin = "5ZTSSB4K15A000003"
	asked := []struct {
		method, path, series, span string
	}{
		{http.MethodGet, "/healthz", "GET /healthz 200", "GET /healthz"},
		{http.MethodGet, "/v1/listings/a.b", "GET /v1/listings/{id} 200", "GET /v1/listings/{id}"},
		{http.MethodGet, "/v1/nothing/" + vin, "GET other 404", "GET"},
		{http.MethodPut, "/v1/listings/a.b", "PUT other 405", "PUT"},
		{"X" + vin, "/v1/listings/a.b", "other other 405", "_OTHER"}, //nolint:dupword // method and route
	}
	ids := map[string]bool{}
	for _, one := range asked {
		r := d.call(one.method, one.path, "")
		if id := r.header.Get(requestid.Header); !requestid.Valid(id) || ids[id] {
			t.Errorf("%s %s: request id %q", one.method, one.path, id)
		} else {
			ids[id] = true
		}
	}
	if r := d.call(http.MethodGet, "/healthz", "", requestid.Header+": mine_1"); r.header.Get(requestid.Header) != "mine_1" {
		t.Errorf("a caller's id: %v", r.header)
	}
	if r := d.call(http.MethodGet, "/healthz", "", requestid.Header+": not mine"); r.header.Get(requestid.Header) == "not mine" {
		t.Error("an id that is none was taken")
	}
	text := kept.String()
	for id := range ids {
		if !strings.Contains(text, "request="+id+" trace_id=") {
			t.Errorf("no line of request %s in\n%s", id, text)
		}
	}
	if strings.Contains(text, vin) || !strings.Contains(text, "/v1/nothing/[VIN]") {
		t.Errorf("the log says\n%s", text)
	}
	d.client.CloseIdleConnections()
	spans := map[string]bool{}
	// A request ends a little after its answer.
	for deadline := time.Now().Add(20 * time.Second); len(exporter.GetSpans()) < len(asked)+2 && time.Now().Before(deadline); {
		if err := traces.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for _, span := range exporter.GetSpans() {
		spans[span.Name] = true
		if strings.Contains(span.Name, vin) {
			t.Errorf("a span is called %s", span.Name)
		}
	}
	requests := metricstest.Samples(t, set, "beltwright_http_requests_total")
	for _, one := range asked {
		if requests[one.series] < 1 || !spans[one.span] {
			t.Errorf("%s: %v, span %q: %v (%v, %v)", one.series, requests[one.series], one.span, spans[one.span], requests, spans)
		}
	}
	if refusals := metricstest.Samples(t, set, "beltwright_http_refusals_total"); refusals["ROUTE_UNKNOWN"] < 2 {
		t.Errorf("refusals %v", refusals)
	}
}
