package quota_test

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/quota"
	"beltwright.example/services/store/storetest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// suiteKinds are the kinds of the conformance suite.
func suiteKinds(most int) []store.Counted {
	return []store.Counted{{Kind: "listing", Name: "listings", Limit: most}, {Kind: "k", Name: "ks", Limit: most}, {Kind: "b", Name: "bs"}}
}

// TestConformance: a store that counts keeps every promise of one that does not.
func TestConformance(t *testing.T) {
	t.Parallel()
	storetest.Run(t, func(t *testing.T, now func() time.Time) (store.Store, func() store.Store) {
		t.Helper()
		dir := t.TempDir()
		s := open(t, dir, embedded.Options{Now: now, NoSync: true}, suiteKinds(1_000_000))
		return s, func() store.Store {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = open(t, dir, embedded.Options{Now: now, NoSync: true}, suiteKinds(1_000_000))
			return s
		}
	})
}

func open(t *testing.T, dir string, options embedded.Options, kinds []store.Counted, overrides ...quota.Override) *quota.Store {
	t.Helper()
	inner, err := embedded.Open(dir, options)
	if err != nil {
		t.Fatal(err)
	}
	s, err := quota.Open(t.Context(), inner, kinds, overrides)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func three(t *testing.T, overrides ...quota.Override) *quota.Store {
	t.Helper()
	kinds := []store.Counted{{Kind: "need", Name: "needs", Limit: 3}, {Kind: "quote", Name: "quotes", Limit: 2}}
	return open(t, t.TempDir(), embedded.Options{NoSync: true}, kinds, overrides...)
}

func need(tenant, id, value string, expect int64) store.Put {
	return store.Put{Key: store.Key{Tenant: tenant, Kind: "need", ID: id}, Expect: expect, Value: []byte(value)}
}

func apply(t *testing.T, s store.Store, changes ...store.Change) []store.Applied {
	t.Helper()
	applied, err := s.Apply(t.Context(), changes...)
	if err != nil || len(applied) != len(changes) {
		t.Fatalf("%v, %v", applied, err)
	}
	return applied
}

func one(t *testing.T, s store.Store, puts ...store.Put) store.Applied {
	t.Helper()
	return apply(t, s, store.Change{Puts: puts})[0]
}

func TestABusinessKeepsSoManyAndNoMore(t *testing.T) {
	t.Parallel()
	s := three(t, quota.Override{Business: "big", Name: "needs", Limit: 5}, quota.Override{Business: "free", Name: "needs"})
	for tenant, want := range map[string]int{"small": 3, "big": 5, "free": 20} {
		kept := 0
		for i := range 20 {
			applied := one(t, s, need(tenant, strconv.Itoa(i), "x", store.Absent))
			if applied.Err == nil {
				kept++
				continue
			}
			var quotaError *store.QuotaError
			if !errors.As(applied.Err, &quotaError) || !errors.Is(applied.Err, store.ErrQuota) || quotaError.Kind != "needs" || quotaError.Limit != want || quotaError.Owner != tenant {
				t.Fatalf("%s: %v", tenant, applied.Err)
			}
		}
		if got, err := s.List(t.Context(), tenant, "need", "", 100); err != nil || len(got) != want || kept != want || s.Count(tenant, "need") != want {
			t.Errorf("%s keeps %d (%v), was told %d, is counted %d; want %d", tenant, len(got), err, kept, s.Count(tenant, "need"), want)
		}
	}
	if applied := one(t, s, store.Put{Key: store.Key{Tenant: "small", Kind: "other", ID: "1"}, Value: []byte("x")}); applied.Err != nil {
		t.Errorf("a kind that is not counted: %v", applied.Err)
	}
}

func TestWhatIsThereMayBeChangedAndWhatWasEmptiedIsFree(t *testing.T) {
	t.Parallel()
	s := three(t)
	versions := map[string]int64{}
	for _, id := range []string{"1", "2", "3"} {
		versions[id] = one(t, s, need("a", id, "x", store.Absent)).Versions[0]
	}
	if applied := one(t, s, need("a", "1", "changed", versions["1"])); applied.Err != nil {
		t.Errorf("a change: %v", applied.Err)
	}
	if applied := one(t, s, need("a", "2", "", versions["2"])); applied.Err != nil || s.Count("a", "need") != 2 {
		t.Errorf("an emptied record: %v, %d are counted", applied.Err, s.Count("a", "need"))
	} else {
		versions["2"] = applied.Versions[0]
	}
	if applied := one(t, s, need("a", "4", "x", store.Absent)); applied.Err != nil {
		t.Errorf("in its room: %v", applied.Err)
	}
	if applied := one(t, s, need("a", "2", "again", versions["2"])); !errors.Is(applied.Err, store.ErrQuota) {
		t.Errorf("filling it again, one too many: %v", applied.Err)
	}
	if applied := one(t, s, need("a", "5", "x", store.Whatever)); !errors.Is(applied.Err, store.ErrQuota) {
		t.Errorf("whatever is there, and nothing is: %v", applied.Err)
	}
	if applied := one(t, s, need("a", "4", "y", store.Whatever)); applied.Err != nil || s.Count("a", "need") != 3 {
		t.Errorf("whatever is there, and something is: %v, %d", applied.Err, s.Count("a", "need"))
	}
}

// What the store would answer anyway comes before the quota.
func TestAFullBusinessIsAnsweredAsBefore(t *testing.T) {
	t.Parallel()
	s := three(t)
	first := store.Change{
		Tenant: "a", RequestID: "r", Fingerprint: [32]byte{1}, Answer: []byte("made"), Puts: []store.Put{need("a", "1", "x", store.Absent)},
	}
	made := apply(t, s, first)[0]
	one(t, s, need("a", "2", "x", store.Absent))
	one(t, s, need("a", "3", "x", store.Absent))
	if again := apply(t, s, first)[0]; again.Err != nil || !again.Replayed || string(again.Answer) != "made" || again.Versions[0] != made.Versions[0] {
		t.Errorf("a repeat: %+v", again)
	}
	other := first
	other.Fingerprint = [32]byte{2}
	if again := apply(t, s, other)[0]; !errors.Is(again.Err, store.ErrRequestReused) {
		t.Errorf("its request id for something else: %v", again.Err)
	}
	if applied := one(t, s, need("a", "2", "y", store.Absent)); !errors.Is(applied.Err, store.ErrConflict) {
		t.Errorf("a record that is there: %v", applied.Err)
	}
	fresh := store.Change{Tenant: "a", RequestID: "s", Fingerprint: [32]byte{3}, Puts: []store.Put{need("a", "4", "x", store.Absent)}}
	if applied := apply(t, s, fresh)[0]; !errors.Is(applied.Err, store.ErrQuota) {
		t.Errorf("a new one: %v", applied.Err)
	}
	if seen, err := s.Seen(t.Context(), "a", "s", [32]byte{3}); err != nil || seen.Replayed {
		t.Errorf("the refused request is kept: %+v, %v", seen, err)
	}
	two := one(t, s, need("a", "4", "x", store.Absent), store.Put{Key: store.Key{Tenant: "a", Kind: "quote", ID: "1"}, Value: []byte("x")})
	if _, err := s.Get(t.Context(), store.Key{Tenant: "a", Kind: "quote", ID: "1"}); !errors.Is(two.Err, store.ErrQuota) || !errors.Is(err, store.ErrNotFound) {
		t.Errorf("two records, one too many: %v; the other one: %v", two.Err, err)
	}
	mixed := apply(t, s, store.Change{Puts: []store.Put{need("a", "5", "x", store.Absent)}}, store.Change{Puts: []store.Put{need("b", "1", "x", store.Absent)}})
	if !errors.Is(mixed[0].Err, store.ErrQuota) || mixed[1].Err != nil || len(mixed[1].Versions) != 1 {
		t.Errorf("two changes, the first refused: %+v", mixed)
	}
}

// As many at once as like: exactly the limit goes through, also where callers go
// before they have their answer. The control counts first and writes then, without
// one lock around both, as a handler would.
func TestTheLimitIsExactUnderConcurrency(t *testing.T) {
	t.Parallel()
	const limit, writers, each = 50, 16, 40
	kinds := []store.Counted{{Kind: "need", Name: "needs", Limit: limit}}
	for name, control := range map[string]bool{"counted": false, "control: look, then write": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := open(t, t.TempDir(), embedded.Options{NoSync: true}, kinds)
			var target store.Store = s
			if control {
				target = lookThenWrite{Store: s.Store, limit: limit}
			}
			var all sync.WaitGroup
			for w := range writers {
				all.Go(func() {
					for i := range each {
						ctx, cancel := context.WithTimeout(t.Context(), time.Duration(1+(w*each+i)%9)*100*time.Microsecond)
						if i%2 == 0 {
							cancel()
							ctx, cancel = context.WithCancel(t.Context())
						}
						_, err := target.Apply(ctx, store.Change{Puts: []store.Put{need("a", fmt.Sprint(w, "-", i), "x", store.Absent)}})
						cancel()
						if err != nil && !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, context.Canceled) {
							t.Errorf("%v", err)
						}
					}
				})
			}
			all.Wait()
			// Writes whose callers have gone may still be under way: one more has to wait
			// for them, and is refused.
			if !control {
				for s.Working() > 0 {
					if err := s.Wait(t.Context(), 0); err != nil {
						t.Fatal(err)
					}
				}
			}
			got, err := s.List(t.Context(), "a", "need", "", 10_000)
			if err != nil {
				t.Fatal(err)
			}
			if !control && (len(got) != limit || s.Count("a", "need") != limit) {
				t.Errorf("%d are kept and %d counted, want %d", len(got), s.Count("a", "need"), limit)
			}
			if control && len(got) <= limit {
				t.Errorf("the control keeps %d of %d: this test finds nothing", len(got), limit)
			}
		})
	}
}

