package traced_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"slices"
	"testing"
	"time"

	"go.opentelemetry.io/otel/sdk/trace/tracetest"

	"beltwright.example/services/platform/telemetry"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/storetest"
	"beltwright.example/services/store/traced"
)

// traces go into memory.
func traces(t *testing.T) (*telemetry.Traces, *tracetest.InMemoryExporter) {
	t.Helper()
	exporter := tracetest.NewInMemoryExporter()
	all, err := telemetry.Open(t.Context(), telemetry.Config{Exporter: exporter})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := all.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return all, exporter
}

// TestConformance: it is still a store.
func TestConformance(t *testing.T) {
	t.Parallel()
	spans, _ := traces(t)
	storetest.Run(t, func(t *testing.T, now func() time.Time) (store.Store, func() store.Store) {
		t.Helper()
		dir := t.TempDir()
		s := embeddedtest.Open(t, dir, embedded.Options{Now: now})
		return traced.New(s, "fitment", spans), func() store.Store {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = embeddedtest.Open(t, dir, embedded.Options{Now: now})
			return traced.New(s, "fitment", spans)
		}
	})
}

// TestSpans: one for each call that costs something, children of the request's, with
// the kind and never the id; none without a request.
func TestSpans(t *testing.T) {
	t.Parallel()
	all, exporter := traces(t)
	s := traced.New(embeddedtest.Open(t, t.TempDir(), embedded.Options{NoSync: true}), "fitment", all)
	use := func(ctx context.Context) {
		key := store.Key{Tenant: "kettlewick", Kind: "listing", ID: "SB-1001"}
		if _, err := s.Apply(ctx, store.Change{Puts: []store.Put{{Key: key, Value: []byte("v")}}}); err != nil {
			t.Fatal(err)
		}
		_, _ = s.Get(ctx, key)
		_, _ = s.Get(ctx, store.Key{Tenant: "kettlewick", Kind: "listing", ID: "none"})
		_, _ = s.List(ctx, "kettlewick", "listing", "", 1)
		_, _ = s.Seen(ctx, "kettlewick", "r", [32]byte{})
		_, _ = s.Changes(ctx, 0, 1)
		_, _ = s.Place(ctx)
		_, _ = s.Now(ctx)
	}
	use(t.Context())
	r, end := all.Request(httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/", nil), "/")
	use(r.Context())
	end(http.StatusOK)
	if err := all.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	spans := exporter.GetSpans()
	var names []string
	root := spans[len(spans)-1].SpanContext
	for _, span := range spans[:len(spans)-1] {
		names = append(names, span.Name)
		if span.Parent.SpanID() != root.SpanID() {
			t.Errorf("%s is no child of the request", span.Name)
		}
		for _, a := range span.Attributes {
			if a.Value.AsString() == "SB-1001" || a.Value.AsString() == "kettlewick" {
				t.Errorf("%s tells %s", span.Name, a.Key)
			}
		}
	}
	want := []string{"store Apply", "store Get", "store Get", "store List", "store Seen", "store Changes"}
	if !slices.Equal(names, want) {
		t.Errorf("spans %v, want %v", names, want)
	}
}
