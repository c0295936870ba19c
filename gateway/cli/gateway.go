package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"slices"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/guard"
	"beltwright.example/gateway/rest"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/lanes"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/platform/serve"
)

// gatewayFlags say how the gateway alone runs.
type gatewayFlags struct {
	web                           webFlags
	fitment, quote, tls, logLevel string
	rates, publicURL              string
	provider                      providerFlags
	logJSON                       bool
	outside                       process.Outside
}

func gatewayCommand() *cobra.Command {
	f := gatewayFlags{outside: process.Outside{Admin: "127.0.0.1:9100"}}
	cmd := &cobra.Command{
		Use:     "gateway",
		Short:   "Run the REST gateway alone, before services in other processes",
		Long:    "Gateway serves REST and forwards to a fitment and a quote service that run as processes of their own.",
		Example: "  beltwright gateway --fitment 127.0.0.1:9091 --quote 127.0.0.1:9092",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	flags := cmd.Flags()
	f.web.bind(flags)
	flags.StringVar(&f.tls, "tls", "", "`directory` with the gateway's "+mtls.CAFile+", "+mtls.CertFile+" and "+mtls.KeyFile+": reach the services by TLS 1.3")
	flags.StringVar(&f.fitment, "fitment", "127.0.0.1:9091", "`address` of the fitment service, or several with commas between that answer from one store")
	flags.StringVar(&f.quote, "quote", "127.0.0.1:9092", "`address` of the quote service, or several with commas between that answer from one store")
	flags.StringVar(&f.rates, "rates", "", limit.Help)
	flags.StringVar(&f.publicURL, "public-url", "", "`address` where browsers reach REST")
	f.provider.bind(flags)
	bindOutside(cmd, &f.outside)
	bindLog(cmd, &f.logJSON, &f.logLevel)
	return cmd
}

func (f *gatewayFlags) run(ctx context.Context, out, logTo io.Writer) (err error) {
	log, err := process.NewLog(logTo, f.logJSON, f.logLevel)
	if err != nil {
		return usageError{err}
	}
	seen, err := f.outside.Open(ctx, "gateway", log)
	if err != nil {
		return err
	}
	defer seen.Close(ctx)
	identity, err := openIdentity(f.tls, log)
	if err != nil {
		return err
	}
	breakers, err := serve.NewBreakers(hop.Fitment, hop.Quote)
	if err != nil {
		return err
	}
	defer breakers.Go(breaker.Log(log), seen.Metrics.Breaker)()
	between := append(seen.Traces.Dial(), append(serve.Between(breakers), serve.TellHedges(seen.Metrics.Hedge))...)
	fitment, err := lanes.New(lanes.Config{}, func() (*grpc.ClientConn, error) {
		return serve.DialAs(identity, mtls.FitmentServers(), f.fitment, slices.Concat(guard.Sense(), between)...)
	})
	if err != nil {
		return fmt.Errorf("--fitment %s: %w", f.fitment, process.WantsTLS(err))
	}
	defer func() { err = errors.Join(err, fitment.Close()) }()
	quote, err := lanes.New(lanes.Config{}, func() (*grpc.ClientConn, error) {
		return serve.DialAs(identity, mtls.QuoteServers(), f.quote, between...)
	})
	if err != nil {
		return fmt.Errorf("--quote %s: %w", f.quote, process.WantsTLS(err))
	}
	defer func() { err = errors.Join(err, quote.Close()) }()
	handler, err := f.handler(fitment, quote, seen, log)
	if err != nil {
		return err
	}
	listener, err := f.web.listen(ctx, log)
	if err != nil {
		return err
	}
	admin, err := seen.Port(ctx, reachable{rest.Follow(fitment, quote), breakers})
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	p := &printer{out: out}
	p.linef("Beltwright gateway: REST %s, before fitment %s and quote %s", f.web.url(listener.Addr().String()), f.fitment, f.quote)
	if p.err != nil {
		return errors.Join(p.err, listener.Close(), admin.Close())
	}
	var group serve.Group
	group.Add("rest", func(ctx context.Context) error { return serveHTTP(ctx, handler, listener) })
	group.Add("admin port", admin.Serve)
	return group.Run(ctx)
}

// handler is REST before connections to both services.
func (f *gatewayFlags) handler(fitment, quote grpc.ClientConnInterface, seen *process.Seen, log *slog.Logger) (*rest.Handler, error) {
	limits, err := limit.Named(f.rates, seen.Metrics.Refused)
	if err != nil {
		return nil, usageError{fmt.Errorf("--rates: %w", err)}
	}
	browsers, err := f.provider.browsers(f.publicURL)
	if err != nil {
		return nil, err
	}
	return rest.New(rest.Options{
		Fitment: fitment, Quote: quote, Limits: limits, BehindProxy: f.web.behindProxy,
		Secure: f.web.secure(), PublicURL: f.publicURL, Provider: browsers, Metrics: seen.Metrics, Traces: seen.Traces, Log: log,
		Verifier: auth.Remote(fitmentv1.NewIdentityServiceClient(fitment), auth.MaxTTL),
	})
}

// reachable is the health of a gateway: that of the services behind it, and its
// breakers before them.
type reachable struct {
	follow   func(ctx context.Context) error
	breakers *breaker.Set
}

// Health implements process.Subject.
func (r reachable) Health(ctx context.Context) (serving bool, states map[string]string) {
	states = map[string]string{"services": "SERVING"}
	for _, status := range r.breakers.States() {
		states["breaker/"+status.Breaker] = status.State.String()
	}
	err := r.follow(ctx)
	if err != nil {
		states["services"] = "NOT_SERVING: " + err.Error()
	}
	return err == nil, states
}
