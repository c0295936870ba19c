package keys_test

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
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
	"beltwright.example/services/fitment/keys"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

const day = 24 * time.Hour

var begin = time.Date(2031, 2, 3, 4, 5, 6, 0, time.UTC)

// clock is a clock that tests set.
type clock struct{ now time.Time }

func (c *clock) read() time.Time { return c.now }

// world is a store with keys whose clock a test sets.
type world struct {
	t       *testing.T
	records store.Store
	keys    *keys.Store
	clock   *clock
}

func newWorld(t *testing.T) world {
	t.Helper()
	w := world{t: t, records: records(t), clock: &clock{begin}}
	var err error
	if w.keys, err = keys.Open(t.Context(), w.records, keys.Options{Now: w.clock.read}); err != nil {
		t.Fatal(err)
	}
	return w
}

// draft keeps a drafted key.
func (w world) draft(wish keys.New) keys.Draft {
	w.t.Helper()
	if err := businesses.New(w.records).Ensure(w.t.Context(), wish.Business, false, w.clock.now); err != nil {
		w.t.Fatal(err)
	}
	draft, err := w.keys.Draft(wish, w.clock.now)
	if err != nil {
		w.t.Fatal(err)
	}
	w.apply(draft.Put)
	return draft
}

func (w world) apply(put store.Put) {
	w.t.Helper()
	applied, err := w.records.Apply(w.t.Context(), store.Change{Puts: []store.Put{put}})
	if err := errors.Join(err, applied[0].Err); err != nil {
		w.t.Fatal(err)
	}
}

func (w world) record(id string) store.Record {
	w.t.Helper()
	found, err := w.records.Get(w.t.Context(), store.Key{Tenant: "shop-a", Kind: keys.Kind, ID: id})
	if err != nil {
		w.t.Fatal(err)
	}
	return found
}

// business changes the record of a business.
func (w world) business(id string, change func(*fitmentv1.Business)) {
	w.t.Helper()
	b, err := businesses.New(w.records).Get(w.t.Context(), id)
	if err != nil {
		w.t.Fatal(err)
	}
	change(b)
	value, err := businesses.Encode(b)
	if err != nil {
		w.t.Fatal(err)
	}
	w.apply(store.Put{Key: businesses.KeyOf(id), Expect: store.Whatever, Value: value})
}

// refused tells whether a key is refused, as wrong and not for another reason.
func (w world) refused(text string) bool {
	w.t.Helper()
	_, err := w.keys.Verify(w.t.Context(), text)
	if err != nil && status.Code(err) != codes.Unauthenticated {
		w.t.Fatal(err)
	}
	return err != nil
}

func TestKeyEndsByItself(t *testing.T) {
	t.Parallel()
	for days, lasts := range map[int]time.Duration{0: 365 * day, 1: day, 90: 90 * day, 3650: 3650 * day} {
		w := newWorld(t)
		draft := w.draft(keys.New{Business: "shop-a", Roles: shopRoles, Days: days})
		if got := draft.Shown.GetExpireTime().AsTime(); !got.Equal(begin.Add(lasts)) {
			t.Errorf("%d days: ends %v", days, got)
		}
		text := draft.Secret.Text()
		w.clock.now = begin.Add(lasts - 1)
		if p, err := w.keys.Verify(t.Context(), text); err != nil || !p.Expires.Equal(begin.Add(lasts)) {
			t.Errorf("%d days: just before its end: %v, %v", days, p.Expires, err)
		}
		w.clock.now = begin.Add(lasts)
		if !w.refused(text) {
			t.Errorf("%d days: accepted at its end", days)
		}
	}
}

