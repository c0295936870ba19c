// Package adminport is a process's port for those who run it: metrics, profiles,
// channelz, reflection and a summary of its health, apart from the ports that callers
// reach, none of which offers any of these.
//
// It asks for no credential and speaks without TLS, so it listens on loopback only
// unless its operator says otherwise. A page in a browser on the same machine is no
// operator: a request that names the port by anything but an address or localhost, or
// that a page of another site caused, is refused.
package adminport

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net"
	"net/http"
	"net/http/pprof"
	"net/netip"
	"strings"
	"time"

	"golang.org/x/net/netutil"
	"google.golang.org/grpc"
	channelz "google.golang.org/grpc/channelz/service"
	"google.golang.org/grpc/reflection"
	reflectionv1 "google.golang.org/grpc/reflection/grpc_reflection_v1"
	reflectionv1alpha "google.golang.org/grpc/reflection/grpc_reflection_v1alpha"
)

// Off in place of an address means: no admin port.
const Off = "off"

// Limits of the port.
const (
	readHeaderTimeout = 5 * time.Second
	readTimeout       = 10 * time.Second
	idleTimeout       = time.Minute
	// writeTimeout is also the longest profile that can be taken.
	writeTimeout   = 5 * time.Minute
	maxHeaderBytes = 16 << 10
	// connections at once: some tools, and room for a person.
	connections = 32
	// drain is how long answers under way may take when the process ends.
	drain = 2 * time.Second
)

// Config says what a port shows.
type Config struct {
	// Address is HOST:PORT, or Off; port 0 takes a free one.
	Address string
	// Anywhere lets the address be off loopback. Whoever reaches the port then reads
	// what the process does and can make it busy with profiles.
	Anywhere bool
	// Reserved is the address, opened by Reserve before; nil where Listen is to open it.
	Reserved net.Listener
	// Metrics answers /metrics.
	Metrics http.Handler
	// Services are what reflection tells of; nil where the process has no gRPC
	// server.
	Services reflection.ServiceInfoProvider
	// Health tells whether the process can do its work, and the states of its parts
	// and of its breakers, by name.
	Health func(ctx context.Context) (serving bool, states map[string]string)
	// Log takes failures; nil means the default logger.
	Log *slog.Logger
}

// Port is an open admin port. A nil Port is one that is off.
type Port struct {
	listener net.Listener
	server   *http.Server
	calls    *grpc.Server
}

// Reserve opens the port's address before there is anything to tell there; nil where it
// is off. Whoever gives it to no Listen closes it.
func Reserve(ctx context.Context, address string, anywhere bool) (net.Listener, error) {
	if address == Off {
		return nil, nil //nolint:nilnil // nothing is listened on where the port is off
	}
	if err := checkAddress(address, anywhere); err != nil {
		return nil, err
	}
	listener, err := (&net.ListenConfig{}).Listen(ctx, "tcp", address)
	if err != nil {
		return nil, fmt.Errorf("admin port: %w", err)
	}
	return listener, nil
}

// Listen opens the port; nil where it is off.
func Listen(ctx context.Context, config Config) (*Port, error) {
	if config.Address == Off {
		return nil, nil //nolint:nilnil // a nil Port is one that is off
	}
	if config.Metrics == nil || config.Health == nil {
		return nil, errors.New("admin port: metrics and health are needed")
	}
	listener := config.Reserved
	if listener == nil {
		var err error
		if listener, err = Reserve(ctx, config.Address, config.Anywhere); err != nil {
			return nil, err
		}
	}
	if config.Log == nil {
		config.Log = slog.Default()
	}
	p := &Port{listener: listener, calls: newCalls(config)}
	p.server = &http.Server{
		Handler:           guarded(p.handler(config)),
		ReadHeaderTimeout: readHeaderTimeout, ReadTimeout: readTimeout, IdleTimeout: idleTimeout,
		WriteTimeout: writeTimeout, MaxHeaderBytes: maxHeaderBytes,
		ErrorLog: slog.NewLogLogger(config.Log.Handler(), slog.LevelDebug),
	}
	p.server.Protocols = new(http.Protocols)
	p.server.Protocols.SetHTTP1(true)
	p.server.Protocols.SetUnencryptedHTTP2(true) // gRPC, without TLS
	return p, nil
}

// ErrOffLoopback is why an address is refused that others than this machine reach.
var ErrOffLoopback = errors.New("is not on loopback")