// lookThenWrite is a quota as one would write it in a handler.
type lookThenWrite struct {
	store.Store

	limit int
}

func (l lookThenWrite) Apply(ctx context.Context, changes ...store.Change) ([]store.Applied, error) {
	kept, err := l.List(ctx, "a", "need", "", l.limit)
	if err != nil {
		return nil, err
	}
	if len(kept) >= l.limit {
		return []store.Applied{{Err: &store.QuotaError{}}}, nil
	}
	return l.Store.Apply(ctx, changes...)
}

// Random changes, of several records, with all expectations, emptied and filled
// again, repeated and reopened: what is counted is what is there, and no limit is
// passed.
func TestCountsAreWhatIsThere(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		limits := map[string]int{"need": rapid.IntRange(1, 5).Draw(r, "needs"), "quote": rapid.IntRange(1, 4).Draw(r, "quotes")}
		kinds := []store.Counted{
			{Kind: "need", Name: "needs", Limit: limits["need"]},
			{Kind: "quote", Name: "quotes", Limit: limits["quote"], Owner: func(record store.Record) (string, error) {
				owner, _, ok := strings.Cut(string(record.Value), "|")
				if !ok {
					return "", fmt.Errorf("%q names no owner", record.Value)
				}
				return owner, nil
			}},
		}
		dir := t.TempDir()
		s := open(t, dir, embedded.Options{NoSync: true}, kinds)
		for range rapid.IntRange(1, 40).Draw(r, "steps") {
			if rapid.IntRange(0, 19).Draw(r, "reopen") == 0 {
				if err := s.Close(); err != nil {
					r.Fatal(err)
				}
				s = open(t, dir, embedded.Options{NoSync: true}, kinds)
			}
			changes := make([]store.Change, rapid.IntRange(1, 3).Draw(r, "changes"))
			for i := range changes {
				changes[i] = drawChange(t, r, s)
			}
			if _, err := s.Apply(t.Context(), changes...); err != nil {
				r.Fatal(err)
			}
			check(t, r, s, limits)
		}
	})
}