// A key of a release that noted no end lasts as long as the longest key.
func TestKeyOfAnEarlierReleaseEndsToo(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	draft := w.draft(keys.New{Business: "shop-a", Roles: shopRoles, Label: "x", Creator: "y"})
	var all map[string]any
	if err := json.Unmarshal(w.record(draft.Secret.ID).Value, &all); err != nil {
		t.Fatal(err)
	}
	old, err := json.Marshal(map[string]any{"digest": all["digest"], "roles": all["roles"], "created": all["created"]})
	if err != nil {
		t.Fatal(err)
	}
	w.apply(store.Put{Key: draft.Put.Key, Expect: store.Whatever, Value: old})
	w.clock.now = begin.Add(3650*day - 1)
	if w.refused(draft.Secret.Text()) {
		t.Error("refused before ten years are over")
	}
	w.clock.now = begin.Add(3650 * day)
	if !w.refused(draft.Secret.Text()) {
		t.Error("accepted after ten years")
	}
}

func TestRevokedKeyIsRefusedFromThenOn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	kept, other := w.draft(keys.New{Business: "shop-a", Roles: shopRoles}), w.draft(keys.New{Business: "shop-a", Roles: shopRoles})
	put, shown, err := keys.Revoke(w.record(kept.Secret.ID), begin.Add(time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if w.refused(kept.Secret.Text()) {
		t.Fatal("refused before the revocation was written")
	}
	w.apply(put)
	if !w.refused(kept.Secret.Text()) || w.refused(other.Secret.Text()) {
		t.Error("the revoked key is accepted, or another one is not")
	}
	w.clock.now = begin.Add(-day) // clocks go back; a revocation does not
	if !w.refused(kept.Secret.Text()) {
		t.Error("accepted again after the clock went back")
	}
	_, again, err := keys.Revoke(w.record(kept.Secret.ID), begin.Add(5*time.Hour))
	if err != nil || !again.GetRevokeTime().AsTime().Equal(begin.Add(time.Hour)) || shown.GetRevokeTime() == nil {
		t.Errorf("revoked twice: %v, %v", again.GetRevokeTime().AsTime(), err)
	}
}

func TestBusinessThatIsShutOutHasNoKeys(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	text := w.draft(keys.New{Business: "shop-a", Roles: shopRoles}).Secret.Text()
	w.business("shop-a", func(b *fitmentv1.Business) { b.Suspended = true })
	if !w.refused(text) {
		t.Error("accepted although its business is shut out")
	}
	w.business("shop-a", func(b *fitmentv1.Business) { b.Suspended = false })
	if w.refused(text) {
		t.Error("refused although its business is let in again")
	}
}

// A desk that a business loses its keys lose, and only the record of the business
// makes an operator.
func TestDesksFollowTheBusiness(t *testing.T) {
	t.Parallel()
	all := identity.Desks()
	for name, c := range map[string]struct {
		granted  []identity.Role
		has      []string
		operator bool
		want     []identity.Role
	}{
		"all":                    {all, []string{"yard", "shop", "books", "admin"}, false, all},
		"a desk was taken":       {shopRoles, []string{"shop", "admin"}, false, []identity.Role{identity.Shop}},
		"no desk is left":        {shopRoles, []string{"yard"}, false, nil},
		"a desk was given":       {[]identity.Role{identity.Shop}, []string{"yard", "shop"}, false, []identity.Role{identity.Shop}},
		"operator":               {[]identity.Role{identity.Admin}, []string{"admin"}, true, []identity.Role{identity.Admin, identity.Operator}},
		"operator without admin": {shopRoles, []string{"shop", "admin"}, true, []identity.Role{identity.Shop}},
		"admin taken":            {[]identity.Role{identity.Admin, identity.Shop}, []string{"shop"}, true, []identity.Role{identity.Shop}},
	} {
		w := newWorld(t)
		text := w.draft(keys.New{Business: "shop-a", Roles: c.granted}).Secret.Text()
		w.business("shop-a", func(b *fitmentv1.Business) { b.Roles, b.Operator = c.has, c.operator })
		p, err := w.keys.Verify(t.Context(), text)
		if !slices.Equal(p.Roles, c.want) || (err == nil) != (c.want != nil) {
			t.Errorf("%s: %v, %v", name, p.Roles, err)
		}
	}
}

// A record that names the operator's role, whoever wrote it, does not give it.
func TestOperatorIsNoRoleOfAKey(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	if _, err := w.keys.Draft(keys.New{Business: "shop-a", Roles: []identity.Role{identity.Operator}}, begin); err == nil {
		t.Error("a key was drafted for the operator's role")
	}
	draft := w.draft(keys.New{Business: "shop-a", Roles: []identity.Role{identity.Admin}})
	forged := strings.Replace(string(w.record(draft.Secret.ID).Value), `"admin"`, `"admin","operator"`, 1)
	w.apply(store.Put{Key: draft.Put.Key, Expect: store.Whatever, Value: []byte(forged)})
	w.business("shop-a", func(b *fitmentv1.Business) { b.Roles = append(b.Roles, "operator") })
	p, err := w.keys.Verify(t.Context(), draft.Secret.Text())
	if err != nil || p.Has(identity.Operator) || !p.Has(identity.Admin) {
		t.Errorf("%v, %v", p.Roles, err)
	}
}

// TestKeyCountsExactlyWhile draws everything that ends a key and expects it to be
// accepted exactly where nothing does.
func TestKeyCountsExactlyWhile(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	rapid.Check(t, func(rt *rapid.T) {
		w.clock.now = begin
		days := rapid.IntRange(1, 3650).Draw(rt, "days")
		granted := rapid.SliceOfNDistinct(rapid.SampledFrom(identity.Desks()), 1, 4, func(r identity.Role) identity.Role { return r }).Draw(rt, "granted")
		has := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"yard", "shop", "books", "admin"}), 1, 4, func(r string) string { return r }).Draw(rt, "has")
		suspended, revoked := rapid.Bool().Draw(rt, "suspended"), rapid.Bool().Draw(rt, "revoked")
		at := begin.Add(time.Duration(rapid.Int64Range(0, int64(4000*day)).Draw(rt, "at")))
		draft := w.draft(keys.New{Business: "shop-a", Roles: granted, Days: days})
		if revoked {
			put, _, err := keys.Revoke(w.record(draft.Secret.ID), begin)
			if err != nil {
				rt.Fatal(err)
			}
			w.apply(put)
		}
		w.business("shop-a", func(b *fitmentv1.Business) { b.Roles, b.Suspended = has, suspended })
		w.clock.now = at
		shared := slices.ContainsFunc(granted, func(r identity.Role) bool { return slices.Contains(has, string(r)) })
		want := !suspended && !revoked && shared && at.Before(begin.Add(time.Duration(days)*day))
		if got := !w.refused(draft.Secret.Text()); got != want {
			rt.Fatalf("accepted: %v, want %v", got, want)
		}
	})
}

