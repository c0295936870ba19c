package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"

	"beltwright.example/gateway/upload"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/credential"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/store"
	"beltwright.example/testdata/demo"
)

// demoTenant is the business of the demo key.
const demoTenant = app.DemoTenant

// demoFile is one file of the scenario and whose rows it holds.
type demoFile struct{ kind, name, owner string }

// demoFiles lists the scenario in the order in which it is loaded.
func demoFiles() []demoFile {
	yards := demo.Yards()
	files := make([]demoFile, 0, 5+len(yards))
	for _, kind := range []string{"parts", "supersessions", "recalls", "vehicle-data", "offers"} {
		files = append(files, demoFile{kind, kind + ".csv", ""})
	}
	for _, yard := range yards {
		files = append(files, demoFile{"listings", "listings-" + yard + ".csv", yard})
	}
	return files
}

// errNotDemo refuses the demo beside somebody's records.
var errNotDemo = errors.New("--demo wants an empty store, or one that a demo filled before; this one holds other records: give another directory with --data")

// demoMayRun tells whether a store is empty, or a demo's.
func demoMayRun(ctx context.Context, st store.Store) error {
	own, err := st.List(ctx, demoTenant, keys.Kind, "", 1)
	if err != nil || len(own) > 0 {
		return err
	}
	// Without a demo's key there may be nothing but what makes keys, and the business
	// that a start made just before its key.
	records, err := st.Changes(ctx, 0, 10)
	if err != nil {
		return err
	}
	for _, record := range records {
		if record.Key.Kind != credential.PepperKind && record.Key != businesses.KeyOf(demoTenant) {
			return errNotDemo
		}
	}
	return nil
}

// loadDemo fills a store with the demo scenario by the ordinary imports, unless
// a start before this one has finished doing so: the outcomes come last.
func loadDemo(ctx context.Context, conn grpc.ClientConnInterface, key string, today time.Time) error {
	ctx = auth.WithKey(ctx, key)
	if err := admitYards(ctx, conn); err != nil {
		return err
	}
	outcomes, err := demoOutcomes(today)
	if err != nil {
		return err
	}
	client := quotev1.NewRepairServiceClient(conn)
	recorded, err := client.ListOutcomes(ctx, &quotev1.ListOutcomesRequest{PageSize: 1000})
	if err != nil || len(recorded.GetOutcomes()) >= len(outcomes) {
		return err
	}
	for _, file := range demoFiles() {
		if err := loadDemoFile(ctx, conn, file, today); err != nil {
			return fmt.Errorf("%s: %w", file.name, err)
		}
	}
	for _, outcome := range outcomes {
		request := &quotev1.RecordOutcomeRequest{Outcome: outcome, RequestId: requests.Derive(demoSeed, outcome.GetSource())}
		if _, err := client.RecordOutcome(ctx, request); err != nil {
			return fmt.Errorf("outcomes.json: %s: %w", outcome.GetSource(), err)
		}
	}
	return nil
}

// admitYards makes the yards of the scenario businesses, so that keys can be made for
// them. One that is there already stays as it is.
func admitYards(ctx context.Context, conn grpc.ClientConnInterface) error {
	client := fitmentv1.NewIdentityServiceClient(conn)
	for _, yard := range demo.Yards() {
		_, err := client.CreateBusiness(ctx, &fitmentv1.CreateBusinessRequest{
			Business:  &fitmentv1.Business{Id: yard, DisplayName: yard, Roles: []string{string(identity.Yard), string(identity.Admin)}},
			RequestId: requests.Derive(demoSeed, "business "+yard),
		})
		if err != nil && status.Code(err) != codes.AlreadyExists {
			return fmt.Errorf("business %s: %w", yard, err)
		}
	}
	return nil
}

func loadDemoFile(ctx context.Context, conn grpc.ClientConnInterface, file demoFile, today time.Time) error {
	kind, ok := upload.KindOf(file.kind)
	if !ok {
		return fmt.Errorf("no import of %s", file.kind)
	}
	raw, err := demo.File(file.name, today)
	if err != nil {
		return err
	}
	_, err = runImport(ctx, conn, kind, &fitmentv1.ImportOptions{Owner: file.owner}, bytes.NewReader(raw), func(row *fitmentv1.RowResult) error {
		if row.GetOutcome() == fitmentv1.RowResult_REJECTED {
			return fmt.Errorf("row %d: %v", row.GetRow(), row.GetProblems())
		}
		return nil
	})
	return err
}

// demoSeed names the scenario's writes, so that loading it twice writes once.
const demoSeed = "5f0c2b1e-7a4d-4d55-9a0e-3a2f6c1d8e90"

// demoOutcomes reads the scenario's arrival checks.
func demoOutcomes(today time.Time) ([]*quotev1.Outcome, error) {
	raw, err := demo.File("outcomes.json", today)
	if err != nil {
		return nil, err
	}
	var items []json.RawMessage
	if err := json.Unmarshal(raw, &items); err != nil {
		return nil, fmt.Errorf("outcomes.json: %w", err)
	}
	outcomes := make([]*quotev1.Outcome, 0, len(items))
	for n, item := range items {
		outcome := &quotev1.Outcome{}
		if err := protojson.Unmarshal(item, outcome); err != nil {
			return nil, fmt.Errorf("outcomes.json: item %d: %w", n, err)
		}
		outcomes = append(outcomes, outcome)
	}
	return outcomes, nil
}

// demoTries prints two things to try.
func demoTries(p *printer, httpAddress, grpcAddress, keyFile string) {
	p.linef("Try, in another terminal:")
	p.linef(`  curl -s http://%s/v1/vins:decode -H "Authorization: Bearer $(cat %s)" -d '{"vin":"1M8GDM9AXKP042788","market":"US"}'`, httpAddress, keyFile)
	p.linef("  go run ./gateway/cmd/beltwright donors --server %s --key-file %s \\", grpcAddress, keyFile)
	p.linef("    --make Tarvena --model Solane --year 2006 --drive-side left --body saloon --market US \\")
	p.linef("    --kind buckle-pretensioner --row 1 --side right --jurisdiction US-WA")
}
