package businesses_test

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
)

var begin = time.Date(2031, 2, 3, 4, 5, 6, 0, time.UTC)

func records(t *testing.T) store.Store {
	t.Helper()
	return embeddedtest.Open(t, t.TempDir(), embedded.Options{})
}

func put(t *testing.T, s store.Store, key store.Key, value []byte) {
	t.Helper()
	applied, err := s.Apply(t.Context(), store.Change{Puts: []store.Put{{Key: key, Expect: store.Whatever, Value: value}}})
	if err := errors.Join(err, applied[0].Err); err != nil {
		t.Fatal(err)
	}
}

func keep(t *testing.T, s store.Store, b *fitmentv1.Business) {
	t.Helper()
	value, err := businesses.Encode(b)
	if err != nil {
		t.Fatal(err)
	}
	put(t, s, businesses.KeyOf(b.GetId()), value)
}

// TestRolesGiveNoMoreThanBothSay: what a credential may do is what it was given and its
// business has; and the operator's role comes from the business alone, with admin.
func TestRolesGiveNoMoreThanBothSay(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		any4 := rapid.SliceOf(rapid.SampledFrom([]string{"yard", "shop", "books", "admin", "operator", "root", ""}))
		granted, has := any4.Draw(t, "granted"), any4.Draw(t, "has")
		operator := rapid.Bool().Draw(t, "operator")
		given := make([]identity.Role, 0, len(granted))
		for _, role := range granted {
			given = append(given, identity.Role(role))
		}
		got := businesses.Roles(&fitmentv1.Business{Roles: has, Operator: operator}, given)
		for _, role := range append(identity.Desks(), identity.Operator, "root", "") {
			want := identity.IsDesk(role) && slices.Contains(granted, string(role)) && slices.Contains(has, string(role))
			if role == identity.Operator {
				want = operator && slices.Contains(granted, "admin") && slices.Contains(has, "admin")
			}
			if slices.Contains(got, role) != want {
				t.Fatalf("%q: %v, want %v; all: %v", role, !want, want, got)
			}
		}
		if compact := slices.Compact(slices.Clone(got)); len(compact) != len(got) {
			t.Fatalf("%v names one twice", got)
		}
	})
}

func TestBusinessComesBackAsItWasKept(t *testing.T) {
	t.Parallel()
	s := records(t)
	b := &fitmentv1.Business{Id: "shop-a", DisplayName: "Shop A", Roles: []string{"shop"}, Suspended: true, CreateTime: timestamppb.New(begin)}
	keep(t, s, b)
	got, err := businesses.New(s).Get(t.Context(), "shop-a")
	if err != nil || got.GetEtag() == "" {
		t.Fatalf("%v, %v", got, err)
	}
	b.Name, b.Etag = "businesses/shop-a", got.GetEtag()
	if diff := cmp.Diff(b, got, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	for _, id := range []string{"shop-b", "", "common", "Shop", "shop-a\x00"} {
		if _, err := businesses.New(s).Get(t.Context(), id); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%q: %v, want none", id, err)
		}
	}
	put(t, s, businesses.KeyOf("torn"), []byte{0xff})
	if _, err := businesses.New(s).Get(t.Context(), "torn"); err == nil || errors.Is(err, store.ErrNotFound) {
		t.Errorf("a record that cannot be read: %v", err)
	}
}

func TestAdmit(t *testing.T) {
	t.Parallel()
	s := records(t)
	shop := []identity.Role{identity.Shop}
	keep(t, s, &fitmentv1.Business{Id: "good", Roles: []string{"shop", "admin"}})
	keep(t, s, &fitmentv1.Business{Id: "out", Roles: []string{"shop"}, Suspended: true})
	keep(t, s, &fitmentv1.Business{Id: "yard", Roles: []string{"yard"}})
	known := businesses.New(s)
	for id, good := range map[string]bool{"good": true, "out": false, "yard": false, "nobody": false, "common": false} {
		roles, err := known.Admit(t.Context(), id, shop)
		if good != (err == nil) || good != slices.Equal(roles, shop) {
			t.Errorf("%s: %v, %v", id, roles, err)
		}
		if !good && (status.Code(err) != codes.Unauthenticated || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_CREDENTIAL_INVALID) {
			t.Errorf("%s: %v, want UNAUTHENTICATED", id, err)
		}
	}
	if _, err := businesses.New(down{s}).Admit(t.Context(), "good", shop); status.Code(err) != codes.Unavailable {
		t.Errorf("a store that is down: %v, want UNAVAILABLE", err)
	}
}

// down is a store that does not answer.
type down struct{ store.Store }

func (down) Get(context.Context, store.Key) (store.Record, error) {
	return store.Record{}, store.ErrClosed
}

func TestEnsureMakesOnce(t *testing.T) {
	t.Parallel()
	s := records(t)
	known := businesses.New(s)
	for range 2 {
		if err := known.Ensure(t.Context(), "operator", true, begin); err != nil {
			t.Fatal(err)
		}
		begin := begin.Add(time.Hour) // no second one replaces the first
		if err := known.Ensure(t.Context(), "operator", false, begin); err != nil {
			t.Fatal(err)
		}
	}
	b, err := known.Get(t.Context(), "operator")
	if err != nil || !b.GetOperator() || !b.GetCreateTime().AsTime().Equal(begin) || len(b.GetRoles()) != 4 {
		t.Errorf("%v, %v", b, err)
	}
	for _, id := range []string{"common", "", "Big"} {
		if err := known.Ensure(t.Context(), id, false, begin); err == nil {
			t.Errorf("%q: made", id)
		}
	}
}

