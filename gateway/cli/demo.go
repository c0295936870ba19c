package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	"beltwright.example/gateway/upload"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/requests"
	"beltwright.example/testdata/demo"
)

// demoTenant is the business of the demo key.
const demoTenant = "demo-shop"

// demoFile is one file of the scenario and whose rows it holds.
type demoFile struct{ kind, name, owner string }

// demoFiles lists the scenario in the order in which it is loaded.
func demoFiles() []demoFile {
	yards := demo.Yards()
	files := make([]demoFile, 0, 4+len(yards))
	for _, kind := range []string{"parts", "supersessions", "recalls", "offers"} {
		files = append(files, demoFile{kind, kind + ".csv", ""})
	}
	for _, yard := range yards {
		files = append(files, demoFile{"listings", "listings-" + yard + ".csv", yard})
	}
	return files
}

// loadDemo fills an empty store with the demo scenario by the ordinary imports.
func loadDemo(ctx context.Context, conn *grpc.ClientConn, key string, today time.Time) error {
	ctx = auth.WithKey(ctx, key)
	parts, err := fitmentv1.NewCatalogueServiceClient(conn).ListParts(ctx, &fitmentv1.ListPartsRequest{PageSize: 1})
	if err != nil || len(parts.GetParts()) > 0 {
		return err
	}
	for _, file := range demoFiles() {
		if err := loadDemoFile(ctx, conn, file, today); err != nil {
			return fmt.Errorf("%s: %w", file.name, err)
		}
	}
	return loadOutcomes(ctx, conn, today)
}

func loadDemoFile(ctx context.Context, conn *grpc.ClientConn, file demoFile, today time.Time) error {
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

func loadOutcomes(ctx context.Context, conn *grpc.ClientConn, today time.Time) error {
	raw, err := demo.File("outcomes.json", today)
	if err != nil {
		return err
	}
	var items []json.RawMessage
	if err := json.Unmarshal(raw, &items); err != nil {
		return fmt.Errorf("outcomes.json: %w", err)
	}
	client := quotev1.NewRepairServiceClient(conn)
	for n, item := range items {
		outcome := &quotev1.Outcome{}
		if err := protojson.Unmarshal(item, outcome); err != nil {
			return fmt.Errorf("outcomes.json: item %d: %w", n, err)
		}
		request := &quotev1.RecordOutcomeRequest{Outcome: outcome, RequestId: requests.Derive(demoSeed, outcome.GetSource())}
		if _, err := client.RecordOutcome(ctx, request); err != nil {
			return fmt.Errorf("outcomes.json: item %d: %w", n, err)
		}
	}
	return nil
}

// demoTries prints two things to try.
func demoTries(p *printer, httpAddress, grpcAddress, keyFile string) {
	p.linef("Try, in another terminal:")
	p.linef(`  curl -s http://%s/v1/vins:decode -H "Authorization: Bearer $(cat %s)" -d '{"vin":"1M8GDM9AXKP042788","market":"US"}'`, httpAddress, keyFile)
	p.linef("  go run ./gateway/cmd/beltwright donors --server %s --key-file %s \\", grpcAddress, keyFile)
	p.linef("    --make Tarvena --model Solane --year 2006 --drive-side left --body saloon --market US \\")
	p.linef("    --kind buckle-pretensioner --row 1 --side right")
}
