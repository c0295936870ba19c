package keys_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

var shopRoles = []identity.Role{identity.Shop, identity.Books}

func records(t *testing.T) store.Store {
	t.Helper()
	return embeddedtest.Open(t, t.TempDir(), embedded.Options{})
}

func open(t *testing.T, s store.Store) *keys.Store {
	t.Helper()
	k, err := keys.Open(t.Context(), s, keys.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func create(t *testing.T, k *keys.Store, tenant string) string {
	t.Helper()
	text, err := k.Create(t.Context(), tenant, shopRoles)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func TestKeyProvesItsTenantAndRoles(t *testing.T) {
	t.Parallel()
	s := records(t)
	text := create(t, open(t, s), "shop-a")
	again := open(t, s) // as after a restart: the pepper is kept
	got, err := again.Verify(t.Context(), text)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := keys.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	want := identity.Principal{Tenant: "shop-a", KeyID: parsed.ID, Roles: shopRoles, Expires: got.Expires}
	if diff := cmp.Diff(want, got); diff != "" || got.Expires.IsZero() {
		t.Error(diff)
	}
}

func TestWrongKeysAreRefused(t *testing.T) {
	t.Parallel()
	s := records(t)
	k := open(t, s)
	text, other := create(t, k, "shop-a"), create(t, k, "shop-b")
	parts, otherParts := strings.SplitN(text, "_", 4), strings.SplitN(other, "_", 4)
	join := func(p ...string) string { return strings.Join(p, "_") }
	foreign := create(t, open(t, records(t)), "shop-a")
	for name, wrong := range map[string]string{
		"empty":                 "",
		"other tenant":          join("bw", "shop-b", parts[2], parts[3]),
		"other id":              join("bw", "shop-a", otherParts[2], parts[3]),
		"other secret":          join("bw", "shop-a", parts[2], otherParts[3]),
		"cut":                   text[:len(text)-1],
		"longer":                text + "A",
		"upper case":            strings.ToUpper(text),
		"of another store":      foreign,
		"the pepper as a key":   join("bw", "common", parts[2], parts[3]),
		"path in place of id":   join("bw", "shop-a", "../../../abc", parts[3]),
		"line end in the end":   text + "\n",
		"line end in the midst": text[:len(text)-5] + "\n" + text[len(text)-5:],
	} {
		if _, err := k.Verify(t.Context(), wrong); status.Code(err) != codes.Unauthenticated ||
			apierr.ReasonOf(err) != fitmentv1.ErrorInfo_CREDENTIAL_INVALID {
			t.Errorf("%s: %v, want UNAUTHENTICATED", name, err)
		}
	}
}

// Every single changed bit of the secret must be refused; 256 bits is few
// enough to try each.
func TestEveryBitOfTheSecretCounts(t *testing.T) {
	t.Parallel()
	k := open(t, records(t))
	key, err := keys.Parse(create(t, k, "shop-a"))
	if err != nil {
		t.Fatal(err)
	}
	for bit := range 256 {
		changed := key
		changed.Secret[bit/8] ^= 1 << (bit % 8)
		if _, err := k.Verify(t.Context(), changed.Text()); status.Code(err) != codes.Unauthenticated {
			t.Fatalf("bit %d: %v", bit, err)
		}
	}
}

// A record moved to another tenant or id proves nothing there.
func TestRecordIsBoundToItsName(t *testing.T) {
	t.Parallel()
	s := records(t)
	k := open(t, s)
	key, err := keys.Parse(create(t, k, "shop-a"))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := s.Get(t.Context(), store.Key{Tenant: "shop-a", Kind: keys.Kind, ID: key.ID})
	if err != nil {
		t.Fatal(err)
	}
	stolen := key
	stolen.Tenant = "operator"
	moved := store.Key{Tenant: "operator", Kind: keys.Kind, ID: key.ID}
	if _, err := s.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: moved, Value: kept.Value}}}); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Verify(t.Context(), stolen.Text()); status.Code(err) != codes.Unauthenticated {
		t.Errorf("a moved record was accepted: %v", err)
	}
}

