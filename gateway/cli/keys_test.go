package cli_test

import (
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"beltwright.example/gateway/cli"
	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
)

func TestKeysAndBusinesses(t *testing.T) {
	t.Parallel()
	const id = "2f7e3c1a-5b0d-4c1e-9f64-0a8d3f6f2b11"
	long, gone := timestamppb.New(time.Date(2999, 1, 2, 3, 4, 0, 0, time.UTC)), timestamppb.New(time.Date(2020, 1, 2, 3, 4, 0, 0, time.UTC))
	key := &fitmentv1.Key{Name: "keys/shop-a.k1", Business: "shop-a", Label: "front desk", Roles: []string{"shop", "books"}, ExpireTime: long}
	used, ended, revoked := proto.CloneOf(key), proto.CloneOf(key), proto.CloneOf(key)
	used.LastUsedDay, ended.ExpireTime, revoked.RevokeTime = "2026-11-24", gone, gone
	shop := &fitmentv1.Business{Name: "businesses/shop-a", Id: "shop-a", DisplayName: "Shop A", Roles: []string{"shop", "admin"}, Etag: "e1"}
	out, in, fewer := proto.CloneOf(shop), proto.CloneOf(shop), proto.CloneOf(shop)
	out.Suspended, fewer.Roles = true, []string{"books", "admin"}
	operator := &fitmentv1.Business{Name: "businesses/operator", DisplayName: "Operator", Roles: []string{"admin"}, Operator: true}
	for name, c := range map[string]struct {
		args   []string
		asks   proto.Message
		answer proto.Message
		shows  []string
	}{
		"keys create": {
			args: []string{"keys", "create", "--label", "front desk", "--role", "shop", "--role", "books", "--days", "30", "--business", "shop-a", "--request-id", id},
			asks: &fitmentv1.CreateKeyRequest{
				Key: &fitmentv1.Key{Business: "shop-a", Label: "front desk", Roles: []string{"shop", "books"}}, Days: 30, RequestId: id,
			},
			answer: &fitmentv1.CreateKeyResponse{Key: key, Text: "bw_the_text"},
			shows:  []string{"keys/shop-a.k1, front desk\n", "desks shop, books, ends 2999-01-0", "shown this once", "\n  bw_the_text\n"},
		},
		"keys create, again": {
			args:   []string{"keys", "create", "--role", "shop,books", "--request-id", id},
			asks:   &fitmentv1.CreateKeyRequest{Key: &fitmentv1.Key{Roles: []string{"shop", "books"}}, RequestId: id},
			answer: &fitmentv1.CreateKeyResponse{Key: key}, shows: []string{"kept nowhere"},
		},
		"keys list": {
			args: []string{"keys", "list", "--business", "shop-a", "--page-size", "4"}, asks: &fitmentv1.ListKeysRequest{Business: "shop-a", PageSize: 4},
			answer: &fitmentv1.ListKeysResponse{Keys: []*fitmentv1.Key{key, used, ended, revoked}, NextPageToken: "next"},
			shows:  []string{"ends 2999-01-0", "never", "2026-11-24", "ended 2020-01-0", "revoked 2020-01-0", "--page-token next"},
		},
		"keys revoke": {
			args:   []string{"keys", "revoke", "keys/shop-a.k1", "--request-id", id},
			asks:   &fitmentv1.RevokeKeyRequest{Name: "keys/shop-a.k1", RequestId: id},
			answer: &fitmentv1.RevokeKeyResponse{Key: revoked}, shows: []string{"keys/shop-a.k1", "revoked 2020-01-0"},
		},
		"business create": {
			args: []string{"business", "create", "shop-a", "--name", "Shop A", "--role", "shop,admin", "--request-id", id},
			asks: &fitmentv1.CreateBusinessRequest{
				Business: &fitmentv1.Business{Id: "shop-a", DisplayName: "Shop A", Roles: []string{"shop", "admin"}}, RequestId: id,
			},
			answer: &fitmentv1.CreateBusinessResponse{Business: shop}, shows: []string{"businesses/shop-a, Shop A", "desks shop, admin; let in"},
		},
		"business list": {
			args: []string{"business", "list"}, asks: &fitmentv1.ListBusinessesRequest{},
			answer: &fitmentv1.ListBusinessesResponse{Businesses: []*fitmentv1.Business{operator, out}}, shows: []string{"runs this deployment", "shut out"},
		},
		"business suspend": {
			args:   []string{"business", "suspend", "shop-a", "--request-id", id},
			asks:   &fitmentv1.UpdateBusinessRequest{Business: out, Etag: "e1", RequestId: id},
			answer: &fitmentv1.UpdateBusinessResponse{Business: shop}, shows: []string{"businesses/shop-a"},
		},
		"business resume": {
			args:   []string{"business", "resume", "businesses/shop-a", "--request-id", id},
			asks:   &fitmentv1.UpdateBusinessRequest{Business: in, Etag: "e1", RequestId: id},
			answer: &fitmentv1.UpdateBusinessResponse{Business: out}, shows: []string{"shut out"},
		},
		"business desks": {
			args:   []string{"business", "desks", "shop-a", "--role", "books", "--role", "admin", "--request-id", id},
			asks:   &fitmentv1.UpdateBusinessRequest{Business: fewer, Etag: "e1", RequestId: id},
			answer: &fitmentv1.UpdateBusinessResponse{Business: shop}, shows: []string{"desks shop, admin"},
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			// The answer that a business is read from has the same form as the one that
			// says how it was written.
			s := start(t, c.answer, nil)
			code, out, errs := run(t, "", s.to(c.args...)...)
			if code != cli.ExitOK {
				t.Fatalf("exit %d: %s", code, errs)
			}
			if diff := cmp.Diff(c.asks, s.asked, protocmp.Transform()); diff != "" {
				t.Errorf("asked (-want +got):\n%s", diff)
			}
			for _, want := range c.shows {
				if !strings.Contains(out, want) {
					t.Errorf("no %q in:\n%s", want, out)
				}
			}
		})
	}
}

