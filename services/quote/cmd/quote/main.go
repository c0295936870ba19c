// Command quote runs the quote side as a process of its own: price lists,
// quotes, outcomes and planning, on its own embedded store. Who is calling, what
// fits and what is held it asks the fitment service.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"

	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/logs"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/quote/app"
	"beltwright.example/services/store/quota"
)

func main() {
	logs.TakeOver(os.Stderr, os.Getenv(logs.LevelVariable))
	settings := process.Settings{Name: "quote", GRPC: "127.0.0.1:9092", Data: "beltwright-data/quote", Outside: process.Outside{Admin: "127.0.0.1:9102"}, Callers: []string{mtls.Quote, mtls.Gateway, mtls.Client}}
	flags := flag.NewFlagSet("quote", flag.ContinueOnError)
	settings.Bind(flags)
	fitment := flags.String("fitment", "127.0.0.1:9091", "`address` of the fitment service, loopback only unless -tls is given; or several with commas between that answer from one store")
	letterheads := flags.String("letterhead", "", "`file` with a letterhead for each business, JSON: {\"BUSINESS\":{\"name\":…,\"address\":[…],\"phone\":…,\"registration\":…}} (default the business's id)")
	taxPacks := flags.String("tax-packs", "", "`folder` of your own tax packs, which replace those of the same places or come on top")
	quotas := flags.String("quotas", "", quota.Help(app.QuotaNames()...))
	os.Exit(process.Main(flags, os.Args[1:], os.Stderr, func(ctx context.Context) error {
		return run(ctx, settings, *fitment, app.Config{Letterheads: *letterheads, TaxPacks: *taxPacks, Quotas: *quotas})
	}))
}

// run serves the quote side; config says what beside the settings it stands on.
func run(ctx context.Context, settings process.Settings, fitment string, config app.Config) (err error) {
	log, err := settings.Log(os.Stderr)
	if err != nil {
		return err
	}
	seen, err := settings.Open(ctx, log)
	if err != nil {
		return err
	}
	defer seen.Close(ctx)
	config.Metrics, config.Traces = seen.Metrics, seen.Traces
	identity, err := settings.Identity(log)
	if err != nil {
		return err
	}
	if settings.Breakers, err = serve.NewBreakers(hop.Fitment); err != nil {
		return err
	}
	defer settings.Breakers.Go(breaker.Log(log), seen.Metrics.Breaker)()
	between := append(seen.Traces.Dial(), append(serve.Between(settings.Breakers), serve.TellHedges(seen.Metrics.Hedge))...)
	conn, err := serve.DialAs(identity, mtls.FitmentServers(), fitment, between...)
	if err != nil {
		return fmt.Errorf("--fitment %s: %w", fitment, process.WantsTLS(err))
	}
	defer func() { err = errors.Join(err, conn.Close()) }()
	config.Data, config.Fitment, config.Log = settings.Data, conn, log
	if err := errors.Join(config.Check(), settings.Prepare(ctx, log)); err != nil {
		return err
	}
	defer settings.Release()
	quote, err := app.Open(ctx, config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, quote.Close()) }()
	return settings.Serve(ctx, quote.Verifier, log, quote.Services...)
}
