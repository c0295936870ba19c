// Package process holds what the mains of the services share: flags, the log,
// where the server listens, and how a process ends.
package process

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/logs"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/serve"
)

// Settings are the flags that every service has.
type Settings struct {
	// Name is the program's.
	Name string
	// GRPC is the address to listen on, HOST:PORT; port 0 takes a free one.
	GRPC string
	// Data is the directory of the store.
	Data string
	// AddrFile, where set, is the file that the address is written to once the
	// server listens.
	AddrFile string
	// TLS, where set, is the directory of the process's certificate (see package
	// mtls); the server and its connections then speak TLS 1.3 only.
	TLS string
	// Allow are the names in certificates of callers that are let in, with commas
	// between; empty means Callers. Without TLS nobody is asked.
	Allow string
	// Callers are let in where Allow says nothing.
	Callers []string
	// identity is the one that TLS names, once it was asked for.
	identity *mtls.Identity
	// prepared is what Prepare made; nil before.
	prepared *prepared
	// LogLevel is debug, info, warn or error.
	LogLevel string
	// LogJSON writes the log as JSON instead of text.
	LogJSON bool
	// Outside says how the process can be seen into.
	Outside Outside
	// Seen is what it is then seen by; nil for nothing. Open makes it.
	Seen *Seen
	// Rates bound how fast callers ask, as limit.ParseRates reads them; empty for the
	// defaults.
	Rates string
	// Breakers guard the calls that the process makes; nil for none.
	Breakers *breaker.Set
}

// Bind adds the settings to a set of flags. GRPC and Data as they are become
// the defaults.
func (s *Settings) Bind(flags *flag.FlagSet) {
	flags.StringVar(&s.GRPC, "grpc", s.GRPC, "`address` to listen on, loopback only unless -tls is given; port 0 takes a free one")
	flags.StringVar(&s.TLS, "tls", "", "`directory` with "+mtls.CAFile+", "+mtls.CertFile+" and "+mtls.KeyFile+": speak TLS 1.3, both sides with a certificate")
	flags.StringVar(&s.Allow, "allow", "", "`names` in the certificates of callers that are let in with -tls, with commas between (default "+strings.Join(s.Callers, ",")+")")
	flags.StringVar(&s.Data, "data", s.Data, "`directory` of the store")
	flags.StringVar(&s.AddrFile, "addr-file", s.AddrFile, "`file` to write the address to once the server listens")
	flags.StringVar(&s.LogLevel, "log-level", "info", "`level` of the log: debug, info, warn or error")
	flags.BoolVar(&s.LogJSON, "log-json", false, "write the log as JSON")
	flags.StringVar(&s.Rates, "rates", "", limit.Help)
	s.Outside.Bind(flags)
}

// Log returns the log that the settings ask for.
func (s *Settings) Log(to io.Writer) (*slog.Logger, error) { return NewLog(to, s.LogJSON, s.LogLevel) }

// NewLog returns a log of a level (debug, info, warn or error), as text or as
// JSON, whose lines name their request and hold no secrets (see package logs).
func NewLog(to io.Writer, asJSON bool, level string) (*slog.Logger, error) {
	levels := map[string]slog.Level{
		"debug": slog.LevelDebug, "info": slog.LevelInfo, "warn": slog.LevelWarn, "error": slog.LevelError,
	}
	least, ok := levels[strings.ToLower(level)]
	if !ok {
		return nil, fmt.Errorf("log level %q: expected debug, info, warn or error", level)
	}
	options := &slog.HandlerOptions{Level: least}
	if asJSON {
		return slog.New(logs.New(slog.NewJSONHandler(to, options))), nil
	}
	return slog.New(logs.New(slog.NewTextHandler(to, options))), nil
}

// Identity returns who the process is to others, the same each time it is asked;
// nil without TLS.
func (s *Settings) Identity(log *slog.Logger) (*mtls.Identity, error) {
	if s.identity != nil || s.TLS == "" {
		return s.identity, nil
	}
	var err error
	s.identity, err = mtls.Open(s.TLS, log, time.Now)
	return s.identity, err
}

// Listen opens a listener on an address: any with TLS, loopback without.
func Listen(ctx context.Context, secured bool, address string) (net.Listener, error) {
	if secured {
		return serve.ListenSecured(ctx, address, serve.Connections{})
	}
	listener, err := serve.Listen(ctx, address)
	return listener, WantsTLS(err)
}

