package metrics_test

import (
	"flag"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hedge"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/metrics"
)

var update = flag.Bool("update", false, "write the list of metrics anew")

func newSet(t *testing.T) *metrics.Set {
	t.Helper()
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	if err := set.Index(func() float64 { return 7 }, func() float64 { return 2 }); err != nil {
		t.Fatal(err)
	}
	return set
}

// use does everything once.
func use(set *metrics.Set) {
	set.Call(fitmentv1.FitmentService_Decide_FullMethodName)(codes.OK, fitmentv1.ErrorInfo_REASON_UNSPECIFIED)
	set.Call(fitmentv1.IdentityService_SignIn_FullMethodName)(codes.Unauthenticated, fitmentv1.ErrorInfo_SIGN_IN_REFUSED)
	set.Row(fitmentv1.ListingService_ImportListings_FullMethodName, fitmentv1.RowResult_CREATED, false)
	set.Request(http.MethodGet)("/v1/{name}", http.StatusTooManyRequests, fitmentv1.ErrorInfo_RATE_LIMITED)
	set.Decided(&fitmentv1.Decision{
		Verdict:  fitmentv1.Decision_PROVE_FIRST,
		Findings: []*fitmentv1.Finding{{Rule: "recall.open", Answer: fitmentv1.Finding_UNKNOWN}},
	})
	set.Hold(metrics.HoldTaken, 1)
	set.StoreCall("quote", "Apply", "conflict", time.Millisecond)
	set.Commit("fitment", 3, time.Millisecond)
	set.Breaker(breaker.Status{Breaker: "fitment.ListingService", State: breaker.Open})
	set.Refused(limit.Shed, limit.Search)
	set.Hedge(hedge.Repeated)
}

func families(t *testing.T, set *metrics.Set) map[string]*dto.MetricFamily {
	t.Helper()
	all, err := set.Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	byName := map[string]*dto.MetricFamily{}
	for _, family := range all {
		byName[family.GetName()] = family
	}
	return byName
}

// series returns the value of a counter or gauge with these labels, in the order of
// the labels' names; -1 where there is none.
func series(family *dto.MetricFamily, values ...string) float64 {
	for _, metric := range family.GetMetric() {
		var labels []string
		for _, label := range metric.GetLabel() {
			labels = append(labels, label.GetValue())
		}
		if slices.Equal(labels, values) {
			return metric.GetCounter().GetValue() + metric.GetGauge().GetValue()
		}
	}
	return -1
}

// TestNamesAreKept: dashboards and alerts of operators stand on names, labels and
// meanings, so none changes without this list.
func TestNamesAreKept(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	use(set)
	var lines []string
	for name, family := range families(t, set) {
		if !strings.HasPrefix(name, "beltwright_") {
			continue // the runtime's and the process's, as the library names them
		}
		var labels []string
		for _, label := range family.GetMetric()[0].GetLabel() {
			labels = append(labels, label.GetName())
		}
		lines = append(lines, fmt.Sprintf("%s {%s} %s\n\t%s\n", name, strings.Join(labels, ","), strings.ToLower(family.GetType().String()), family.GetHelp()))
	}
	slices.Sort(lines)
	got, path := strings.Join(lines, ""), filepath.Join("testdata", "names.txt")
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("names, labels or meanings have changed (-update writes the list anew):\n%s", diff)
	}
}

