package cli

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"log/slog"
	"net"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"beltwright.example/gateway/rest"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/adminport"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/platform/serve"
	quoteapp "beltwright.example/services/quote/app"
	"beltwright.example/services/store"
	"beltwright.example/services/store/quota"
)

// serveFlags say how the all-in-one program runs.
type serveFlags struct {
	web                              webFlags
	grpc, data, keyFile, logLevel    string
	tls, allow, rates, quotas        string
	publicURL, letterheads, taxPacks string
	demo, logJSON                    bool
	own                              app.Own
	provider                         providerFlags
	outside                          process.Outside
}

func serveCommand() *cobra.Command {
	f := serveFlags{outside: process.Outside{Admin: "127.0.0.1:8082"}}
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run everything in one process on the embedded store",
		Long: `Serve runs the gateway and both services in one process. With --demo an empty store
is filled with an invented scenario and a demo key is printed and written to
demo.key in the data directory. Without it, the first start makes the operator's key
and prints it, once: nothing else keeps it. With --key-file it is written to that file
in place of being printed, readable by its owner only. Whoever has lost it stops the
server and makes another one with "beltwright keys first".`,
		Example: "  beltwright serve --demo\n  beltwright serve --data /var/lib/beltwright --http 127.0.0.1:8080",
		Args:    noArguments,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return f.run(cmd.Context(), cmd.OutOrStdout(), cmd.ErrOrStderr())
		},
	}
	flags := cmd.Flags()
	f.web.bind(flags)
	flags.StringVar(&f.grpc, "grpc", "127.0.0.1:8081", "`address` of gRPC, loopback only unless --tls is given; port 0 takes a free one")
	flags.StringVar(&f.tls, "tls", "", "`directory` with "+mtls.CAFile+", "+mtls.CertFile+" and "+mtls.KeyFile+": speak gRPC by TLS 1.3, both sides with a certificate")
	flags.StringVar(&f.allow, "allow", "", "`names` in the certificates of callers by gRPC that are let in with --tls, with commas between (default "+strings.Join(allInOneCallers(), ",")+")")
	flags.StringVar(&f.rates, "rates", "", limit.Help)
	flags.StringVar(&f.quotas, "quotas", "", quota.Help(slices.Concat(app.QuotaNames(), quoteapp.QuotaNames())...))
	flags.StringVar(&f.data, "data", defaultData, "`directory` of the data")
	flags.StringVar(&f.keyFile, "key-file", "", "`file` that the operator's key is written to at the first start, in place of being printed")
	flags.StringVar(&f.own.Packs, "packs", "", "`folder` of your own jurisdiction packs, which replace those of the same places or come on top")
	flags.StringVar(&f.taxPacks, "tax-packs", "", "`folder` of your own tax packs, which replace those of the same places or come on top")
	flags.StringVar(&f.own.Likelihoods, "likelihoods", "", "`file` of likelihoods that faults are assessed by (default the program's)")
	flags.StringVar(&f.publicURL, "public-url", "", "`address` where others reach REST, for the codes on tags, and for browsers (default http:// and --http)")
	flags.StringVar(&f.letterheads, "letterhead", "", "`file` with a letterhead for each business, JSON: {\"BUSINESS\":{\"name\":…,\"address\":[…],\"phone\":…,\"registration\":…}} (default the business's id)")
	flags.BoolVar(&f.demo, "demo", false, "fill an empty store with the demo scenario")
	f.provider.bind(flags)
	bindOutside(cmd, &f.outside)
	bindLog(cmd, &f.logJSON, &f.logLevel)
	return cmd
}

// bindOutside adds the flags of the admin port and of traces.
func bindOutside(cmd *cobra.Command, outside *process.Outside) {
	flags := flag.NewFlagSet("", flag.ContinueOnError)
	outside.Bind(flags)
	cmd.Flags().AddGoFlagSet(flags)
}

func bindLog(cmd *cobra.Command, asJSON *bool, level *string) {
	cmd.Flags().BoolVar(asJSON, "log-json", false, "write the log as JSON")
	cmd.Flags().StringVar(level, "log-level", "warn", "`level` of the log: debug, info, warn or error")
}

// firstKey is the key that a start sees to.
func (f *serveFlags) firstKey() keys.First {
	if f.demo {
		return keys.First{
			Tenant: demoTenant, Roles: identity.Desks(),
			Path: filepath.Join(f.data, demoKeyFile), Replace: true,
		}
	}
	return app.OperatorKey(f.keyFile)
}

// address is where others reach REST, as far as that is known beforehand; empty for
// the service's own default.
func (f *serveFlags) address() string {
	if _, port, err := net.SplitHostPort(f.web.http); f.publicURL == "" && err == nil && port != "0" {
		return f.web.url(f.web.http)
	}
	return f.publicURL
}

