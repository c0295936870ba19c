package metrics

import (
	"slices"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// storage are the metrics of a store, by side.
type storage struct {
	calls                   *prometheus.CounterVec
	seconds, commit, shared *prometheus.HistogramVec
}

func newStorage() storage {
	return storage{
		calls:   counter("store_calls_total", "Calls of the store, by side, call and outcome.", "side", "call", "outcome"),
		seconds: histogram("store_seconds", "How long calls of the store took, by side and call; a write takes until it is durable.", durations(), "side", "call"),
		commit:  histogram("store_commit_seconds", "How long it took to write and sync what one commit holds, by side.", durations(), "side"),
		shared:  histogram("store_commit_changes", "How many changes shared a commit and its sync, by side.", []float64{1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1024, 4096}, "side"),
	}
}

func (s *storage) collectors() []prometheus.Collector {
	return []prometheus.Collector{s.calls, s.seconds, s.commit, s.shared}
}

// StoreCall notes a call of a side's store that has ended. Outcome is one of
// StoreOutcomes.
func (s *Set) StoreCall(side, call, outcome string, took time.Duration) {
	if s == nil {
		return
	}
	side, call = sideLabel(side), among(StoreCalls(), call)
	s.storage.calls.WithLabelValues(side, call, among(StoreOutcomes(), outcome)).Inc()
	s.storage.seconds.WithLabelValues(side, call).Observe(took.Seconds())
}

// Commit notes a commit of a side's store: how many changes it holds and how long
// it took to make them durable.
func (s *Set) Commit(side string, changes int, took time.Duration) {
	if s == nil {
		return
	}
	side = sideLabel(side)
	s.storage.commit.WithLabelValues(side).Observe(took.Seconds())
	s.storage.shared.WithLabelValues(side).Observe(float64(changes))
}

// StoreCalls are the calls of a store that are counted.
func StoreCalls() []string {
	return []string{"Get", "List", "Apply", "Seen", "Changes"}
}

// StoreOutcomes are what calls of a store end with.
func StoreOutcomes() []string {
	return []string{"done", "not_found", "conflict", "too_late", "request_reused", "refused", "ended", "failed"}
}

func sideLabel(side string) string { return among([]string{"fitment", "quote"}, side) }

func among(known []string, value string) string {
	if slices.Contains(known, value) {
		return value
	}
	return other
}