// WantsTLS adds to an error of an address off loopback which flag lets it be.
func WantsTLS(err error) error {
	if errors.Is(err, serve.ErrOffLoopback) {
		return fmt.Errorf("%w; give --tls DIRECTORY for any other", err)
	}
	return err
}

// prepared is what a process needs for serving, apart from its services.
type prepared struct {
	config   serve.Config
	listener net.Listener
}

// Prepare checks what the settings say and opens the addresses. It comes before there
// is a store: a start that cannot serve must leave none, and hand no key out. Call
// Release in the end.
func (s *Settings) Prepare(ctx context.Context, log *slog.Logger) error {
	config, identity, err := s.secured(serve.Config{Name: s.Name, Breakers: s.Breakers}, log)
	if err != nil {
		return err
	}
	if s.Seen != nil {
		config.Metrics, config.Traces = s.Seen.Metrics, s.Seen.Traces
	}
	if config.Limits, err = limit.Named(s.Rates, config.Metrics.Refused); err != nil {
		return fmt.Errorf("--rates: %w", err)
	}
	// Without certificates nothing tells the gateway from a client of this machine.
	config.LoopbackRelays = identity == nil
	if s.Seen != nil {
		if err := s.Seen.Reserve(ctx); err != nil {
			return err
		}
	}
	listener, err := Listen(ctx, s.TLS != "", s.GRPC)
	if err != nil {
		return fmt.Errorf("--grpc %s: %w", s.GRPC, err)
	}
	s.prepared = &prepared{config, listener}
	return nil
}

// Release closes what Prepare opened, where Serve was never reached.
func (s *Settings) Release() {
	if s.prepared != nil {
		_ = s.prepared.listener.Close() // closed already where it served
	}
}

// Serve serves until ctx ends, as the settings say, which Prepare has looked at.
func (s *Settings) Serve(ctx context.Context, verifier auth.Verifier, log *slog.Logger, services ...serve.Service) error {
	if s.prepared == nil {
		return errors.New("process: nothing is prepared")
	}
	server, err := serve.New(s.prepared.config, verifier, log, services...)
	if err != nil {
		return err
	}
	listener := s.prepared.listener
	if err := WriteAddress(s.AddrFile, listener.Addr().String()); err != nil {
		return errors.Join(err, listener.Close())
	}
	return s.Seen.serve(ctx, server, listener)
}

// secured puts the process's identity into a server's configuration, and the names
// of those it lets in.
func (s *Settings) secured(config serve.Config, log *slog.Logger) (serve.Config, *mtls.Identity, error) {
	var err error
	if config.Allow, err = mtls.Allowed(s.TLS, s.Allow, s.Callers); err != nil {
		return config, nil, fmt.Errorf("--allow: %w", err)
	}
	config.TLS, err = s.Identity(log)
	return config, config.TLS, err
}

// WriteAddress writes an address into a file, whole, so that whoever waits for
// the file reads all of it. An empty path writes nothing.
func WriteAddress(path, address string) error {
	if path == "" {
		return nil
	}
	file, err := os.CreateTemp(filepath.Dir(path), ".address-*")
	if err != nil {
		return fmt.Errorf("address file: %w", err)
	}
	defer func() { _ = os.Remove(file.Name()) }() // gone where the rename succeeded
	_, err = file.WriteString(address + "\n")
	if err = errors.Join(err, file.Close()); err != nil {
		return fmt.Errorf("address file: %w", err)
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return fmt.Errorf("address file: %w", err)
	}
	return nil
}

// Exit codes of a process.
const (
	// ExitOK means: ended as asked, or the help was asked for.
	ExitOK = 0
	// ExitFailed means: could not start, or failed while serving.
	ExitFailed = 1
	// ExitUsage means: the command line is wrong.
	ExitUsage = 2
)

// Main parses the command line and runs the program until it fails or SIGTERM
// or an interrupt asks it to end, and returns the exit code. A second signal
// ends the process at once, as is usual.
func Main(flags *flag.FlagSet, args []string, stderr io.Writer, run func(ctx context.Context) error) int {
	flags.SetOutput(stderr)
	err := flags.Parse(args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		return ExitOK
	case err != nil:
		return ExitUsage
	case flags.NArg() > 0:
		_, _ = fmt.Fprintf(stderr, "%s: unexpected argument %q; see -help\n", flags.Name(), flags.Arg(0))
		return ExitUsage
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	context.AfterFunc(ctx, stop)
	if err := run(ctx); err != nil {
		_, _ = fmt.Fprintf(stderr, "%s: %v\n", flags.Name(), err)
		return ExitFailed
	}
	return ExitOK
}