func drawChange(t *testing.T, r *rapid.T, s *quota.Store) store.Change {
	t.Helper()
	var change store.Change
	keys := rapid.SliceOfNDistinct(rapid.Custom(func(r *rapid.T) store.Key {
		return store.Key{
			Tenant: rapid.SampledFrom([]string{"a", "b"}).Draw(r, "tenant"), Kind: rapid.SampledFrom([]string{"need", "quote", "free"}).Draw(r, "kind"),
			ID: rapid.StringMatching(`[1-9]`).Draw(r, "id"),
		}
	}), 1, 3, rapid.ID).Draw(r, "keys")
	for _, key := range keys {
		put := store.Put{Key: key, Expect: store.Absent}
		if record, err := s.Get(t.Context(), key); err == nil {
			put.Expect = record.Version
		}
		switch rapid.IntRange(0, 9).Draw(r, "expect") {
		case 0:
			put.Expect = store.Absent
		case 1, 2:
			put.Expect = store.Whatever
		case 3:
			put.Expect += 7
		}
		if rapid.IntRange(0, 3).Draw(r, "empty") > 0 {
			put.Value = []byte(key.Tenant + "'s owner|x") // of a record it never changes
		}
		change.Puts = append(change.Puts, put)
	}
	if id := rapid.IntRange(0, 5).Draw(r, "request"); id > 0 {
		change.Tenant, change.RequestID, change.Fingerprint = "a", strconv.Itoa(id), [32]byte{byte(rapid.IntRange(0, 1).Draw(r, "fingerprint"))}
	}
	return change
}

