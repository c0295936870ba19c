package intercept_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/intercept"
	"beltwright.example/services/platform/logs"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/metrics/metricstest"
	"beltwright.example/services/platform/requestid"
)

// watched makes the links with a log that names requests and with metrics.
func watched(t *testing.T) ([]intercept.Link, *bytes.Buffer, *metrics.Set) {
	t.Helper()
	var log bytes.Buffer
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	links, err := intercept.Chain(intercept.Config{
		Verifier: verifier{}, Log: slog.New(logs.New(slog.NewJSONHandler(&log, nil))), Metrics: set,
	})
	if err != nil {
		t.Fatal(err)
	}
	return links, &log, set
}

// TestEveryLineOfACallNamesItsRequest: the caller's id where it is one, in the lines
// of the handler, of a panic and of the call's end.
func TestEveryLineOfACallNamesItsRequest(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		sent  []string
		taken string
	}{
		"sent":      {[]string{"abc-1"}, "abc-1"},
		"none":      {nil, ""},
		"malformed": {[]string{"a\nb"}, ""},
		"two":       {[]string{"a", "b"}, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			links, log, _ := watched(t)
			md := metadata.Pairs(auth.Header, "Bearer "+secret)
			md.Append("x-request-id", c.sent...)
			ctx := metadata.NewIncomingContext(t.Context(), md)
			var inside string
			_, _ = call(ctx, links, func(ctx context.Context, _ any) (any, error) {
				inside = requestid.FromContext(ctx)
				panic("it breaks") //nolint:forbidigo // what is tested
			})
			if !requestid.Valid(inside) || c.taken != "" && inside != c.taken {
				t.Errorf("the handler sees %q", inside)
			}
			all := lines(t, log)
			if len(all) != 2 {
				t.Fatalf("%d lines, want the panic's and the call's", len(all))
			}
			for _, line := range all {
				if line["request"] != inside {
					t.Errorf("line %v, want request %q", line, inside)
				}
			}
		})
	}
}

// TestCallsAreCountedAsTheirCallersSeeThem: with the code and the reason that leave.
func TestCallsAreCountedAsTheirCallersSeeThem(t *testing.T) {
	t.Parallel()
	links, _, set := watched(t)
	name := strings.TrimPrefix(method, "/")
	_, _ = call(asShop(t), links, func(context.Context, any) (any, error) { return "", nil })
	_, _ = call(asShop(t), links, func(context.Context, any) (any, error) { return nil, fmt.Errorf("bare") })
	_, _ = call(asShop(t), links, func(context.Context, any) (any, error) { panic("it breaks") }) //nolint:forbidigo // what is tested
	_, _ = call(asShop(t), links, func(context.Context, any) (any, error) {
		return nil, apierr.New(codes.ResourceExhausted, fitmentv1.ErrorInfo_QUOTA_REACHED, "too many")
	})
	_, _ = call(t.Context(), links, func(context.Context, any) (any, error) { return "", nil })
	_ = stream(asShop(t), links, silent{}, func(any, grpc.ServerStream) error { return nil })
	requests := metricstest.Samples(t, set, "beltwright_rpc_requests_total")
	for code, want := range map[string]float64{"OK": 2, "Internal": 2, "ResourceExhausted": 1, "Unauthenticated": 1} {
		if got := requests[code+" "+name]; got != want {
			t.Errorf("%s: %v, want %v (%v)", code, got, want, requests)
		}
	}
	refusals := metricstest.Samples(t, set, "beltwright_rpc_refusals_total")
	for reason, want := range map[string]float64{"INTERNAL": 2, "QUOTA_REACHED": 1, "CREDENTIAL_INVALID": 1} {
		if refusals[reason] != want {
			t.Errorf("%s: %v, want %v", reason, refusals[reason], want)
		}
	}
	if under := metricstest.Samples(t, set, "beltwright_rpc_in_flight")[name]; under != 0 {
		t.Errorf("%v calls under way", under)
	}
}

// rows is an import's stream: first the options, then nothing more.
type rows struct {
	grpc.ServerStream

	options *fitmentv1.ImportOptions
	told    bool
}

func (r *rows) RecvMsg(into any) error {
	request, ok := into.(*fitmentv1.ImportListingsRequest)
	if !ok || r.told {
		return io.EOF
	}
	r.told = true
	request.Content = &fitmentv1.ImportListingsRequest_Options{Options: r.options}
	return nil
}

func (*rows) SendMsg(any) error { return nil }

// TestRowsOfImportsAreCounted, those of dry runs apart.
func TestRowsOfImportsAreCounted(t *testing.T) {
	t.Parallel()
	links, _, set := watched(t)
	run := func(dry bool, outcomes ...fitmentv1.RowResult_Outcome) {
		t.Helper()
		for _, link := range links {
			if link.Name != intercept.Metrics {
				continue
			}
			info := &grpc.StreamServerInfo{FullMethod: fitmentv1.ListingService_ImportListings_FullMethodName}
			err := link.Stream(nil, &rows{options: &fitmentv1.ImportOptions{DryRun: dry}}, info, func(_ any, s grpc.ServerStream) error {
				if err := s.RecvMsg(&fitmentv1.ImportListingsRequest{}); err != nil {
					return err
				}
				for _, outcome := range outcomes {
					answer := &fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Row{Row: &fitmentv1.RowResult{Outcome: outcome}}}
					if err := s.SendMsg(answer); err != nil {
						return err
					}
				}
				return s.SendMsg(&fitmentv1.ImportListingsResponse{Content: &fitmentv1.ImportListingsResponse_Summary{Summary: &fitmentv1.ImportSummary{}}})
			})
			if err != nil {
				t.Fatal(err)
			}
		}
	}
	run(false, fitmentv1.RowResult_CREATED, fitmentv1.RowResult_CREATED, fitmentv1.RowResult_REJECTED)
	run(true, fitmentv1.RowResult_UPDATED)
	got := metricstest.Samples(t, set, "beltwright_import_rows_total")
	for name, want := range map[string]float64{"ImportListings kept CREATED": 2, "ImportListings kept REJECTED": 1, "ImportListings dry UPDATED": 1} {
		if got[name] != want {
			t.Errorf("%s: %v, want %v (%v)", name, got[name], want, got)
		}
	}
}