func TestKeyAsCallersSeeIt(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	draft := w.draft(keys.New{Business: "shop-a", Label: "front desk", Roles: shopRoles, Creator: "people/shop-a.ann", Days: 10})
	want := &fitmentv1.Key{
		Name: "keys/shop-a." + draft.Secret.ID, Business: "shop-a", Label: "front desk", Roles: []string{"shop", "books"},
		Prefix: "bw_shop-a_" + draft.Secret.ID + "_", Creator: "people/shop-a.ann",
		CreateTime: timestamppb.New(begin), ExpireTime: timestamppb.New(begin.Add(10 * day)),
	}
	stored, err := keys.Show(w.record(draft.Secret.ID))
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]*fitmentv1.Key{"drafted": draft.Shown, "stored": stored} {
		if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	if business, id, ok := keys.ParseName(want.GetName()); !ok || business != "shop-a" || id != draft.Secret.ID {
		t.Errorf("%s is read as %q, %q, %v", want.GetName(), business, id, ok)
	}
}

func TestDraftRefusesWhatIsWrong(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	good := keys.New{Business: "shop-a", Roles: shopRoles}
	for want, spoil := range map[string]func(*keys.New){
		"tenant":       func(n *keys.New) { n.Business = "Shop A" },
		`"common"`:     func(n *keys.New) { n.Business = "common" },
		"no role":      func(n *keys.New) { n.Roles = nil },
		`role "clerk"`: func(n *keys.New) { n.Roles = []identity.Role{"clerk"} },
		"3651 days":    func(n *keys.New) { n.Days = 3651 },
		"-1 days":      func(n *keys.New) { n.Days = -1 },
	} {
		wish := good
		spoil(&wish)
		if _, err := w.keys.Draft(wish, begin); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", wish, err, want)
		}
	}
}