func TestErrorsOfKeysNameFlags(t *testing.T) {
	t.Parallel()
	for field, flag := range map[string]string{"key.roles[0]": "--role", "days": "--days", "key.label": "--label", "key.business": "--business"} {
		refusal := apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{Field: field, Problem: "is wrong"})
		if _, _, errs := run(t, "", start(t, nil, refusal).to("keys", "create")...); !strings.Contains(errs, field+" ("+flag+"): is wrong") {
			t.Errorf("%s: %s", field, errs)
		}
	}
}

// stopped is a data directory whose server has stopped after its first start.
func stopped(t *testing.T, first keys.First) string {
	t.Helper()
	data := filepath.Join(t.TempDir(), "data")
	side := openSide(t, data, first)
	if err := side.Close(); err != nil {
		t.Fatal(err)
	}
	return data
}

func openSide(t *testing.T, data string, first ...keys.First) *app.App {
	t.Helper()
	side, err := app.Open(t.Context(), app.Config{Data: filepath.Join(data, "fitment"), First: first, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	return side
}

// TestKeysFirst: who has lost every key of the business that runs the deployment makes
// another one, whatever that business is called; the old ones stay.
func TestKeysFirst(t *testing.T) {
	t.Parallel()
	for _, tenant := range []string{app.OperatorTenant, app.DemoTenant} {
		var old string
		data := stopped(t, keys.First{Tenant: tenant, Roles: identity.Desks(), Tell: func(text string) error {
			old = text
			return nil
		}})
		code, out, errs := run(t, "", "keys", "first", "--data", data)
		printed := regexp.MustCompile(`bw_\S+`).FindString(out)
		if code != cli.ExitOK || printed == "" || printed == old {
			t.Fatalf("exit %d: %s%s", code, out, errs)
		}
		path := filepath.Join(t.TempDir(), "key")
		if code, out, errs := run(t, "", "keys", "first", "--data", filepath.Join(data, "fitment"), "--key-file", path); code != cli.ExitOK || strings.Contains(out, "bw_") {
			t.Fatalf("exit %d: %s%s", code, out, errs)
		}
		written, err := os.ReadFile(path)
		if info, serr := os.Stat(path); err != nil || serr != nil || info.Mode().Perm() != 0o600 {
			t.Errorf("the key's file: %v, %v", err, serr)
		}
		if code, _, errs := run(t, "", "keys", "first", "--data", data, "--key-file", path); code != cli.ExitFailed || !strings.Contains(errs, "there is such a file already") {
			t.Errorf("over a file that is there: exit %d, %s", code, errs)
		}
		side := openSide(t, data)
		for _, text := range []string{old, printed, strings.TrimSpace(string(written))} {
			if p, err := side.Verifier.Verify(t.Context(), text); err != nil || p.Tenant != tenant || !p.Has(identity.Operator) {
				t.Errorf("%s: %v, %v", tenant, p, err)
			}
		}
		if code, _, errs := run(t, "", "keys", "first", "--data", data); code != cli.ExitFailed || !strings.Contains(errs, "another process is using") {
			t.Errorf("while it is open: exit %d, %s", code, errs)
		}
		if err := side.Close(); err != nil {
			t.Error(err)
		}
	}
	empty := t.TempDir()
	if code, _, errs := run(t, "", "keys", "first", "--data", empty); code != cli.ExitFailed || !strings.Contains(errs, "there is no store in "+empty) {
		t.Errorf("without a store: exit %d, %s", code, errs)
	}
	if left, err := os.ReadDir(empty); err != nil || len(left) != 0 {
		t.Errorf("it has made something: %v, %v", left, err)
	}
}
