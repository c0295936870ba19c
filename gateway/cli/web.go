package cli

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"time"

	"github.com/spf13/pflag"

	"beltwright.example/gateway/rest"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/serve"
)

// drainREST is how long REST requests under way may take to finish.
const drainREST = 10 * time.Second

// webFlags say where REST listens and how its connections are kept secret.
type webFlags struct {
	http, cert, key string
	behindProxy     bool
}

func (w *webFlags) bind(flags *pflag.FlagSet) {
	flags.StringVar(&w.http, "http", "127.0.0.1:8080", "`address` of REST, loopback only unless --http-cert or --behind-proxy is given; port 0 takes a free one")
	flags.StringVar(&w.cert, "http-cert", "", "`file` with the certificate of REST, PEM, which makes it HTTPS (TLS 1.3); read again when it changes")
	flags.StringVar(&w.key, "http-key", "", "`file` with the key of --http-cert, PEM, mode 0600")
	flags.BoolVar(&w.behindProxy, "behind-proxy", false, "REST is reached only through a proxy of yours that speaks HTTPS with clients: lets --http be any address without a certificate, so keep others from reaching it")
}

// secure tells whether clients reach REST by HTTPS, from here or from the proxy.
func (w *webFlags) secure() bool { return w.cert != "" || w.behindProxy }

// url is where REST is reached on an address of this machine.
func (w *webFlags) url(address string) string {
	if w.cert != "" {
		return "https://" + address
	}
	return "http://" + address
}

// web is REST's listener and, for HTTPS, its certificate.
type web struct {
	net.Listener

	certificate *mtls.Web
}

// listen opens REST's address.
func (w *webFlags) listen(ctx context.Context, log *slog.Logger) (*web, error) {
	if (w.cert == "") != (w.key == "") {
		return nil, usageError{errors.New("--http-cert and --http-key belong together; give both or neither")}
	}
	var certificate *mtls.Web
	if w.cert != "" {
		var err error
		if certificate, err = mtls.OpenWeb(w.cert, w.key, log, time.Now); err != nil {
			return nil, err
		}
	}
	listener, err := w.open(ctx)
	if err != nil {
		return nil, fmt.Errorf("--http %s: %w", w.http, err)
	}
	return &web{Listener: listener, certificate: certificate}, nil
}

// open opens the address itself: any where connections are kept secret.
func (w *webFlags) open(ctx context.Context) (net.Listener, error) {
	switch {
	case w.behindProxy: // whose address all connections come from
		return serve.ListenSecured(ctx, w.http, serve.Connections{PerAddress: -1})
	case w.secure():
		return serve.ListenSecured(ctx, w.http, serve.Connections{})
	}
	listener, err := serve.Listen(ctx, w.http)
	if errors.Is(err, serve.ErrOffLoopback) {
		return nil, fmt.Errorf("%w; for any other give --http-cert and --http-key, or --behind-proxy where a proxy of yours speaks HTTPS", err)
	}
	return listener, err
}

// serveHTTP serves until ctx ends, then lets requests finish.
func serveHTTP(ctx context.Context, handler *rest.Handler, on *web) error {
	server := rest.Server(on.Addr().String(), handler)
	ended := make(chan error, 1)
	go func() {
		if on.certificate == nil {
			ended <- server.Serve(on)
			return
		}
		server.TLSConfig = on.certificate.Config()
		ended <- server.ServeTLS(on, "", "")
	}()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
	}
	drain, cancel := context.WithTimeout(context.WithoutCancel(ctx), drainREST)
	defer cancel()
	err := server.Shutdown(drain)
	if served := <-ended; !errors.Is(served, http.ErrServerClosed) {
		err = errors.Join(err, served)
	}
	return err
}