// run puts both sides and the gateway together and serves until ctx ends.
func (f *serveFlags) run(ctx context.Context, out, logTo io.Writer) (err error) {
	log, err := process.NewLog(logTo, f.logJSON, f.logLevel)
	if err != nil {
		return usageError{err}
	}
	seen, err := f.outside.Open(ctx, "beltwright", log)
	if err != nil {
		return err
	}
	defer seen.Close(ctx)
	ready, err := f.prepare(ctx, seen, log)
	if err != nil {
		return err
	}
	defer ready.release()
	fitment, err := app.Open(ctx, ready.fitment)
	if err != nil {
		return inUse(err, f.data)
	}
	defer func() { err = errors.Join(err, fitment.Close()) }()
	inner, err := openInside(seen, log)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, inner.Close()) }()
	ready.quote.Fitment, ready.quote.Verifier = inner.between, fitment.Verifier
	quote, err := quoteapp.Open(ctx, ready.quote)
	if err != nil {
		return inUse(err, f.data)
	}
	defer func() { err = errors.Join(err, quote.Close()) }()
	all, err := f.assemble(ctx, ready, fitment, quote, inner, seen, log)
	if err != nil {
		return err
	}
	// Last, since a start that fails must not use the key up.
	key, err := f.seeToKey(ctx, fitment, out)
	if err != nil {
		return errors.Join(err, all.admin.Close())
	}
	return f.serve(ctx, all, func(ctx context.Context, httpAddress, grpcAddress string) error {
		return f.welcome(ctx, out, inner.front, key, httpAddress, grpcAddress, all.admin.Address())
	}, log)
}

// prepared is what the all-in-one program stands on, apart from its stores.
type prepared struct {
	fitment  app.Config
	quote    quoteapp.Config
	config   serve.Config
	browsers *rest.ProviderOptions
	web      *web
	calls    net.Listener
}

// release closes what was opened, where nothing came to serve there.
func (p *prepared) release() {
	_ = p.web.Close() // closed already where it served
	_ = p.calls.Close()
}

// prepare checks what the flags say and opens the addresses, before there is a store.
func (f *serveFlags) prepare(ctx context.Context, seen *process.Seen, log *slog.Logger) (_ *prepared, err error) {
	p := &prepared{
		fitment: app.Config{
			Data: filepath.Join(f.data, "fitment"), Own: f.own, PublicURL: f.address(), Provider: f.provider.trusted(), Quotas: f.quotas, OtherQuotas: quoteapp.QuotaNames(),
			Metrics: seen.Metrics, Traces: seen.Traces, Log: log,
		},
		quote: quoteapp.Config{
			Data: filepath.Join(f.data, "quote"), Letterheads: f.letterheads, TaxPacks: f.taxPacks,
			Quotas: f.quotas, OtherQuotas: app.QuotaNames(), Metrics: seen.Metrics, Traces: seen.Traces, Log: log,
		},
	}
	if p.config, err = f.secured(serve.Config{Name: "beltwright", Metrics: seen.Metrics, Traces: seen.Traces}, log); err != nil {
		return nil, err
	}
	if p.browsers, err = f.provider.browsers(f.address()); err != nil {
		return nil, err
	}
	checked := p.fitment
	checked.First = []keys.First{f.firstKey()}
	for _, check := range []func() error{checked.Check, p.quote.Check, func() error { return seen.Reserve(ctx) }} {
		if err := check(); err != nil {
			return nil, err
		}
	}
	if p.web, err = f.web.listen(ctx, log); err != nil {
		return nil, err
	}
	if p.calls, err = process.Listen(ctx, f.tls != "", f.grpc); err != nil {
		return nil, errors.Join(fmt.Errorf("--grpc %s: %w", f.grpc, err), p.web.Close())
	}
	return p, nil
}

// assemble makes the servers over both sides.
func (f *serveFlags) assemble(
	ctx context.Context, ready *prepared, fitment *app.App, quote *quoteapp.App, inner *inside, seen *process.Seen, log *slog.Logger,
) (served, error) {
	ready.config.Breakers = inner.breakers
	server, err := serve.New(ready.config, fitment.Verifier, log, slices.Concat(fitment.Services, quote.Services)...)
	if err != nil {
		return served{}, err
	}
	handler, err := rest.New(rest.Options{
		Fitment: inner.front, Quote: inner.front, Verifier: fitment.Verifier, Limits: ready.config.Limits, BehindProxy: f.web.behindProxy,
		Secure: f.web.secure(), PublicURL: f.publicURL, Provider: ready.browsers, Metrics: seen.Metrics, Traces: seen.Traces, Log: log,
	})
	if err != nil {
		return served{}, err
	}
	admin, err := seen.Port(ctx, server)
	if err != nil {
		return served{}, err
	}
	return served{server, handler, inner.memory, ready.web, ready.calls, admin}, nil
}

