// Package metricstest reads metrics back in tests.
package metricstest

import (
	"strings"
	"testing"

	"beltwright.example/services/platform/metrics"
)

// Samples returns the counters and gauges of a family by their labels' values,
// in the order of the labels' names and with spaces between; "" is the one
// without labels.
func Samples(tb testing.TB, set *metrics.Set, family string) map[string]float64 {
	tb.Helper()
	all, err := set.Gatherer().Gather()
	if err != nil {
		tb.Fatal(err)
	}
	got := map[string]float64{}
	for _, f := range all {
		if f.GetName() != family {
			continue
		}
		for _, m := range f.GetMetric() {
			labels := make([]string, 0, len(m.GetLabel()))
			for _, l := range m.GetLabel() {
				labels = append(labels, l.GetValue())
			}
			got[strings.Join(labels, " ")] = m.GetCounter().GetValue() + m.GetGauge().GetValue()
		}
	}
	return got
}
