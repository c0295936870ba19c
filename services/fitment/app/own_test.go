package app_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/platform/identity"
)

const ownPack = `{
  "jurisdiction": "US-WA", "place": "Washington", "version": "2030-01-01", "within": "US",
  "provisions": [{"id": "US-WA.none", "sale": true, "condition": "forbidden", "text": "None is sold here.", "source": "invented"}]
}`

func write(t *testing.T, name, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// TestADeploymentsOwnLawCounts beside that of the program.
func TestADeploymentsOwnLawCounts(t *testing.T) {
	t.Parallel()
	folder := filepath.Dir(write(t, "wa.json", ownPack))
	a, err := app.Open(t.Context(), app.Config{Data: t.TempDir(), Own: app.Own{Packs: folder}, Log: slog.New(slog.DiscardHandler)})
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
	ctx := identity.NewContext(t.Context(), identity.Principal{Tenant: "shop-a"})
	got, err := main.ListJurisdictionPacks(ctx, &fitmentv1.ListJurisdictionPacksRequest{})
	if err != nil {
		t.Fatal(err)
	}
	versions := map[string]string{}
	for _, pack := range got.GetPacks() {
		versions[pack.GetJurisdiction()] = pack.GetVersion()
	}
	if versions["US-WA"] != "2030-01-01" || versions["US-NY"] == "" || versions["US-NY"] == "2030-01-01" {
		t.Errorf("packs %v", versions)
	}
}

// TestFilesThatCannotBeUsedStopTheStart, and the error names them.
func TestFilesThatCannotBeUsedStopTheStart(t *testing.T) {
	t.Parallel()
	broken := write(t, "broken.json", strings.Replace(ownPack, `"version"`, `"edition"`, 1))
	file := write(t, "likelihoods.json", "{}")
	empty := t.TempDir()
	for want, own := range map[string]app.Own{
		"packs in " + filepath.Dir(broken) + ": load packs: broken.json: ": {Packs: filepath.Dir(broken)},
		"packs in " + empty + ": there is no pack":                         {Packs: empty},
		"packs in " + empty + "/none":                                      {Packs: filepath.Join(empty, "none")},
		file + ": likelihoods: ":                                           {Likelihoods: file},
		"open the likelihoods:":                                            {Likelihoods: filepath.Join(empty, "none")},
	} {
		data := filepath.Join(t.TempDir(), "data")
		a, err := app.Open(t.Context(), app.Config{Data: data, Own: own, Log: slog.New(slog.DiscardHandler)})
		if err == nil {
			t.Errorf("%+v: it starts", own)
			_ = a.Close()
			continue
		}
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", own, err, want)
		}
		if _, err := os.Stat(data); err == nil {
			t.Errorf("%+v: it has made the data directory", own)
		}
	}
}