// allInOneCallers are let in by the all-in-one program where nothing else is said.
func allInOneCallers() []string { return []string{mtls.AllInOne, mtls.Gateway, mtls.Client} }

// secured puts the process's certificate into the server's configuration, and the
// names of those it lets in, and what they may take.
func (f *serveFlags) secured(config serve.Config, log *slog.Logger) (_ serve.Config, err error) {
	if config.Allow, err = mtls.Allowed(f.tls, f.allow, allInOneCallers()); err != nil {
		return config, usageError{fmt.Errorf("--allow: %w", err)}
	}
	if config.Limits, err = limit.Named(f.rates, config.Metrics.Refused); err != nil {
		return config, usageError{fmt.Errorf("--rates: %w", err)}
	}
	config.TLS, err = openIdentity(f.tls, log)
	return config, err
}

// seeToKey makes the first key, or finds it. A demo key may do everything, so
// none is made on a store that holds anything but a demo.
func (f *serveFlags) seeToKey(ctx context.Context, fitment *app.App, out io.Writer) (string, error) {
	if f.demo {
		if err := demoMayRun(ctx, fitment.Store); err != nil {
			return "", fmt.Errorf("%s: %w", f.data, err)
		}
	}
	first := f.firstKey()
	first.Tell = tellKey(out)
	return fitment.Keys.EnsureFirst(ctx, first)
}

// tellKey prints a key that nothing else will tell.
func tellKey(out io.Writer) func(text string) error {
	return func(text string) error {
		p := &printer{out: out}
		p.linef("The operator's key. Keep it now: it is shown this once.")
		p.linef("  %s", text)
		return p.err
	}
}

// served is what the all-in-one program serves.
type served struct {
	server  *serve.Server
	handler *rest.Handler
	memory  serve.Memory
	web     *web
	calls   net.Listener
	admin   *adminport.Port
}

// serve runs the servers, and ready beside them. The admin port ends last.
func (*serveFlags) serve(
	ctx context.Context, all served,
	ready func(ctx context.Context, httpAddress, grpcAddress string) error, log *slog.Logger,
) error {
	var group serve.Group
	group.Add("welcome", func(ctx context.Context) error {
		if err := ready(ctx, all.web.Addr().String(), all.calls.Addr().String()); err != nil && ctx.Err() == nil {
			return err
		}
		<-ctx.Done()
		return nil
	})
	group.Add("rest", func(ctx context.Context) error { return serveHTTP(ctx, all.handler, all.web) })
	group.Add("grpc", func(ctx context.Context) error { return all.server.Serve(ctx, serve.Join(all.calls, all.memory)) })
	group.Add("admin port", all.admin.Serve)
	err := group.Run(ctx)
	log.Info("stopped")
	return err
}

// welcome waits until the services can serve, fills the demo in, and says where
// everything is.
func (f *serveFlags) welcome(ctx context.Context, out io.Writer, conn grpc.ClientConnInterface, key, httpAddress, grpcAddress, admin string) error {
	if err := awaitReady(ctx, rest.Follow(conn, conn)); err != nil {
		return err
	}
	if f.demo {
		if err := loadDemo(ctx, conn, key, time.Now()); err != nil {
			return fmt.Errorf("load the demo scenario: %w", err)
		}
	}
	p := &printer{out: out}
	p.linef("Beltwright is ready.")
	p.linef("  REST  %s", f.web.url(httpAddress))
	p.linef("  gRPC  %s", grpcAddress)
	if admin != "" {
		p.linef("  admin http://%s", admin)
	}
	first := f.firstKey()
	switch {
	case f.demo:
		p.linef("  key   %s", key)
		p.linef("        also in %s", first.Path)
		demoTries(p, httpAddress, grpcAddress, first.Path)
	case key == "":
		p.linef("  key   whoever started this store first has it; lost? stop this and run: beltwright keys first --data %s", f.data)
	case first.Path == "":
		p.linef("  key   printed above")
	default:
		p.linef("  key   in %s", first.Path)
	}
	return p.err
}

// readyEvery is how often a service that starts is asked whether it is ready.
const readyEvery = 20 * time.Millisecond

func awaitReady(ctx context.Context, ready func(ctx context.Context) error) error {
	tick := time.NewTicker(readyEvery)
	defer tick.Stop()
	for ready(ctx) != nil {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
	}
	return nil
}

// inUse says plainly that another process has the data.
func inUse(err error, data string) error {
	if errors.Is(err, store.ErrInUse) {
		return fmt.Errorf("another process is using %s; stop it, or give another directory with --data", data)
	}
	return err
}
