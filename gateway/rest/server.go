package rest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Limits of the HTTP server.
const (
	readHeaderTimeout = 5 * time.Second
	readTimeout       = 15 * time.Second
	writeTimeout      = 35 * time.Second
	idleTimeout       = 60 * time.Second
	maxHeaderBytes    = 32 << 10
)

// Server returns an HTTP server that puts up with slow and greedy clients for a
// bounded time only. Imports and watches move their own deadlines while data flows;
// watches end when it is shut down.
func Server(addr string, handler *Handler) *http.Server {
	server := &http.Server{
		Addr:              addr,
		Handler:           handler,
		ReadHeaderTimeout: readHeaderTimeout,
		ReadTimeout:       readTimeout,
		WriteTimeout:      writeTimeout,
		IdleTimeout:       idleTimeout,
		MaxHeaderBytes:    maxHeaderBytes,
		Protocols:         protocols(),
	}
	if handler.log != nil {
		// What the server says itself, of connections that fail, is logged and masked
		// like everything else.
		server.ErrorLog = slog.NewLogLogger(handler.log.Handler(), slog.LevelWarn)
	}
	server.RegisterOnShutdown(handler.End)
	return server
}

// protocols is HTTP/1.1 alone, over TLS too. Over HTTP/2 one who opens requests and
// resets them (CVE-2023-44487) costs others seconds, although the library bounds how
// many run at once; over HTTP/1.1 each costs him a connection, which are bounded.
func protocols() *http.Protocols {
	var p http.Protocols
	p.SetHTTP1(true)
	return &p
}

// Follow returns a readiness check that asks both services' gRPC health.
func Follow(fitment, quote grpc.ClientConnInterface) func(ctx context.Context) error {
	ask := func(ctx context.Context, name string, conn grpc.ClientConnInterface) error {
		answer, err := healthpb.NewHealthClient(conn).Check(ctx, &healthpb.HealthCheckRequest{})
		if err != nil {
			return fmt.Errorf("the %s service does not answer: %w", name, err)
		}
		if answer.GetStatus() != healthpb.HealthCheckResponse_SERVING {
			return fmt.Errorf("the %s service is not serving", name)
		}
		return nil
	}
	return func(ctx context.Context) error {
		return errors.Join(ask(ctx, "fitment", fitment), ask(ctx, "quote", quote))
	}
}

// readyTimeout bounds one readiness check.
const readyTimeout = 2 * time.Second

// ready answers GET /readyz. Why it is not ready goes to the log only: anybody
// may ask.
func (g *gateway) ready(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), readyTimeout)
	defer cancel()
	if err := g.options.Ready(ctx); err != nil {
		g.options.Log.WarnContext(ctx, "not ready", "error", err)
		writeError(w, apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_NOT_READY, time.Second, "not ready to serve"))
		return
	}
	writeJSON(w, http.StatusOK, []byte(`{"status":"ready"}`))
}

// recovered answers a request whose handler panicked with an error in the usual
// shape, where nothing was written yet.
func recovered(log *slog.Logger, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		ctx := r.Context()
		defer func() {
			problem := recover()
			if problem == nil {
				return
			}
			log.ErrorContext(ctx, "a handler panicked", "method", r.Method, "path", r.URL.Path, "problem", problem)
			if watched, ok := w.(*watchedWriter); ok && watched.code == 0 {
				writeError(w, apierr.New(codes.Internal, fitmentv1.ErrorInfo_INTERNAL, "something failed inside"))
			}
		}()
		next.ServeHTTP(w, r)
	})
}

// logged writes a line a request.
func logged(log *slog.Logger, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		began := time.Now()
		next.ServeHTTP(w, r)
		var bytes int64
		if watched, ok := w.(*watchedWriter); ok {
			bytes = watched.bytes
		}
		code, _ := outcome(w)
		log.InfoContext(r.Context(), "request", "method", r.Method, "path", r.URL.Path,
			"status", code, "bytes", bytes, "took", time.Since(began).Round(time.Microsecond))
	})
}

// watchedWriter remembers what was answered.
type watchedWriter struct {
	http.ResponseWriter

	code  int
	bytes int64
	// reason is the error's that was answered, if any.
	reason fitmentv1.ErrorInfo_Reason
	// long tells that a body is coming that takes its time.
	long bool
}

// noted takes the reason of the error that is being answered.
func (w *watchedWriter) noted(reason fitmentv1.ErrorInfo_Reason) { w.reason = reason }

// coming tells whether a body is coming that takes its time.
func (w *watchedWriter) coming() bool { return w.long }

// WriteHeader implements http.ResponseWriter.
func (w *watchedWriter) WriteHeader(code int) {
	if w.code == 0 {
		w.code = code
	}
	w.ResponseWriter.WriteHeader(code)
}

// Write implements http.ResponseWriter.
func (w *watchedWriter) Write(part []byte) (int, error) {
	if w.code == 0 {
		w.code = http.StatusOK
	}
	n, err := w.ResponseWriter.Write(part)
	w.bytes += int64(n)
	return n, err
}

// Unwrap lets http.ResponseController reach the connection.
func (w *watchedWriter) Unwrap() http.ResponseWriter { return w.ResponseWriter }