// counting counts changes.
type counting struct {
	store.Store

	applied int
}

func (c *counting) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	c.applied += len(changes)
	return c.Store.Apply(ctx, changes...)
}

// A day of use is written once, without the call waiting for it, and does not bring a
// key back that was revoked meanwhile.
func TestUseIsNotedOnceADay(t *testing.T) {
	t.Parallel()
	plain := newWorld(t)
	counted := &counting{Store: plain.records}
	k, err := keys.Open(t.Context(), counted, keys.Options{Now: plain.clock.read})
	if err != nil {
		t.Fatal(err)
	}
	draft := plain.draft(keys.New{Business: "shop-a", Roles: shopRoles})
	use := func(times int) {
		t.Helper()
		for range times {
			if _, err := k.Verify(t.Context(), draft.Secret.Text()); err != nil {
				t.Fatal(err)
			}
		}
	}
	used := func() string {
		shown, err := keys.Show(plain.record(draft.Secret.ID))
		if err != nil {
			t.Fatal(err)
		}
		return shown.GetLastUsedDay()
	}
	use(1000) // more than wait: nobody writes yet, and no call waits
	if counted.applied != 0 || used() != "" {
		t.Fatalf("%d changes and %q before anybody writes", counted.applied, used())
	}
	writeAll(t, k, func() bool { return used() == "2031-02-03" })
	if counted.applied != 1 {
		t.Errorf("%d changes for one day", counted.applied)
	}
	use(10)
	plain.clock.now = begin.Add(-day)
	use(10) // a clock that went back notes nothing
	plain.clock.now = begin.Add(day)
	use(10)
	writeAll(t, k, func() bool { return used() == "2031-02-04" })
	if counted.applied != 2 {
		t.Errorf("%d changes for two days", counted.applied)
	}
	plain.clock.now = begin.Add(2 * day)
	use(1)
	put, _, err := keys.Revoke(plain.record(draft.Secret.ID), plain.clock.now)
	if err != nil {
		t.Fatal(err)
	}
	plain.apply(put)
	writeAll(t, k, func() bool { return used() == "2031-02-05" })
	if !plain.refused(draft.Secret.Text()) {
		t.Error("noting a use brought a revoked key back")
	}
}