// check counts anew.
func check(t *testing.T, r *rapid.T, s *quota.Store, limits map[string]int) {
	t.Helper()
	counts := map[[2]string]int{}
	records, err := s.Changes(t.Context(), 0, 10_000)
	if err != nil {
		r.Fatal(err)
	}
	for _, record := range records {
		if len(record.Value) == 0 || record.Key.Kind == "free" {
			continue
		}
		owner := record.Key.Tenant
		if record.Key.Kind == "quote" {
			owner, _, _ = strings.Cut(string(record.Value), "|")
		}
		counts[[2]string{owner, record.Key.Kind}]++
	}
	for _, owner := range []string{"a", "b", "a's owner", "b's owner"} {
		for kind, limit := range limits {
			want := counts[[2]string{owner, kind}]
			if got := s.Count(owner, kind); got != want || want > limit {
				r.Fatalf("%s has %d of %s, is counted %d, at most %d are allowed", owner, want, kind, got, limit)
			}
		}
	}
}

func TestListsOfQuotas(t *testing.T) {
	t.Parallel()
	kinds := suiteKinds(7)
	got, overrides, err := quota.Parse("listings=5,ks=0,big-yard/listings=100,quotes=3", kinds, "quotes")
	if err != nil || got[0].Limit != 5 || got[1].Limit != 0 || got[2].Limit != 0 || len(overrides) != 1 ||
		overrides[0] != (quota.Override{Business: "big-yard", Name: "listings", Limit: 100}) {
		t.Errorf("%+v, %+v, %v", got, overrides, err)
	}
	if kinds[0].Limit != 7 {
		t.Error("the caller's kinds were changed")
	}
	for _, bad := range []string{"listings", "listings=", "listings=-1", "listings=x", "listing=1", "=1", "/listings=1", "A/listings=1", "listings=1,listings=2", "listings=1,", "quotes=x", "a/b/listings=1"} {
		if got, _, err := quota.Parse(bad, kinds, "quotes"); err == nil {
			t.Errorf("%q is read as %+v", bad, got)
		}
	}
	if got := quota.Help("quotes", "ks", "quotes"); !strings.HasSuffix(got, "; of ks, quotes") {
		t.Errorf("the help does not name what is counted, each once: %s", got)
	}
	s := three(t)
	for name, open := range map[string]func() (*quota.Store, error){
		"twice": func() (*quota.Store, error) {
			return quota.Open(t.Context(), s, append(suiteKinds(1), suiteKinds(2)...), nil)
		},
		"negative": func() (*quota.Store, error) { return quota.Open(t.Context(), s, suiteKinds(-1), nil) },
		"unknown override": func() (*quota.Store, error) {
			return quota.Open(t.Context(), s, suiteKinds(1), []quota.Override{{Business: "a", Name: "none", Limit: 1}})
		},
	} {
		if _, err := open(); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"", "listings=1", "a/listings=2,ks=0", "quotes=1", "a//ks=1", "ks=00009", "ks=99999999999999999999"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, list string) {
		kinds, overrides, err := quota.Parse(list, suiteKinds(7), "quotes")
		if err != nil {
			return
		}
		for _, kind := range kinds {
			if kind.Limit < 0 {
				t.Fatalf("%q gives %+v", list, kind)
			}
		}
		for _, override := range overrides {
			if override.Limit < 0 || !strings.Contains(list, override.Business+"/"+override.Name+"=") {
				t.Fatalf("%q gives %+v", list, override)
			}
		}
	})
}

// BenchmarkOpen counts a large store.
func BenchmarkOpen(b *testing.B) {
	const records = 200_000
	inner, err := embedded.Open(b.TempDir(), embedded.Options{NoSync: true})
	if err != nil {
		b.Fatal(err)
	}
	defer func() {
		if err := inner.Close(); err != nil {
			b.Error(err)
		}
	}()
	value := make([]byte, 600)
	for first := 0; first < records; first += 4000 {
		changes := make([]store.Change, 4000)
		for i := range changes {
			changes[i].Puts = []store.Put{{Key: store.Key{Tenant: "yard", Kind: "listing", ID: strconv.Itoa(first + i)}, Value: value}}
		}
		if _, err := inner.Apply(b.Context(), changes...); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		s, err := quota.Open(b.Context(), inner, suiteKinds(0), nil)
		if err != nil || s.Count("yard", "listing") != records {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(records*b.N)/b.Elapsed().Seconds(), "records/s")
}
