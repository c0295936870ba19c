// Package metrics counts what a process does, for Prometheus: requests by method,
// route and outcome, and what the trade is about: verdicts, holds, imports.
//
// A Set is handed to what is worth counting, and a nil Set counts nothing, so that
// nothing has to ask whether anybody listens. Labels come from fixed tables only:
// declared methods, route templates, names of codes and reasons. What is in none of
// them counts as "other", so that no caller can make the Set grow, and no label
// holds anything that a caller sent.
package metrics

import (
	"errors"
	"fmt"
	"net/http"
	"runtime/debug"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// prefix begins the name of everything that is ours.
const prefix = "beltwright_"

// other stands for every label that is in no table.
const other = "other"

// Set is the metrics of one process. All its methods may be called concurrently and
// on nil, and none of them waits.
type Set struct {
	registry *prometheus.Registry
	calls    calls
	web      web
	domain   domain
	storage  storage
	guards   guards
}

// New makes a Set with all counters at zero, beside those of the Go runtime and of
// the process.
func New() (*Set, error) {
	s := &Set{
		registry: prometheus.NewRegistry(),
		calls:    newCalls(), web: newWeb(), domain: newDomain(), storage: newStorage(), guards: newGuards(),
	}
	all := []prometheus.Collector{
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		buildInfo(),
	}
	for _, group := range [][]prometheus.Collector{
		s.calls.collectors(), s.web.collectors(), s.domain.collectors(), s.storage.collectors(), s.guards.collectors(),
	} {
		all = append(all, group...)
	}
	failures := make([]error, 0, len(all))
	for _, c := range all {
		failures = append(failures, s.registry.Register(c))
	}
	if err := errors.Join(failures...); err != nil {
		return nil, fmt.Errorf("metrics: %w", err)
	}
	return s, nil
}

// Handler answers with all metrics, in the text form of Prometheus.
func (s *Set) Handler() http.Handler {
	if s == nil {
		return http.NotFoundHandler()
	}
	return promhttp.HandlerFor(s.registry, promhttp.HandlerOpts{Registry: s.registry, MaxRequestsInFlight: scrapes})
}

// scrapes is how many readers are answered at once.
const scrapes = 4

// Gatherer reads all metrics, for tests and for what sums them up; nil of a nil Set.
func (s *Set) Gatherer() prometheus.Gatherer {
	if s == nil {
		return nil
	}
	return s.registry
}

// buildInfo tells which build is running.
func buildInfo() prometheus.Collector {
	const unknown = "unknown"
	version, revision, goVersion := unknown, unknown, unknown
	if info, ok := debug.ReadBuildInfo(); ok {
		version, goVersion = info.Main.Version, info.GoVersion
		for _, setting := range info.Settings {
			if setting.Key == "vcs.revision" {
				revision = setting.Value
			}
		}
	}
	gauge := prometheus.NewGaugeVec(prometheus.GaugeOpts{
		Name: prefix + "build_info", Help: "Which build is running; always 1.",
	}, []string{"version", "revision", "go"})
	gauge.WithLabelValues(version, revision, goVersion).Set(1)
	return gauge
}

// bound lets a limited number of different values be labels, those that come first.
// It is for labels whose table another package has, such as the rules.
type bound struct {
	most int

	mu    sync.RWMutex
	known map[string]bool
}

func newBound(most int) *bound { return &bound{most: most, known: map[string]bool{}} }

// label returns the value, or other where there are too many or it is too long.
func (b *bound) label(value string) string {
	b.mu.RLock()
	known := b.known[value]
	b.mu.RUnlock()
	if known {
		return value
	}
	if value == "" || len(value) > longestLabel {
		return other
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.known) >= b.most && !b.known[value] {
		return other
	}
	b.known[value] = true
	return value
}

// longestLabel is more than any rule, breaker or class is called.
const longestLabel = 80

func counter(name, help string, labels ...string) *prometheus.CounterVec {
	return prometheus.NewCounterVec(prometheus.CounterOpts{Name: prefix + name, Help: help}, labels)
}

func gauge(name, help string, labels ...string) *prometheus.GaugeVec {
	return prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: prefix + name, Help: help}, labels)
}

func histogram(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
	return prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: prefix + name, Help: help, Buckets: buckets}, labels)
}

// durations are the bounds of histograms of time, in seconds: from an answer out of
// memory to the longest that a request may take. 0.1 and 0.3 are there because a
// verdict and a quote are meant to take no longer than that.
func durations() []float64 {
	return []float64{0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.2, 0.3, 0.5, 1, 2.5, 5, 15, 60}
}
