package measured_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/embedded/embeddedtest"
	"beltwright.example/services/store/measured"
	"beltwright.example/services/store/storetest"
)

func newSet(t *testing.T) *metrics.Set {
	t.Helper()
	set, err := metrics.New()
	if err != nil {
		t.Fatal(err)
	}
	return set
}

// TestConformance: it is still a store.
func TestConformance(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	storetest.Run(t, func(t *testing.T, now func() time.Time) (store.Store, func() store.Store) {
		t.Helper()
		dir := t.TempDir()
		s := embeddedtest.Open(t, dir, embedded.Options{Now: now})
		return measured.New(s, "fitment", set), func() store.Store {
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			s = embeddedtest.Open(t, dir, embedded.Options{Now: now})
			return measured.New(s, "fitment", set)
		}
	})
}

// counted returns the calls by "call outcome".
func counted(t *testing.T, set *metrics.Set) map[string]float64 {
	t.Helper()
	families, err := set.Gatherer().Gather()
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]float64{}
	for _, family := range families {
		if family.GetName() != "beltwright_store_calls_total" {
			continue
		}
		for _, m := range family.GetMetric() {
			l := m.GetLabel() // call, outcome, side
			all[fmt.Sprintf("%s %s %s", l[2].GetValue(), l[0].GetValue(), l[1].GetValue())] = m.GetCounter().GetValue()
		}
	}
	return all
}

// TestOutcomes: each call counts once, by what became of it.
func TestOutcomes(t *testing.T) {
	t.Parallel()
	set := newSet(t)
	commits, changes := 0, 0
	inner := embeddedtest.Open(t, t.TempDir(), embedded.Options{NoSync: true, Committed: func(n int, took time.Duration) {
		commits, changes = commits+1, changes+n
		if took <= 0 {
			t.Errorf("a commit took %v", took)
		}
	}})
	s := measured.New(inner, "quote", set)
	key := store.Key{Tenant: "a", Kind: "offer", ID: "1"}
	put := func(expect int64) store.Change {
		return store.Change{Puts: []store.Put{{Key: key, Expect: expect, Value: []byte("v")}}}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	_, _ = s.Get(t.Context(), key)
	_, _ = s.Apply(t.Context(), put(store.Absent))
	_, _ = s.Apply(t.Context(), put(store.Absent))
	_, _ = s.Apply(t.Context(), put(store.Whatever), put(7))
	late := put(store.Whatever)
	late.NotAfter = time.Unix(1, 0)
	_, _ = s.Apply(t.Context(), late)
	_, _ = s.Get(t.Context(), key)
	_, _ = s.Get(ended, key)
	_, _ = s.List(t.Context(), "a", "offer", "", 0)
	_, _ = s.Changes(t.Context(), 0, 5)
	_, _ = s.Seen(t.Context(), "a", "r", [32]byte{})
	for name, want := range map[string]float64{
		"quote Get not_found": 1, "quote Get done": 1, "quote Get ended": 1,
		"quote Apply done": 1, "quote Apply conflict": 2, "quote Apply too_late": 1,
		"quote List refused": 1, "quote Changes done": 1, "quote Seen done": 1,
	} {
		if got := counted(t, set)[name]; got != want {
			t.Errorf("%s: %v, want %v", name, got, want)
		}
	}
	if commits != 4 || changes != 5 {
		t.Errorf("%d commits with %d changes; want 4 with 5", commits, changes)
	}
}