func TestSecretIsNeitherStoredNorPrinted(t *testing.T) {
	t.Parallel()
	s := records(t)
	text := create(t, open(t, s), "shop-a")
	key, err := keys.Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	encoded := strings.SplitN(text, "_", 4)[3]
	all, err := s.Changes(t.Context(), 0, 100)
	if err != nil || len(all) != 3 {
		t.Fatalf("%d records, %v; want the pepper, a business and its key", len(all), err)
	}
	for _, r := range all {
		if bytes.Contains(r.Value, key.Secret[:]) || bytes.Contains(r.Value, []byte(encoded)) {
			t.Errorf("%v holds the secret", r.Key)
		}
	}
	for _, verb := range []string{"%v", "%+v", "%#v", "%s"} {
		if printed := fmt.Sprintf(verb, key); strings.Contains(printed, encoded) || !strings.Contains(printed, key.ID) {
			t.Errorf("%s prints %s", verb, printed)
		}
	}
}

func TestCreateRefusesWhatCannotBe(t *testing.T) {
	t.Parallel()
	k := open(t, records(t))
	for name, c := range map[string]struct {
		tenant string
		roles  []identity.Role
	}{
		"no tenant":    {"", shopRoles},
		"underscore":   {"shop_a", shopRoles},
		"upper case":   {"Shop", shopRoles},
		"too long":     {strings.Repeat("a", 33), shopRoles},
		"common":       {"common", shopRoles},
		"no role":      {"shop-a", nil},
		"unknown role": {"shop-a", []identity.Role{"root"}},
	} {
		if _, err := k.Create(t.Context(), c.tenant, c.roles); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestRandomnessThatFailsMakesNoKey(t *testing.T) {
	t.Parallel()
	s := records(t)
	dry := func(bytes int64) io.Reader { return io.LimitReader(rand.Reader, bytes) }
	if _, err := keys.Open(t.Context(), s, keys.Options{Random: dry(31)}); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Errorf("half a pepper: %v", err)
	}
	k, err := keys.Open(t.Context(), s, keys.Options{Random: dry(32 + 39)})
	if err != nil {
		t.Fatal(err)
	}
	if text, err := k.Create(t.Context(), "shop-a", shopRoles); !errors.Is(err, io.ErrUnexpectedEOF) || text != "" {
		t.Errorf("half a key: %q, %v", text, err)
	}
}

func TestStoreThatIsDownIsNoRefusal(t *testing.T) {
	t.Parallel()
	s, err := embedded.Open(t.TempDir(), embedded.Options{})
	if err != nil {
		t.Fatal(err)
	}
	k := open(t, s)
	text := create(t, k, "shop-a")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := k.Verify(t.Context(), text); status.Code(err) != codes.Unavailable {
		t.Errorf("%v, want UNAVAILABLE", err)
	}
}

func TestTextRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		key := keys.Key{
			Prefix: keys.TextPrefix,
			Tenant: rapid.StringMatching(`[a-z0-9-]{1,32}`).Draw(t, "tenant"),
			ID:     rapid.StringMatching(`[a-z2-7]{12}`).Draw(t, "id"),
		}
		copy(key.Secret[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "secret"))
		if got, err := keys.Parse(key.Text()); err != nil || got != key {
			t.Fatalf("%s came back as %s, %v", key.Text(), got.Text(), err)
		}
	})
}

// One key has one text: what parses prints as it was.
func FuzzParse(f *testing.F) {
	f.Add("bw_shop-a_abcdefghij23_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA")
	f.Add("bw_shop-a_abcdefghij23_AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAB")
	f.Add("bw_s_abcdefghij23_____________________________________________________")
	f.Add("bw___")
	f.Fuzz(func(t *testing.T, text string) {
		key, err := keys.Parse(text)
		if err == nil && key.Text() != text {
			t.Fatalf("%q parsed, but prints as %q", text, key.Text())
		}
	})
}

