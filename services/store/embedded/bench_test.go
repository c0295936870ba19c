package embedded_test

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

// BenchmarkApply measures durable changes of one 300-byte record: by one caller
// at a time, by many whose changes share commits, and in calls of 1,000.
func BenchmarkApply(b *testing.B) {
	value := []byte(strings.Repeat("v", 300))
	start := func(b *testing.B) (*embedded.Store, func(n int64) store.Change) {
		b.Helper()
		s := embeddedtest.Open(b, b.TempDir(), embedded.Options{})
		return s, func(n int64) store.Change {
			id := fmt.Sprintf("%016x", uint64(n)*0x9e3779b97f4a7c15) // scattered
			return store.Change{Puts: []store.Put{{Key: crashKey(id), Value: value}}}
		}
	}
	for _, callers := range []int{1, 8, 32, 128} {
		b.Run(fmt.Sprintf("callers=%d", callers), func(b *testing.B) {
			s, change := start(b)
			var next atomic.Int64
			b.SetParallelism(max(callers/2, 1))
			b.ResetTimer()
			if callers == 1 {
				for b.Loop() {
					if _, err := s.Apply(b.Context(), change(next.Add(1))); err != nil {
						b.Fatal(err)
					}
				}
			} else {
				b.RunParallel(func(pb *testing.PB) {
					for pb.Next() {
						if _, err := s.Apply(b.Context(), change(next.Add(1))); err != nil {
							b.Error(err)
						}
					}
				})
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "changes/s")
		})
	}
	b.Run("calls=1000", func(b *testing.B) {
		s, change := start(b)
		var next int64
		changes := make([]store.Change, 1000)
		for b.Loop() {
			for i := range changes {
				next++
				changes[i] = change(next)
			}
			if _, err := s.Apply(b.Context(), changes...); err != nil {
				b.Fatal(err)
			}
		}
		b.ReportMetric(float64(next)/b.Elapsed().Seconds(), "changes/s")
	})
}
