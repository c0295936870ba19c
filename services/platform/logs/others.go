package logs

import (
	"fmt"
	"io"
	"log"
	"strings"

	"google.golang.org/grpc/grpclog"
)

// TakeOver has what libraries log by themselves masked, too: gRPC, which quotes headers
// that it cannot read, and whoever uses Go's standard logger. Level is the least that
// gRPC says: error, warning or info, as it reads it from GRPC_GO_LOG_SEVERITY_LEVEL
// itself. It sets what the whole process shares, so it is for main alone, before
// anything else.
func TakeOver(to io.Writer, level string) {
	grpclog.SetLoggerV2(GRPC(to, level))
	log.SetOutput(Masked(to))
}

// LevelVariable is the variable of the environment that says how much gRPC logs.
const LevelVariable = "GRPC_GO_LOG_SEVERITY_LEVEL"

// GRPC is a log for gRPC that masks what it writes.
func GRPC(to io.Writer, level string) grpclog.LoggerV2 {
	masked := Masked(to)
	switch strings.ToLower(level) {
	case "info":
		return grpclog.NewLoggerV2(masked, io.Discard, io.Discard)
	case "warning":
		return grpclog.NewLoggerV2(io.Discard, masked, io.Discard)
	case "", "error":
		return grpclog.NewLoggerV2(io.Discard, io.Discard, masked)
	}
	return grpclog.NewLoggerV2(io.Discard, io.Discard, io.Discard)
}

// Masked is a writer that masks each text that is written on its own, as loggers write
// their lines.
func Masked(to io.Writer) io.Writer { return masked{to} }

type masked struct{ to io.Writer }

// Write implements io.Writer.
func (m masked) Write(text []byte) (int, error) {
	if _, err := io.WriteString(m.to, Text(string(text))); err != nil {
		return 0, fmt.Errorf("write a log line: %w", err)
	}
	return len(text), nil
}