// checkAddress refuses an address off loopback unless that is what was asked for.
func checkAddress(address string, anywhere bool) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("admin port: address %q: expected HOST:PORT such as 127.0.0.1:8082, or %s", address, Off)
	}
	ip := net.ParseIP(host)
	if anywhere || host == "localhost" || ip != nil && ip.IsLoopback() {
		return nil
	}
	return fmt.Errorf("admin port: address %q %w; it asks for no credential, so give a loopback address, "+
		"or say that it may be reached from elsewhere where only your own tools can reach it", address, ErrOffLoopback)
}

// newCalls makes the gRPC server of the port.
func newCalls(config Config) *grpc.Server {
	server := grpc.NewServer()
	channelz.RegisterChannelzServiceToServer(server)
	if config.Services != nil {
		options := reflection.ServerOptions{Services: config.Services}
		reflectionv1.RegisterServerReflectionServer(server, reflection.NewServerV1(options))
		reflectionv1alpha.RegisterServerReflectionServer(server, reflection.NewServer(options))
	}
	return server
}

func (p *Port) handler(config Config) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", config.Metrics)
	mux.HandleFunc("GET /health", func(w http.ResponseWriter, r *http.Request) { health(w, r, config.Health) })
	mux.HandleFunc("GET /debug/pprof/", pprof.Index)
	mux.HandleFunc("GET /debug/pprof/cmdline", pprof.Cmdline)
	mux.HandleFunc("GET /debug/pprof/profile", pprof.Profile)
	mux.HandleFunc("GET /debug/pprof/symbol", pprof.Symbol)
	mux.HandleFunc("GET /debug/pprof/trace", pprof.Trace)
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte("/metrics\n/health\n/debug/pprof/\ngRPC: channelz, reflection\n"))
	})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.ProtoMajor == 2 && strings.HasPrefix(r.Header.Get("Content-Type"), "application/grpc") {
			p.calls.ServeHTTP(w, r)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// healthAnswer is the summary of a process's health.
type healthAnswer struct {
	Status string            `json:"status"`
	States map[string]string `json:"states"`
}

// health answers 200 where the process can do its work and 503 where not, with the
// state of everything in both cases.
func health(w http.ResponseWriter, r *http.Request, ask func(ctx context.Context) (bool, map[string]string)) {
	serving, states := ask(r.Context())
	answer, code := healthAnswer{Status: "serving", States: maps.Clone(states)}, http.StatusOK
	if !serving {
		answer.Status, code = "not serving", http.StatusServiceUnavailable
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	_ = encoder.Encode(answer) //nolint:errchkjson // it fails where the reader has left only
}

// guarded refuses what a page in a browser may cause: requests from other sites, and
// those that reached this address under a name that somebody else's DNS gave it.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("X-Content-Type-Options", "nosniff")
		w.Header().Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'; style-src 'unsafe-inline'")
		w.Header().Set("Cache-Control", "no-store")
		site := r.Header.Get("Sec-Fetch-Site")
		if !plainHost(r.Host) || site != "" && site != "none" && site != "same-origin" {
			http.Error(w, "this port is for the machine's operator; name it by its address", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

// plainHost tells whether a request names the port by an address, by localhost, or by
// a name without a dot, as the machines of one private network call each other; none
// of these can be a name in somebody else's DNS.
func plainHost(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	if _, err := netip.ParseAddr(host); err == nil {
		return true
	}
	return host != "" && !strings.Contains(host, ".")
}

// Address is where the port listens; "" where it is off.
func (p *Port) Address() string {
	if p == nil {
		return ""
	}
	return p.listener.Addr().String()
}

// Close closes a port that is not going to be served.
func (p *Port) Close() error {
	if p == nil {
		return nil
	}
	if err := p.listener.Close(); err != nil {
		return fmt.Errorf("admin port: %w", err)
	}
	return nil
}

// Serve answers until ctx ends. A port that is off just waits for that.
func (p *Port) Serve(ctx context.Context) error {
	if p == nil {
		<-ctx.Done()
		return nil
	}
	ended := make(chan error, 1)
	go func() { ended <- p.server.Serve(netutil.LimitListener(p.listener, connections)) }()
	select {
	case err := <-ended:
		return fmt.Errorf("admin port: %w", err)
	case <-ctx.Done():
	}
	waiting, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
	defer cancel()
	err := p.server.Shutdown(waiting)
	if errors.Is(err, context.DeadlineExceeded) {
		err = p.server.Close() // somebody takes a long profile
	}
	p.calls.Stop()
	if served := <-ended; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	if err != nil {
		return fmt.Errorf("admin port: %w", err)
	}
	return nil
}