func first(dir string, replace bool) keys.First {
	return keys.First{Tenant: "operator", Roles: []identity.Role{identity.Admin}, Path: filepath.Join(dir, "sub", "admin.key"), Replace: replace}
}

func ensure(t *testing.T, k *keys.Store, f keys.First) string {
	t.Helper()
	text, err := k.EnsureFirst(t.Context(), f)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func checkFile(t *testing.T, path, want string) {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if mode := info.Mode().Perm(); mode != 0o600 {
		t.Errorf("mode %v, want 0600", mode)
	}
	if raw, err := os.ReadFile(path); err != nil || string(raw) != want+"\n" {
		t.Errorf("the file holds %q, %v; want %q", raw, err, want)
	}
}

func TestFirstKeyIsMadeOnceAndReused(t *testing.T) {
	t.Parallel()
	k, f := open(t, records(t)), first(t.TempDir(), false)
	text := ensure(t, k, f)
	checkFile(t, f.Path, text)
	if p, err := k.Verify(t.Context(), text); err != nil || p.Tenant != "operator" || !p.Has(identity.Admin) {
		t.Fatalf("%v, %v", p, err)
	}
	if err := os.Chmod(f.Path, 0o644); err != nil {
		t.Fatal(err)
	}
	if again := ensure(t, k, f); again != text {
		t.Errorf("a second start made %q", again)
	}
	checkFile(t, f.Path, text)
}

func TestLostKeyFile(t *testing.T) {
	t.Parallel()
	for _, replace := range []bool{false, true} {
		s := records(t)
		k, f := open(t, s), first(t.TempDir(), replace)
		text := ensure(t, k, f)
		if err := os.Remove(f.Path); err != nil {
			t.Fatal(err)
		}
		again := ensure(t, k, f)
		if replace == (again == "") || again == text {
			t.Errorf("replace %v: the second start answered %q", replace, again)
		}
		kept, err := s.List(t.Context(), "operator", keys.Kind, "", 10)
		if want := 1; err != nil || !replace && len(kept) != want {
			t.Errorf("replace %v: %d keys, %v", replace, len(kept), err)
		}
		if replace {
			checkFile(t, f.Path, again)
		} else if _, err := os.Stat(f.Path); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("the operator's key came back by itself: %v", err)
		}
	}
}

// A file may be all that somebody has of another store's key. It is refused, before
// there is a store and after, and nothing is made; where the store has keys already,
// it is none of its business.
func TestKeyFileOfAnotherStoreIsLeftAlone(t *testing.T) {
	t.Parallel()
	f := first(t.TempDir(), false)
	if err := f.Check(); err != nil {
		t.Errorf("no file: %v", err)
	}
	old := ensure(t, open(t, records(t)), f)
	s := records(t)
	k := open(t, s)
	for what, refused := range map[string]func() error{
		"before there is a store": f.Check,
		"on a new store": func() error {
			_, err := k.EnsureFirst(t.Context(), f)
			return err
		},
	} {
		if err := refused(); err == nil || !strings.Contains(err.Error(), f.Path+" holds a key that does not work here") {
			t.Errorf("%s: %v", what, err)
		}
	}
	checkFile(t, f.Path, old)
	if made, err := s.List(t.Context(), "operator", keys.Kind, "", 1); err != nil || len(made) > 0 {
		t.Errorf("%d keys were made, %v", len(made), err)
	}
	create(t, k, "operator")
	if text := ensure(t, k, f); text != "" {
		t.Errorf("a store with keys: %q", text)
	}
	checkFile(t, f.Path, old)
	empty := first(t.TempDir(), false)
	if err := errors.Join(os.Mkdir(filepath.Dir(empty.Path), 0o700), os.WriteFile(empty.Path, nil, 0o600)); err != nil {
		t.Fatal(err)
	}
	checkFile(t, empty.Path, ensure(t, open(t, records(t)), empty))
}

