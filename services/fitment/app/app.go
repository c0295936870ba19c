// Package app puts the fitment side together: the store, the keys and the
// services over them. A process of its own and the all-in-one program run the
// same assembly.
package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"path/filepath"
	"time"

	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/backup"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/platform/telemetry"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/files"
	"beltwright.example/services/store/measured"
	"beltwright.example/services/store/quota"
	"beltwright.example/services/store/traced"
)

// Config says what the fitment side stands on.
type Config struct {
	// Data is the directory of the store; it is made where it is missing.
	Data string
	// First are the keys that a start sees to, if any.
	First []keys.First
	// Own are the deployment's own files.
	Own Own
	// PublicURL is where REST is reached, for the codes on tags; empty for
	// server.DefaultPublicURL.
	PublicURL string
	// Quotas say how many records one business may keep, as quota.Parse reads them;
	// empty for the defaults. OtherQuotas are names in it that another store counts.
	Quotas      string
	OtherQuotas []string
	// Provider is the identity provider that may vouch for people, if any.
	Provider Provider
	// Now is the clock; nil means the system's.
	Now func() time.Time
	// Metrics counts, Traces makes spans; nil for neither.
	Metrics *metrics.Set
	Traces  *telemetry.Traces
	// Log takes what an operator should know; nil means the default logger.
	Log *slog.Logger
}

// App is the fitment side, ready to be served.
type App struct {
	// Services are what a serve.Server runs.
	Services []serve.Service
	// Verifier says who a key belongs to.
	Verifier auth.Verifier
	// Keys makes keys.
	Keys *keys.Store
	// First are the texts of the keys of Config.First, in order; "" where the
	// tenant has keys but the file that told one is gone.
	First []string
	// Store is what everything is kept in.
	Store store.Store
}

// Check looks at everything that can be wrong with the configuration before there is a
// store, and names the flag of the programs where one says it. A start that is going to
// fail should not make a store, let alone hand a key out.
func (c *Config) Check() error {
	if _, _, err := quota.Parse(c.Quotas, server.Counted(), c.OtherQuotas...); err != nil {
		return fmt.Errorf("--quotas: %w", err)
	}
	if _, err := server.PublicURL(c.PublicURL); err != nil {
		return fmt.Errorf("--public-url: %w", err)
	}
	if _, err := c.Provider.verifier(*c); err != nil {
		return err
	}
	if _, err := c.Own.options(); err != nil {
		return err
	}
	if is, err := embedded.Exists(c.Data); err != nil || is {
		return err
	}
	for _, first := range c.First {
		if err := first.Check(); err != nil {
			return err
		}
	}
	return nil
}

// Open opens the store and puts the services together; store.ErrInUse where
// another process has the directory. The caller closes the App after serving.
func Open(ctx context.Context, config Config) (*App, error) {
	if config.Now == nil {
		config.Now = time.Now
	}
	if config.Log == nil {
		config.Log = slog.Default()
	}
	if err := config.Check(); err != nil {
		return nil, fmt.Errorf("fitment: %w", err)
	}
	options, err := config.Own.options()
	if err != nil {
		return nil, fmt.Errorf("fitment: %w", err)
	}
	records, err := embedded.Open(config.Data, embedded.Options{Now: config.Now, Committed: config.committed})
	if err != nil {
		return nil, fmt.Errorf("fitment: open the store in %s: %w", config.Data, err)
	}
	a, err := assemble(ctx, config, options, records)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("fitment: %w", err), records.Close())
	}
	return a, nil
}

func assemble(ctx context.Context, config Config, options server.Options, records *embedded.Store) (*App, error) {
	counted, err := quota.Wrap(ctx, records, config.Quotas, server.Counted(), config.OtherQuotas...)
	if err != nil {
		return nil, err
	}
	keyStore, err := keys.Open(ctx, counted, keys.Options{Now: config.Now})
	if err != nil {
		return nil, err
	}
	if err := adopt(ctx, counted, config.Now()); err != nil {
		return nil, err
	}
	persons, err := openPeople(ctx, config, counted)
	if err != nil {
		return nil, err
	}
	verifier := auth.ByPrefix(map[string]auth.Verifier{keys.TextPrefix: keyStore, sessions.Prefix: persons.Sessions})
	a := &App{Verifier: verifier, Keys: keyStore, Store: counted}
	attachments, err := files.Open(filepath.Join(config.Data, files.Folder))
	if err != nil {
		return nil, err
	}
	options.Store, options.Files, options.Log, options.PublicURL = config.watched(counted), attachments, config.Log, config.PublicURL
	options.Metrics = config.Metrics
	main, err := server.New(options)
	if err != nil {
		return nil, err
	}
	persons.Store, persons.Keys = counted, keyStore
	who, err := server.NewIdentity(persons)
	if err != nil {
		return nil, err
	}
	copies := server.NewBackup(backup.NewDesk(backup.Source{Side: backup.Fitment, Records: records, Files: attachments}, config.Log))
	a.Services = []serve.Service{main, who, copies}
	// Last, since a start that fails must not use the key up.
	for _, first := range config.First {
		text, err := keyStore.EnsureFirst(ctx, first)
		if err != nil {
			return nil, err
		}
		a.First = append(a.First, text)
	}
	return a, nil
}

// committed counts the store's commits.
func (c *Config) committed(changes int, took time.Duration) {
	c.Metrics.Commit(hop.Fitment, changes, took)
}

// watched is the store as the services use it: counted, and in traces.
func (c *Config) watched(records store.Store) store.Store {
	return traced.New(measured.New(records, hop.Fitment, c.Metrics), hop.Fitment, c.Traces)
}

// QuotaNames are the names of records of which a business may keep only so many.
func QuotaNames() []string { return quota.Names(server.Counted()) }

// Close closes the store. Call it when no service runs any more.
func (a *App) Close() error { return a.Store.Close() }
