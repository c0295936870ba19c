// Command fitment runs the fitment side as a process of its own: the catalogue,
// listings, decisions and the keys of all callers, on one embedded store.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"

	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/logs"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/store/quota"
)

func main() {
	logs.TakeOver(os.Stderr, os.Getenv(logs.LevelVariable))
	settings := process.Settings{Name: "fitment", GRPC: "127.0.0.1:9091", Data: "beltwright-data/fitment", Outside: process.Outside{Admin: "127.0.0.1:9101"}, Callers: []string{mtls.Fitment, mtls.Gateway, mtls.Quote, mtls.Client}}
	flags := flag.NewFlagSet("fitment", flag.ContinueOnError)
	settings.Bind(flags)
	keyFile := flags.String("key-file", "", "`file` that the operator's key is written to at the first start, in place of being printed")
	var own app.Own
	flags.StringVar(&own.Packs, "packs", "", "`folder` of your own jurisdiction packs, which replace those of the same places or come on top")
	flags.StringVar(&own.Likelihoods, "likelihoods", "", "`file` of likelihoods that faults are assessed by (default the program's)")
	publicURL := flags.String("public-url", "", "`address` where REST is reached, for the codes on tags (default "+server.DefaultPublicURL+")")
	var provider app.Provider
	flags.StringVar(&provider.Issuer, "oidc-issuer", "", "`address` of the identity provider (OpenID Connect) by which people may sign in, as its tokens name it")
	flags.StringVar(&provider.ClientID, "oidc-client-id", "", "`id` under which the identity provider knows this deployment")
	quotas := flags.String("quotas", "", quota.Help(app.QuotaNames()...))
	os.Exit(process.Main(flags, os.Args[1:], os.Stderr, func(ctx context.Context) error {
		first := app.OperatorKey(*keyFile)
		first.Tell = func(text string) error {
			_, err := fmt.Printf("The operator's key. Keep it now: it is shown this once.\n  %s\n", text)
			return err
		}
		return run(ctx, settings, app.Config{Own: own, Provider: provider, PublicURL: *publicURL, Quotas: *quotas, First: []keys.First{first}})
	}))
}

// run serves the fitment side; config says what beside the settings it stands on.
func run(ctx context.Context, settings process.Settings, config app.Config) (err error) {
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
	config.Data, config.Log = settings.Data, log
	if err := errors.Join(config.Check(), settings.Prepare(ctx, log)); err != nil {
		return err
	}
	defer settings.Release()
	fitment, err := app.Open(ctx, config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, fitment.Close()) }()
	switch path := config.First[0].Path; {
	case fitment.First[0] == "":
		log.InfoContext(ctx, "the operator's key was told at the first start; where it is lost, \"beltwright keys first\" makes another one")
	case path != "":
		log.InfoContext(ctx, "the operator's key is in a file", "file", path)
	}
	return settings.Serve(ctx, fitment.Verifier, log, fitment.Services...)
}
