package logs_test

import (
	"log/slog"
	"testing"
	"time"

	"beltwright.example/services/platform/logs"
)

// sink takes lines.
type sink struct{}

func (sink) Write(line []byte) (int, error) { return len(line), nil }

// BenchmarkLine is the line of a call, with and without the handler.
func BenchmarkLine(b *testing.B) {
	for name, handler := range map[string]slog.Handler{
		"masked": logs.New(slog.NewTextHandler(sink{}, nil)), "plain": slog.NewTextHandler(sink{}, nil),
	} {
		b.Run(name, func(b *testing.B) {
			log := slog.New(handler)
			for b.Loop() {
				log.Info("call", "method", "/beltwright.fitment.v1.FitmentService/FindDonors", "code", "OK", "reason", "",
					"took", time.Millisecond, "tenant", "kettlewick", "key_id", "abcdefghij23")
			}
		})
	}
}