// writeAll runs the writer until done says so and nothing waits any more.
func writeAll(t *testing.T, k *keys.Store, done func() bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	ended := make(chan error)
	go func() { ended <- k.Run(ctx) }()
	for (!done() || k.Waiting() > 0) && ctx.Err() == nil {
		time.Sleep(time.Millisecond) //nolint:forbidigo // a short wait for another goroutine
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	if !done() {
		t.Fatal("the use was never noted")
	}
}

// The key that ended first gives way, however it ended, and one that counts never does.
func TestWhichKeyGivesWay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	gives := func() string {
		t.Helper()
		put, found, err := w.keys.GiveWay(t.Context(), "shop-a", w.clock.now)
		if err != nil || found != (put.Key.ID != "") {
			t.Fatal(found, put.Key, err)
		}
		if found {
			w.apply(put)
		}
		return put.Key.ID
	}
	revoke := func(id string) {
		t.Helper()
		put, _, err := keys.Revoke(w.record(id), w.clock.now)
		if err != nil {
			t.Fatal(err)
		}
		w.apply(put)
	}
	var drafts []keys.Draft
	for _, days := range []int{300, 10, 20, 300, 5} {
		drafts = append(drafts, w.draft(keys.New{Business: "shop-a", Roles: shopRoles, Days: days}))
	}
	w.draft(keys.New{Business: "shop-b", Roles: shopRoles, Days: 1})
	if id := gives(); id != "" {
		t.Errorf("%s gives way, which counts", id)
	}
	w.clock.now = begin.Add(7 * day)
	revoke(drafts[3].Secret.ID)
	w.clock.now = begin.Add(8 * day)
	revoke(drafts[4].Secret.ID) // it had ended three days before
	w.clock.now = begin.Add(200 * day)
	var order []string
	for id := gives(); id != ""; id = gives() {
		order = append(order, id)
	}
	want := []string{drafts[4].Secret.ID, drafts[3].Secret.ID, drafts[1].Secret.ID, drafts[2].Secret.ID}
	if diff := cmp.Diff(want, order); diff != "" {
		t.Errorf("keys that gave way (-want +got):\n%s", diff)
	}
	if !w.refused(drafts[4].Secret.Text()) || w.refused(drafts[0].Secret.Text()) {
		t.Error("a forgotten key counts, or one that counts was forgotten")
	}
}

// Who starts without a file is told the key, once.
func TestFirstKeyIsToldOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var told []string
	first := keys.First{Tenant: "operator", Roles: identity.Desks(), Tell: func(text string) error {
		told = append(told, text)
		return nil
	}}
	text := ensure(t, w.keys, first)
	if len(told) != 1 || told[0] != text {
		t.Fatalf("told %d times", len(told))
	}
	p, err := w.keys.Verify(t.Context(), text)
	if err != nil || !p.Has(identity.Operator) {
		t.Errorf("%v, %v; want the operator", p.Roles, err)
	}
	if again := ensure(t, w.keys, first); again != "" || len(told) != 1 {
		t.Errorf("a second start told again: %q", again)
	}
	another, err := w.keys.MakeFirst(t.Context(), first)
	if err != nil || another == text || len(told) != 2 || w.refused(another) || w.refused(text) {
		t.Errorf("another key on demand: %v, told %d times", err, len(told))
	}
	broken := errors.New("the terminal is gone")
	first.Tell = func(string) error { return broken }
	before, err := w.records.List(t.Context(), "operator", keys.Kind, "", 10)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.keys.MakeFirst(t.Context(), first); !errors.Is(err, broken) {
		t.Errorf("nobody could be told: %v", err)
	}
	if after, err := w.records.List(t.Context(), "operator", keys.Kind, "", 10); err != nil || len(after) != len(before) {
		t.Errorf("a key that nobody was told is kept: %d, %v", len(after), err)
	}
}

// One name names one key.
func FuzzParseName(f *testing.F) {
	for _, seed := range []string{"keys/shop-a.abcdefghij23", "keys/shop-a.", "keys/.abcdefghij23", "keys/common.abcdefghij23", "keys/a.b.abcdefghij23", "people/shop-a.abcdefghij23", "keys/shop-a.abcdefghij23\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, name string) {
		business, id, ok := keys.ParseName(name)
		if ok && ("keys/"+business+"."+id != name || !businesses.ValidID(business) || len(id) != 12) {
			t.Fatalf("%q is read as %q and %q", name, business, id)
		}
	})
}

func BenchmarkVerify(b *testing.B) {
	s, err := embedded.Open(b.TempDir(), embedded.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	}()
	k, err := keys.Open(b.Context(), s, keys.Options{})
	if err != nil {
		b.Fatal(err)
	}
	text, err := k.Create(b.Context(), "shop-a", shopRoles)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := k.Verify(b.Context(), text); err != nil {
			b.Fatal(err)
		}
	}
}