// TestAdoptMakesTheBusinessesOfAnEarlierRelease from the keys that it left, whatever
// lies between them.
func TestAdoptMakesTheBusinessesOfAnEarlierRelease(t *testing.T) {
	t.Parallel()
	s := records(t)
	known := businesses.New(s)
	if err := known.Adopt(t.Context(), "key", nil, begin); err != nil {
		t.Fatal(err)
	}
	var changes []store.Change
	for n := range 2500 { // more than is read at once
		tenant := []string{"operator", "shop-a", "shop-b"}[n%3]
		kind := "listing"
		if n%50 == 0 && tenant != "shop-b" {
			kind = "key"
		}
		key := store.Key{Tenant: tenant, Kind: kind, ID: strconv.Itoa(n)}
		changes = append(changes, store.Change{Puts: []store.Put{{Key: key, Value: []byte("x")}}})
	}
	if _, err := s.Apply(t.Context(), changes...); err != nil {
		t.Fatal(err)
	}
	put(t, s, store.Key{Tenant: "common", Kind: "key", ID: "x"}, nil)
	if err := known.Adopt(t.Context(), "key", []string{"operator", "demo-shop"}, begin); err != nil {
		t.Fatal(err)
	}
	for id, operator := range map[string]bool{"operator": true, "shop-a": false} {
		b, err := known.Get(t.Context(), id)
		if err != nil || b.GetOperator() != operator || b.GetSuspended() || len(b.GetRoles()) != 4 {
			t.Errorf("%s: %v, %v", id, b, err)
		}
	}
	for _, id := range []string{"shop-b", "demo-shop"} {
		if _, err := known.Get(t.Context(), id); !errors.Is(err, store.ErrNotFound) {
			t.Errorf("%s has no key and became a business: %v", id, err)
		}
	}
	// Once there is a business, nothing is adopted any more.
	put(t, s, store.Key{Tenant: "shop-b", Kind: "key", ID: "late"}, []byte("x"))
	if err := known.Adopt(t.Context(), "key", []string{"shop-b"}, begin); err != nil {
		t.Fatal(err)
	}
	if _, err := known.Get(t.Context(), "shop-b"); !errors.Is(err, store.ErrNotFound) {
		t.Errorf("adopted twice: %v", err)
	}
}

func TestOperatorIsFound(t *testing.T) {
	t.Parallel()
	s := records(t)
	known := businesses.New(s)
	find := func(preferred, want string) {
		t.Helper()
		if got, err := known.Operator(t.Context(), preferred); err != nil || got != want {
			t.Errorf("%q, %v; want %q", got, err, want)
		}
	}
	find("operator", "")
	keep(t, s, &fitmentv1.Business{Id: "operator"})
	find("operator", "")
	keep(t, s, &fitmentv1.Business{Id: "zeta", Operator: true})
	keep(t, s, &fitmentv1.Business{Id: "demo-shop", Operator: true})
	find("operator", "demo-shop")
	find("zeta", "zeta")
	keep(t, s, &fitmentv1.Business{Id: "operator", Operator: true})
	find("operator", "operator")
}

func TestDesksAreChecked(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"yard":                      "",
		"yard,shop,books,admin":     "",
		"":                          "roles",
		"operator":                  "roles[0]",
		"yard,operator":             "roles[1]",
		"yard,yard":                 "roles[1]",
		"Yard":                      "roles[0]",
		"yard,shop,books,admin,x,y": "roles[4]",
	} {
		var roles []string
		if text != "" {
			roles = strings.Split(text, ",")
		}
		var fields check.Fields
		businesses.CheckDesks("roles", roles, &fields)
		got := ""
		if v := fields.Violations(); len(v) > 0 {
			got = v[0].Field
		}
		if got != want {
			t.Errorf("%q: %q is wrong, want %q", text, got, want)
		}
		if len(fields.Violations()) > 2 {
			t.Errorf("%q: %d violations of a list that never ends", text, len(fields.Violations()))
		}
	}
}

// FuzzDecode: whatever a record holds is read or refused, and what is read is kept the
// same.
func FuzzDecode(f *testing.F) {
	value, err := businesses.Encode(&fitmentv1.Business{Id: "shop-a", DisplayName: "Shop A", Roles: []string{"shop"}, Operator: true})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(value)
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, value []byte) {
		b, err := businesses.Decode(store.Record{Version: 7, Value: value})
		if err != nil {
			return
		}
		again, err := businesses.Encode(b)
		if err != nil {
			t.Fatal(err)
		}
		second, err := businesses.Decode(store.Record{Version: 7, Value: again})
		if diff := cmp.Diff(b, second, protocmp.Transform()); err != nil || diff != "" {
			t.Fatalf("%v: %s", err, diff)
		}
	})
}
