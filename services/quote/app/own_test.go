package app_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/grpc"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/serve"
	"beltwright.example/services/quote/app"
	"beltwright.example/services/quote/server"
	"beltwright.example/services/quote/tax"
)

// ownPack is a pack of a place that the program has one of.
func ownPack() string {
	return string(tax.Pack{
		Place: "US-CA", Name: "California", Version: "2030-01-01",
		PercentageSupplies: tax.Rule{Answer: tax.Yes, Text: "A percentage is allowed.", Source: "invented"},
	}.Bytes())
}

func packFolder(t *testing.T, text string) string {
	t.Helper()
	folder := t.TempDir()
	if text == "" {
		return folder
	}
	if err := os.WriteFile(filepath.Join(folder, "ca.json"), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return folder
}

// nobody is a connection that nobody serves.
func nobody(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := serve.NewMemory().Dial()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
	})
	return conn
}

// TestADeploymentsTaxPacksCount in place of the program's, the others staying.
func TestADeploymentsTaxPacksCount(t *testing.T) {
	t.Parallel()
	conn := nobody(t)
	a, err := app.Open(t.Context(), app.Config{
		Data: t.TempDir(), Fitment: conn, TaxPacks: packFolder(t, ownPack()), Log: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}()
	main, ok := a.Services[0].(*server.Server)
	if !ok {
		t.Fatalf("the first service is %T", a.Services[0])
	}
	got, err := main.ListTaxPacks(identity.NewContext(t.Context(), identity.Principal{Tenant: "shop-a"}), &quotev1.ListTaxPacksRequest{})
	if err != nil {
		t.Fatal(err)
	}
	versions := map[string]string{}
	for _, pack := range got.GetPacks() {
		versions[pack.GetPlace()] = pack.GetVersion()
	}
	if versions["US-CA"] != "2030-01-01" || versions["US-OH"] == "" || versions["US-OH"] == "2030-01-01" {
		t.Errorf("packs %v", versions)
	}
}

// TestTaxPacksThatCannotBeUsedStopTheStart, and the error names the file.
func TestTaxPacksThatCannotBeUsedStopTheStart(t *testing.T) {
	t.Parallel()
	conn := nobody(t)
	broken := packFolder(t, strings.Replace(ownPack(), `"version"`, `"edition"`, 1))
	empty := packFolder(t, "")
	for folder, want := range map[string]string{
		broken:                         "tax packs in " + broken + ": load tax packs: ca.json: ",
		empty:                          "tax packs in " + empty + ": there is no pack",
		filepath.Join(empty, "absent"): "tax packs in " + filepath.Join(empty, "absent") + ": ",
	} {
		data := filepath.Join(t.TempDir(), "data")
		a, err := app.Open(t.Context(), app.Config{Data: data, Fitment: conn, TaxPacks: folder, Log: slog.New(slog.DiscardHandler)})
		if err == nil {
			t.Errorf("%s: it starts", folder)
			_ = a.Close()
			continue
		}
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want %q", folder, err, want)
		}
		if _, err := os.Stat(data); err == nil {
			t.Errorf("%s: it has made the data directory", folder)
		}
	}
}