// What a demo wrote it may write again, and nothing else.
func TestDemoReplacesItsOwnKeyFileOnly(t *testing.T) {
	t.Parallel()
	f := first(t.TempDir(), true)
	old := ensure(t, open(t, records(t)), f)
	text := ensure(t, open(t, records(t)), f)
	if text == old {
		t.Error("the other store's key was kept")
	}
	checkFile(t, f.Path, text)
	k, another := open(t, records(t)), f
	another.Tenant = "shop-b"
	if _, err := k.EnsureFirst(t.Context(), another); err == nil || another.Check() == nil {
		t.Error("another business's key was overwritten")
	}
	checkFile(t, f.Path, text)
	working := create(t, k, "shop-a") // good, but of another business
	if err := os.WriteFile(f.Path, []byte(working+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := k.EnsureFirst(t.Context(), f); err == nil {
		t.Error("a working key of another business was overwritten")
	}
	checkFile(t, f.Path, working)
}

// A crash between keeping the record and naming the file must not lock the operator
// out either: the next start finds the file and names it.
func TestFirstKeyAfterACrashBetweenRecordAndName(t *testing.T) {
	t.Parallel()
	k, f := open(t, records(t)), first(t.TempDir(), false)
	text := ensure(t, k, f)
	if err := os.Rename(f.Path, f.Path+".unfinished"); err != nil {
		t.Fatal(err)
	}
	if got := ensure(t, k, f); got != text {
		t.Errorf("%q, want the key that was kept", got)
	}
	checkFile(t, f.Path, text)
}

// A crash between writing the file and keeping the record must not lock the
// operator out.
func TestFirstKeyAfterACrashBetweenFileAndRecord(t *testing.T) {
	t.Parallel()
	s := records(t)
	k, f := open(t, s), first(t.TempDir(), false)
	failing, err := keys.Open(t.Context(), writeless{s}, keys.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := failing.EnsureFirst(t.Context(), f); err == nil {
		t.Fatal("the record was not kept, and nobody said so")
	}
	text := ensure(t, k, f)
	if _, err := k.Verify(t.Context(), text); err != nil {
		t.Error(err)
	}
	checkFile(t, f.Path, text)
}

type writeless struct{ store.Store }

func (writeless) Apply(context.Context, ...store.Change) ([]store.Applied, error) {
	return nil, store.ErrClosed
}

func TestForeignFileIsLeftAlone(t *testing.T) {
	t.Parallel()
	k, f := open(t, records(t)), first(t.TempDir(), true)
	if err := os.MkdirAll(filepath.Dir(f.Path), 0o700); err != nil {
		t.Fatal(err)
	}
	const text = "something precious that is no key"
	if err := os.WriteFile(f.Path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	if _, err := k.EnsureFirst(t.Context(), f); err == nil || !strings.Contains(err.Error(), f.Path) {
		t.Errorf("%v, want an error that names the file", err)
	}
	if raw, err := os.ReadFile(f.Path); err != nil || string(raw) != text {
		t.Errorf("the file now holds %q, %v", raw, err)
	}
	if _, err := k.EnsureFirst(t.Context(), keys.First{Tenant: "operator", Roles: shopRoles}); err == nil {
		t.Error("no path: accepted")
	}
}

func TestCreationTimeComesFromTheClock(t *testing.T) {
	t.Parallel()
	s := records(t)
	day := time.Date(2031, 2, 3, 4, 5, 6, 0, time.UTC)
	k, err := keys.Open(t.Context(), s, keys.Options{Now: func() time.Time { return day }})
	if err != nil {
		t.Fatal(err)
	}
	key, err := keys.Parse(create(t, k, "shop-a"))
	if err != nil {
		t.Fatal(err)
	}
	kept, err := s.Get(t.Context(), store.Key{Tenant: "shop-a", Kind: keys.Kind, ID: key.ID})
	if err != nil || !bytes.Contains(kept.Value, []byte(`"created":"2031-02-03T04:05:06Z"`)) {
		t.Errorf("%s, %v", kept.Value, err)
	}
}
