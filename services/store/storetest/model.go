package storetest

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"beltwright.example/services/store"
)

// model runs random calls against the store and against a plain map.
func model(t *testing.T, f *fixture) {
	t.Helper()
	run := 0
	rapid.Check(t, func(r *rapid.T) {
		run++ // each run has tenants of its own, since stores never forget
		m := &machine{
			t: t, f: f, tenants: []string{fmt.Sprint("a", run), fmt.Sprint("a", run, "b")},
			start: f.place(t).Version, records: map[store.Key]store.Record{}, requests: map[string]kept{},
		}
		r.Repeat(map[string]func(*rapid.T){
			"":       m.check,
			"apply":  m.apply,
			"repeat": m.repeat,
			"list":   m.list,
			"time":   m.time,
			"reopen": m.reopen,
		})
	})
}

// machine is the model and what was drawn for it.
type machine struct {
	t       *testing.T
	f       *fixture
	tenants []string
	start   int64
	records map[store.Key]store.Record
	// requests are the request ids within their time, past holds changes that
	// may be repeated.
	requests map[string]kept
	past     []store.Change
}

type kept struct {
	change store.Change
	answer store.Applied
	until  time.Time
}

func (m *machine) drawKey(r *rapid.T) store.Key {
	return store.Key{
		Tenant: rapid.SampledFrom(m.tenants).Draw(r, "tenant"),
		Kind:   rapid.SampledFrom([]string{"k", "kk"}).Draw(r, "kind"),
		ID:     rapid.SampledFrom([]string{"1", "10", "2", "a", "é"}).Draw(r, "id"),
	}
}

func (m *machine) drawChange(r *rapid.T) store.Change {
	c := store.Change{Answer: []byte(rapid.StringN(0, 5, -1).Draw(r, "answer"))}
	keys := rapid.SliceOfNDistinct(rapid.Custom(m.drawKey), 0, 4, rapid.ID).Draw(r, "keys")
	for _, k := range keys {
		expect := m.records[k].Version // 0 is Absent, as it should be
		switch rapid.IntRange(0, 5).Draw(r, "expect") {
		case 0:
			expect = store.Whatever
		case 1:
			expect = rapid.Int64Range(0, m.start+20).Draw(r, "version")
		}
		c.Puts = append(c.Puts, store.Put{Key: k, Expect: expect, Value: rapid.SliceOfN(rapid.Byte(), 0, 8).Draw(r, "value")})
	}
	if rapid.Bool().Draw(r, "with request id") {
		c.Tenant = rapid.SampledFrom(m.tenants).Draw(r, "caller")
		c.RequestID = rapid.SampledFrom([]string{"r1", "r2", "r3"}).Draw(r, "request id")
		c.Fingerprint[0] = byte(rapid.IntRange(0, 1).Draw(r, "fingerprint"))
	}
	if rapid.IntRange(0, 3).Draw(r, "limit") == 0 {
		c.NotAfter = m.f.clock.Now().Add(time.Duration(rapid.IntRange(-1, 1).Draw(r, "minutes")) * time.Minute)
	}
	return c
}

func (m *machine) apply(r *rapid.T) {
	m.run(r, rapid.SliceOfN(rapid.Custom(m.drawChange), 1, 3).Draw(r, "changes"))
}

func (m *machine) repeat(r *rapid.T) {
	if len(m.past) == 0 {
		r.Skip("nothing to repeat yet")
	}
	m.run(r, []store.Change{rapid.SampledFrom(m.past).Draw(r, "change")})
}

// run applies changes and compares each answer with the model's.
func (m *machine) run(r *rapid.T, changes []store.Change) {
	results := m.f.apply(m.t, changes...)
	for i, c := range changes {
		got := results[i]
		want := m.expected(c)
		if !errors.Is(got.Err, want.Err) || got.Replayed != want.Replayed {
			r.Fatalf("change %d %+v: got %+v, want %+v", i, c, got, want)
		}
		if want.Err != nil {
			continue
		}
		if want.Replayed {
			if string(got.Answer) != string(want.Answer) || !slices.Equal(got.Versions, want.Versions) {
				r.Fatalf("a repeat got %+v, want %+v", got, want)
			}
			continue
		}
		m.note(r, c, got)
	}
}

