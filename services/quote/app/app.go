// Package app puts the quote side together: the store and the services over it,
// with a connection to the fitment side. A process of its own and the
// all-in-one program run the same assembly.
package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"time"

	"google.golang.org/grpc"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/backup"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/platform/telemetry"
	"beltwright.example/services/quote/document"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/measured"
	"beltwright.example/services/store/quota"
	"beltwright.example/services/store/traced"
)

// Config says what the quote side stands on.
type Config struct {
	// Data is the directory of the store; it is made where it is missing.
	Data string
	// Fitment reaches the fitment side and passes the caller's credential on,
	// as connections of package serve do.
	Fitment grpc.ClientConnInterface
	// Verifier says who a key belongs to; nil means: ask the fitment side and
	// remember its answers for at most auth.MaxTTL.
	Verifier auth.Verifier
	// Letterheads is a file of the businesses' letterheads, JSON; "" for none.
	Letterheads string
	// TaxPacks is a folder of the deployment's own tax packs, which replace those of
	// the same places or come on top; "" for none.
	TaxPacks string
	// Quotas say how many records one business may keep, as quota.Parse reads them;
	// empty for the defaults. OtherQuotas are names in it that another store counts.
	Quotas      string
	OtherQuotas []string
	// Now is the clock; nil means the system's.
	Now func() time.Time
	// Metrics counts, Traces makes spans; nil for neither.
	Metrics *metrics.Set
	Traces  *telemetry.Traces
	// Log takes what an operator should know; nil means the default logger.
	Log *slog.Logger
}

// App is the quote side, ready to be served.
type App struct {
	// Services are what a serve.Server runs.
	Services []serve.Service
	// Verifier says who a key belongs to.
	Verifier auth.Verifier
	// Store is what everything is kept in.
	Store store.Store
}

// Check looks at everything that can be wrong with the configuration before there is a
// store, and names the flag of the programs where one says it.
func (c *Config) Check() error {
	if _, _, err := quota.Parse(c.Quotas, server.Counted(), c.OtherQuotas...); err != nil {
		return fmt.Errorf("--quotas: %w", err)
	}
	_, headsErr := letterheads(c.Letterheads)
	_, packsErr := taxPacks(c.TaxPacks)
	return errors.Join(headsErr, packsErr)
}

// Open opens the store and puts the services together; store.ErrInUse where
// another process has the directory. The caller closes the App after serving.
func Open(ctx context.Context, config Config) (*App, error) {
	if config.Fitment == nil {
		return nil, errors.New("quote: a connection to the fitment service is needed")
	}
	if config.Now == nil {
		config.Now = time.Now
	}
	if config.Log == nil {
		config.Log = slog.Default()
	}
	if err := config.Check(); err != nil {
		return nil, fmt.Errorf("quote: %w", err)
	}
	if config.Verifier == nil {
		config.Verifier = auth.Remote(fitmentv1.NewIdentityServiceClient(config.Fitment), auth.MaxTTL)
	}
	heads, err := letterheads(config.Letterheads)
	if err != nil {
		return nil, fmt.Errorf("quote: %w", err)
	}
	packs, err := taxPacks(config.TaxPacks)
	if err != nil {
		return nil, fmt.Errorf("quote: %w", err)
	}
	records, err := embedded.Open(config.Data, embedded.Options{Now: config.Now, Committed: config.committed})
	if err != nil {
		return nil, fmt.Errorf("quote: open the store in %s: %w", config.Data, err)
	}
	counted, err := quota.Wrap(ctx, records, config.Quotas, server.Counted(), config.OtherQuotas...)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("quote: %w", err), records.Close())
	}
	main, err := server.New(server.Options{Store: config.watched(counted), Fitment: config.Fitment, Now: config.Now, Log: config.Log, Letterheads: heads, TaxPacks: packs})
	if err != nil {
		return nil, errors.Join(fmt.Errorf("quote: %w", err), records.Close())
	}
	copies := server.NewBackup(backup.NewDesk(backup.Source{Side: backup.Quote, Records: records}, config.Log))
	return &App{Services: []serve.Service{main, copies}, Verifier: config.Verifier, Store: counted}, nil
}

// QuotaNames are the names of records of which a business may keep only so many.
func QuotaNames() []string { return quota.Names(server.Counted()) }

// letterheads reads the file of letterheads; none where there is none.
func letterheads(path string) (document.Letterheads, error) {
	if path == "" {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	file, err := os.Open(path) //nolint:gosec // a file that the operator named
	if err != nil {
		return nil, fmt.Errorf("open the letterheads: %w", err)
	}
	heads, err := document.ReadLetterheads(file)
	if err = errors.Join(err, file.Close()); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return heads, nil
}

// committed counts the store's commits.
func (c *Config) committed(changes int, took time.Duration) {
	c.Metrics.Commit(hop.Quote, changes, took)
}

// watched is the store as the services use it: counted, and in traces.
func (c *Config) watched(records store.Store) store.Store {
	return traced.New(measured.New(records, hop.Quote, c.Metrics), hop.Quote, c.Traces)
}

// Close closes the store. Call it when no service runs any more.
func (a *App) Close() error { return a.Store.Close() }
