package storetest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/store"
)

func versionsRise(t *testing.T, f *fixture) {
	t.Helper()
	if place := f.place(t); place.Version != 0 || place.Epoch == "" {
		t.Errorf("an empty store is at %+v", place)
	}
	last := int64(0)
	for i := range 10 {
		version := f.set(t, strconv.Itoa(i%3), strconv.Itoa(i), store.Whatever)
		if version <= last || f.place(t).Version != version {
			t.Errorf("version %d after %d at %+v", version, last, f.place(t))
		}
		last = version
	}
}

// readAll follows Changes to the end and returns the last value of each key.
func readAll(t *testing.T, s store.Store, after int64, limit int) (values map[store.Key]string, last int64) {
	t.Helper()
	values = map[store.Key]string{}
	for last = after; ; {
		news, err := s.Changes(t.Context(), last, limit)
		if err != nil || len(news) > limit {
			t.Fatalf("%d changes, %v", len(news), err)
		}
		if len(news) == 0 {
			return values, last
		}
		for _, r := range news {
			if r.Version <= last {
				t.Fatalf("version %d after %d", r.Version, last)
			}
			last = r.Version
			values[r.Key] = string(r.Value)
		}
	}
}

func changesGiveEachRecordOnce(t *testing.T, f *fixture) {
	t.Helper()
	for i := range 30 {
		f.set(t, fmt.Sprint("A", i%7), strconv.Itoa(i), store.Whatever)
	}
	f.apply(t, store.Change{Puts: []store.Put{{Key: store.Key{Tenant: "b", Kind: "k", ID: "1"}, Value: []byte("other")}}})
	news, err := f.Changes(t.Context(), 0, 1000)
	if err != nil || len(news) != 8 {
		t.Fatalf("%d changes, %v; want each of 8 records once", len(news), err)
	}
	want := map[store.Key]string{{Tenant: "b", Kind: "k", ID: "1"}: "other"}
	for i := range 7 {
		want[key(fmt.Sprint("A", i))] = strconv.Itoa(28 - (28-i)%7)
	}
	want[key("A0")], want[key("A1")] = "28", "29"
	for _, limit := range []int{1, 3, 8, 100} {
		got, last := readAll(t, f, 0, limit)
		if diff := cmp.Diff(want, got); diff != "" || last != f.place(t).Version {
			t.Errorf("limit %d, last %d (-want +got):\n%s", limit, last, diff)
		}
	}
	if got, err := f.Changes(t.Context(), news[5].Version, 10); err != nil || len(got) != 2 || got[0].Version != news[6].Version {
		t.Errorf("after the sixth: %v, %v", got, err)
	}
	if got, err := f.Changes(t.Context(), f.place(t).Version, 10); err != nil || len(got) != 0 {
		t.Errorf("at the end: %v, %v", got, err)
	}
}

// changesCutShort: records near the largest size may make an adapter answer with
// fewer than it could; that must not read as the end, and going on must give
// each record whole, once.
func changesCutShort(t *testing.T, f *fixture) {
	t.Helper()
	const count = 40
	changes := make([]store.Change, count)
	for i := range changes {
		value := bytes.Repeat([]byte{byte(i)}, store.MaxValue-i%3)
		changes[i] = store.Change{Puts: []store.Put{{Key: key(strconv.Itoa(i)), Value: value}}}
	}
	want := map[string]int64{}
	for i, result := range f.apply(t, changes...) {
		if result.Err != nil {
			t.Fatal(result.Err)
		}
		want[strconv.Itoa(i)] = result.Versions[0]
	}
	answers := 0
	for last := int64(0); ; answers++ {
		news, err := f.Changes(t.Context(), last, 10*count)
		if err != nil {
			t.Fatal(err)
		}
		if len(news) == 0 {
			break
		}
		for _, r := range news {
			i, err := strconv.Atoi(r.Key.ID)
			if err != nil || want[r.Key.ID] != r.Version || r.Version <= last ||
				len(r.Value) != store.MaxValue-i%3 || r.Value[0] != byte(i) || r.Value[len(r.Value)-1] != byte(i) {
				t.Fatalf("record %s at version %d with %d bytes after version %d; want version %d", r.Key.ID, r.Version, len(r.Value), last, want[r.Key.ID])
			}
			last = r.Version
			delete(want, r.Key.ID)
		}
	}
	if len(want) > 0 {
		t.Errorf("after %d answers, %d of %d records had not come", answers, len(want), count)
	}
}

func changesCanBeResumed(t *testing.T, f *fixture) {
	t.Helper()
	const writers, writes, keys = 4, 60, 15
	var group sync.WaitGroup
	for w := range writers {
		group.Go(func() {
			for i := range writes {
				id := fmt.Sprint("A", (w*7+i)%keys)
				c := store.Change{Puts: []store.Put{put(id, fmt.Sprint(w, " ", i), store.Whatever)}}
				if got, err := f.Apply(t.Context(), c); err != nil || got[0].Err != nil {
					t.Errorf("%v, %v", got, err)
				}
			}
		})
	}
	done := make(chan struct{})
	go func() { group.Wait(); close(done) }()
	got, last := map[store.Key]string{}, int64(0)
	for running := true; running; {
		select {
		case <-done:
			running = false // one more time, after the last write
		default:
		}
		var news map[store.Key]string
		news, last = readAll(t, f, last, 5)
		maps.Copy(got, news)
	}
	want, _ := readAll(t, f, 0, 1000)
	if diff := cmp.Diff(want, got); diff != "" || len(want) != keys {
		t.Errorf("a reader that went along ended elsewhere (-want +got):\n%s", diff)
	}
}

func waitReturnsOnNews(t *testing.T, f *fixture) {
	t.Helper()
	version := f.set(t, "A1", "x", store.Absent)
	if err := f.Wait(t.Context(), version-1); err != nil {
		t.Errorf("for what is there: %v", err)
	}
	const waiters = 8
	errs := make(chan error, waiters)
	for range waiters {
		go func() { errs <- f.Wait(t.Context(), version) }()
	}
	select {
	case err := <-errs:
		t.Errorf("a waiter returned without news: %v", err)
		errs <- err
	case <-time.After(20 * time.Millisecond):
	}
	// A failed change is no news, and the next one is.
	f.apply(t, store.Change{Puts: []store.Put{put("A1", "y", store.Absent)}}, store.Change{Tenant: "a", RequestID: "r"})
	f.set(t, "A1", "z", version)
	for range waiters {
		if err := <-errs; err != nil {
			t.Errorf("got %v", err)
		}
	}
	if f.place(t).Version <= version {
		t.Error("the waiters returned without news")
	}
}

func waitEndsWithItsContext(t *testing.T, f *fixture) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	errs := make(chan error, 1)
	go func() { errs <- f.Wait(ctx, 0) }()
	cancel()
	if err := <-errs; !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}