// expected says what a change must answer; versions only for a repeat.
func (m *machine) expected(c store.Change) store.Applied {
	if known, ok := m.requests[c.Tenant+"/"+c.RequestID]; ok && c.RequestID != "" && !m.f.clock.Now().After(known.until) {
		if known.change.Fingerprint != c.Fingerprint {
			return store.Applied{Err: store.ErrRequestReused}
		}
		return store.Applied{Replayed: true, Versions: known.answer.Versions, Answer: known.answer.Answer}
	}
	if !c.NotAfter.IsZero() && m.f.clock.Now().After(c.NotAfter) {
		return store.Applied{Err: store.ErrTooLate}
	}
	for _, p := range c.Puts {
		if p.Expect != store.Whatever && p.Expect != m.records[p.Key].Version {
			return store.Applied{Err: store.ErrConflict}
		}
	}
	return store.Applied{}
}

// note moves the model along.
func (m *machine) note(r *rapid.T, c store.Change, got store.Applied) {
	if string(got.Answer) != string(c.Answer) || len(got.Versions) != len(c.Puts) {
		r.Fatalf("%+v answered %+v", c, got)
	}
	for i, p := range c.Puts {
		m.records[p.Key] = store.Record{Key: p.Key, Version: got.Versions[i], Value: p.Value}
	}
	if c.RequestID != "" {
		m.requests[c.Tenant+"/"+c.RequestID] = kept{change: c, answer: got, until: m.f.clock.Now().Add(store.RequestIDTTL)}
		m.past = append(m.past, c)
	}
}

func (m *machine) list(r *rapid.T) {
	tenant := rapid.SampledFrom(m.tenants).Draw(r, "tenant")
	kind := rapid.SampledFrom([]string{"k", "kk", "none"}).Draw(r, "kind")
	after := rapid.SampledFrom([]string{"", "1", "10", "11", "a", "é"}).Draw(r, "after")
	limit := rapid.IntRange(1, 6).Draw(r, "limit")
	got, err := m.f.List(m.t.Context(), tenant, kind, after, limit)
	if err != nil {
		r.Fatal(err)
	}
	want := m.sorted(func(a, b store.Record) int { return strings.Compare(a.Key.ID, b.Key.ID) }, func(rec store.Record) bool {
		return rec.Key.Tenant == tenant && rec.Key.Kind == kind && rec.Key.ID > after
	})
	compare(r, want[:min(limit, len(want))], got)
}

func (m *machine) time(r *rapid.T) {
	m.f.clock.Advance(time.Duration(rapid.Int64Range(0, int64(store.RequestIDTTL)).Draw(r, "by")))
}

func (m *machine) reopen(r *rapid.T) {
	if rapid.IntRange(0, 9).Draw(r, "rarely") == 0 {
		m.f.Store = m.f.reopen()
	}
}

// check compares the feed and every record with the model.
func (m *machine) check(r *rapid.T) {
	got, err := m.f.Changes(m.t.Context(), m.start, 1000)
	if err != nil {
		r.Fatal(err)
	}
	want := m.sorted(func(a, b store.Record) int { return int(a.Version - b.Version) }, func(store.Record) bool { return true })
	compare(r, want, got)
	for k, rec := range m.records {
		found, err := m.f.Get(m.t.Context(), k)
		if err != nil {
			r.Fatal(err)
		}
		compare(r, []store.Record{rec}, []store.Record{found})
	}
}

func (m *machine) sorted(order func(a, b store.Record) int, keep func(store.Record) bool) []store.Record {
	all := slices.SortedFunc(maps.Values(m.records), order)
	return slices.DeleteFunc(all, func(rec store.Record) bool { return !keep(rec) })
}

func compare(r *rapid.T, want, got []store.Record) {
	equal := slices.EqualFunc(want, got, func(a, b store.Record) bool {
		return a.Key == b.Key && a.Version == b.Version && string(a.Value) == string(b.Value)
	})
	if !equal {
		r.Fatalf("(-want +got):\n%s", cmp.Diff(want, got))
	}
}