// TestTheConventionsOfPrometheusAreKept, by its own linter, which checks
// https://prometheus.io/docs/practices/naming/. The control is a bad name.
func TestTheConventionsOfPrometheusAreKept(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	use(set)
	answer := httptest.NewRecorder()
	set.Handler().ServeHTTP(answer, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", nil))
	if answer.Code != http.StatusOK || !strings.HasPrefix(answer.Header().Get("Content-Type"), "text/plain") {
		t.Fatalf("%d %s", answer.Code, answer.Header().Get("Content-Type"))
	}
	problems, err := promlint.New(answer.Body).Lint()
	if err != nil || len(problems) > 0 {
		t.Errorf("%v %v", problems, err)
	}
	problems, err = promlint.New(strings.NewReader("# TYPE requestsMs counter\nrequestsMs 1\n")).Lint()
	if err != nil || len(problems) == 0 {
		t.Errorf("the linter finds nothing in a bad name (%v)", err)
	}
}

func TestWhatIsCounted(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	use(set)
	all := families(t, set)
	for _, c := range []struct {
		name   string
		labels []string
		want   float64
	}{
		{"rpc_requests_total", []string{"OK", "beltwright.fitment.v1.FitmentService/Decide"}, 1},
		{"rpc_requests_total", []string{"Unauthenticated", "beltwright.fitment.v1.IdentityService/SignIn"}, 1},
		{"rpc_in_flight", []string{"beltwright.fitment.v1.FitmentService/Decide"}, 0},
		{"rpc_refusals_total", []string{"SIGN_IN_REFUSED"}, 1},
		{"sign_ins_total", []string{"refused", "password"}, 1},
		{"import_rows_total", []string{"ImportListings", "kept", "CREATED"}, 1},
		{"http_requests_total", []string{"GET", "/v1/{name}", "429"}, 1},
		{"http_refusals_total", []string{"RATE_LIMITED"}, 1},
		{"http_in_flight", nil, 0},
		{"decisions_total", []string{"PROVE_FIRST"}, 1},
		{"decisions_total", []string{"FITS"}, 0},
		{"findings_total", []string{"UNKNOWN", "recall.open"}, 1},
		{"holds_total", []string{"taken"}, 1},
		{"holds_total", []string{"expired"}, 0},
		{"store_calls_total", []string{"Apply", "conflict", "quote"}, 1},
		{"breaker_state", []string{"fitment.ListingService"}, 2},
		{"hedges_total", []string{"repeated"}, 1},
		{"hedges_total", []string{"made"}, -1},
		{"breaker_changes_total", []string{"fitment.ListingService", "open"}, 1},
		{"limit_refusals_total", []string{"search", "shed"}, 1},
		{"index_listings", nil, 7},
		{"index_behind", nil, 2},
	} {
		if got := series(all["beltwright_"+c.name], c.labels...); got != c.want {
			t.Errorf("%s%v = %v, want %v", c.name, c.labels, got, c.want)
		}
	}
	for _, state := range []breaker.State{breaker.Open, breaker.HalfOpen, breaker.Open, breaker.Closed} {
		set.Breaker(breaker.Status{Breaker: "fitment.ListingService", State: state}) // the first is no news
	}
	set.Breaker(breaker.Status{Breaker: "quote.BooksService", State: breaker.Closed}) // nor is this
	changes := families(t, set)["beltwright_breaker_changes_total"]
	for state, want := range map[string]float64{"open": 2, "half-open": 1, "closed": 1} {
		if got := series(changes, "fitment.ListingService", state); got != want {
			t.Errorf("%v changes to %s, want %v", got, state, want)
		}
	}
	if got := series(changes, "quote.BooksService", "closed"); got != -1 {
		t.Errorf("%v changes of a breaker that was closed from the start", got)
	}
	began := set.Call(fitmentv1.FitmentService_Decide_FullMethodName)
	if got := series(families(t, set)["beltwright_rpc_in_flight"], "beltwright.fitment.v1.FitmentService/Decide"); got != 1 {
		t.Errorf("%v under way, want 1", got)
	}
	began(codes.OK, fitmentv1.ErrorInfo_REASON_UNSPECIFIED)
}

// attack sends 20,000 different values by every way that a value from outside may
// come.
func attack(set *metrics.Set) {
	var workers sync.WaitGroup
	for w := range 4 {
		workers.Go(func() {
			for i := range 5000 {
				odd := fmt.Sprintf("1TRVN-%d-%d", w, i)
				set.Call("/x.Y/"+odd)(codes.Code(1000+i), fitmentv1.ErrorInfo_Reason(1000+i))
				set.Row("/x.Y/"+odd, fitmentv1.RowResult_Outcome(1000+i), true)
				set.Request(odd)(odd, 1000+i, fitmentv1.ErrorInfo_Reason(1000+i))
				set.Decided(&fitmentv1.Decision{Verdict: fitmentv1.Decision_Verdict(1000 + i), Findings: []*fitmentv1.Finding{{Rule: odd, Answer: fitmentv1.Finding_Answer(1000 + i)}}})
				set.Hold(metrics.HoldEvent(odd), 1)
				set.StoreCall(odd, odd, odd, 0)
				set.Commit(odd, 1, 0)
				set.Breaker(breaker.Status{Breaker: odd, State: breaker.State(i % 3)})
				set.Refused(limit.Refusal(odd), limit.Class(odd))
				set.Hedge(hedge.Event(1000 + i))
			}
		})
	}
	workers.Wait()
}

// TestNobodyMakesTheMetricsGrow: whatever comes, there are fewer series than the
// tables allow, and texts from outside come only into labels whose table another
// package has (routes, rules, breakers, classes), up to its bound. The control is a
// family whose label is what came.
func TestNobodyMakesTheMetricsGrow(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	attack(set)
	bounds := map[string]int{
		"beltwright_http_requests_total": 513, "beltwright_http_seconds": 513, "beltwright_findings_total": 129,
		"beltwright_breaker_state": 65, "beltwright_breaker_changes_total": 3 * 65, "beltwright_limit_refusals_total": 17,
	}
	total := 0
	for name, family := range families(t, set) {
		if !strings.HasPrefix(name, "beltwright_") {
			continue
		}
		total += len(family.GetMetric())
		most, known := bounds[name]
		if !known {
			most = 8
		}
		if got := len(family.GetMetric()); got > most {
			t.Errorf("%s has %d series, at most %d", name, got, most)
		}
		for _, metric := range family.GetMetric() {
			for _, label := range metric.GetLabel() {
				if !known && strings.Contains(label.GetValue(), "1TRVN") {
					t.Errorf("%s: a label is %q", name, label.GetValue())
				}
			}
		}
	}
	t.Logf("%d series after 20,000 different values", total)
	if total < 100 {
		t.Errorf("%d series; did the attack come through?", total)
	}
}

func TestANilSetCountsNothing(t *testing.T) {
	t.Parallel()
	var set *metrics.Set
	use(set)
	if err := set.Index(nil, nil); err != nil || set.Gatherer() != nil {
		t.Errorf("%v, %v", err, set.Gatherer())
	}
	answer := httptest.NewRecorder()
	set.Handler().ServeHTTP(answer, httptest.NewRequestWithContext(t.Context(), http.MethodGet, "/metrics", nil))
	if answer.Code != http.StatusNotFound {
		t.Errorf("%d", answer.Code)
	}
}

func TestAnIndexIsMeasuredOnce(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	if err := set.Index(func() float64 { return 0 }, func() float64 { return 0 }); err == nil {
		t.Error("a second index was taken")
	}
}
