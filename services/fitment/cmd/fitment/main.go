// Command fitment runs the fitment side as a process of its own: the catalogue,
// listings, decisions and the keys of all callers, on one embedded store.
package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"os"
	"path/filepath"

	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/process"
	"beltwright.example/services/store/quota"
)

func main() {
	settings := process.Settings{Name: "fitment", GRPC: "127.0.0.1:9091", Data: "beltwright-data/fitment", Outside: process.Outside{Admin: "127.0.0.1:9101"}, Callers: []string{mtls.Fitment, mtls.Gateway, mtls.Quote, mtls.Client}}
	flags := flag.NewFlagSet("fitment", flag.ContinueOnError)
	settings.Bind(flags)
	keyFile := flags.String("key-file", "", "`file` that the operator's key is written to at the first start (default operator.key in the data directory)")
	var own app.Own
	flags.StringVar(&own.Packs, "packs", "", "`folder` of your own jurisdiction packs, which replace those of the same places or come on top")
	flags.StringVar(&own.Likelihoods, "likelihoods", "", "`file` of likelihoods that faults are assessed by (default the program's)")
	publicURL := flags.String("public-url", "", "`address` where REST is reached, for the codes on tags (default "+server.DefaultPublicURL+")")
	quotas := flags.String("quotas", "", quota.Help)
	os.Exit(process.Main(flags, os.Args[1:], os.Stderr, func(ctx context.Context) error {
		path := cmp.Or(*keyFile, filepath.Join(settings.Data, "operator.key"))
		return run(ctx, settings, app.Config{Own: own, PublicURL: *publicURL, Quotas: *quotas}, path)
	}))
}

// run serves the fitment side; config says what beside the settings it stands on.
func run(ctx context.Context, settings process.Settings, config app.Config, keyFile string) (err error) {
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
	config.Data, config.First, config.Log = settings.Data, []keys.First{app.OperatorKey(keyFile)}, log
	fitment, err := app.Open(ctx, config)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, fitment.Close()) }()
	if fitment.First[0] == "" {
		log.WarnContext(ctx, "the operator's key file is gone; its key still works for whoever has it", "file", keyFile)
	} else {
		log.InfoContext(ctx, "the operator's key is in a file", "file", keyFile)
	}
	return settings.Serve(ctx, fitment.Verifier, log, fitment.Services...)
}
