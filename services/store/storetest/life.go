package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/store"
)

func reopenKeepsEverything(t *testing.T, f *fixture) {
	t.Helper()
	for i := range 50 {
		f.set(t, fmt.Sprint("A", i%20), strconv.Itoa(i), store.Whatever)
	}
	first := f.apply(t, store.Change{
		Tenant: "a", RequestID: "r", Fingerprint: [32]byte{1}, Answer: []byte("kept"), Puts: []store.Put{put("B", "x", store.Absent)},
	})[0]
	place := f.place(t)
	want, _ := readAll(t, f, 0, 100)
	f.Store = f.reopen()
	if got := f.place(t); got != place {
		t.Errorf("the place went from %+v to %+v", place, got)
	}
	got, _ := readAll(t, f, 0, 100)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	seen, err := f.Seen(t.Context(), "a", "r", [32]byte{1})
	if err != nil || !seen.Replayed || string(seen.Answer) != "kept" || !slices.Equal(seen.Versions, first.Versions) {
		t.Errorf("got %+v, %v", seen, err)
	}
	if version := f.set(t, "C", "x", store.Absent); version <= place.Version {
		t.Errorf("version %d was given again after %d", version, place.Version)
	}
}

func oneWinner(t *testing.T, f *fixture) {
	t.Helper()
	const writers, rounds = 32, 8
	version := store.Absent
	for round := range rounds {
		won := make(chan int64, writers)
		var group sync.WaitGroup
		for w := range writers {
			group.Go(func() {
				c := store.Change{Puts: []store.Put{put("A1", fmt.Sprint(round, " ", w), version)}}
				got, err := f.Apply(t.Context(), c)
				switch {
				case err != nil:
					t.Errorf("Apply: %v", err)
				case got[0].Err == nil:
					won <- got[0].Versions[0]
				case !errors.Is(got[0].Err, store.ErrConflict):
					t.Errorf("got %v", got[0].Err)
				}
			})
		}
		group.Wait()
		if len(won) != 1 {
			t.Fatalf("round %d had %d winners", round, len(won))
		}
		version = <-won
	}
}

func repeatsHappenOnce(t *testing.T, f *fixture) {
	t.Helper()
	const callers = 32
	results := make(chan store.Applied, callers)
	var group sync.WaitGroup
	for w := range callers {
		group.Go(func() {
			got, err := f.Apply(t.Context(), store.Change{
				Tenant: "a", RequestID: "r", Fingerprint: [32]byte{1}, Answer: fmt.Append(nil, w),
				Puts: []store.Put{put("A1", strconv.Itoa(w), store.Whatever)},
			})
			if err != nil {
				t.Errorf("Apply: %v", err)
				return
			}
			results <- got[0]
		})
	}
	group.Wait()
	close(results)
	firsts := 0
	want := f.value(t, key("A1"))
	for got := range results {
		if !got.Replayed {
			firsts++
		}
		if got.Err != nil || string(got.Answer) != want || !slices.Equal(got.Versions, []int64{f.place(t).Version}) {
			t.Errorf("got %+v, want answer %s", got, want)
		}
	}
	if firsts != 1 {
		t.Errorf("it happened %d times", firsts)
	}
}

func endedContexts(t *testing.T, f *fixture) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for name, call := range calls(ctx, f) {
		if err := call(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// Contexts that end at any moment hurt nobody else.
	var group sync.WaitGroup
	for w := range 8 {
		group.Go(func() {
			for i := range 40 {
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i*w)*10*time.Microsecond)
				_, err := f.Apply(ctx, store.Change{Puts: []store.Put{put(fmt.Sprint("T", w), "x", store.Whatever)}})
				if err != nil && !errors.Is(err, context.DeadlineExceeded) {
					t.Errorf("got %v", err)
				}
				cancel()
			}
		})
	}
	for i := range 20 {
		f.set(t, "A1", strconv.Itoa(i), store.Whatever)
	}
	group.Wait()
}

func closedStores(t *testing.T, f *fixture) {
	t.Helper()
	before := f.set(t, "A1", "x", store.Absent)
	waiting := make(chan error, 1)
	go func() { waiting <- f.Wait(t.Context(), 1<<40) }()
	var group sync.WaitGroup
	for w := range 8 {
		group.Go(func() {
			for {
				got, err := f.Apply(t.Context(), store.Change{Puts: []store.Put{put(fmt.Sprint("B", w), "x", store.Whatever)}})
				if errors.Is(err, store.ErrClosed) {
					return
				}
				if err != nil || got[0].Err != nil {
					t.Errorf("got %v, %v", got, err)
					return
				}
			}
		})
	}
	if err := f.Wait(t.Context(), before); err != nil {
		t.Errorf("got %v", err)
	}
	if err := f.Close(); err != nil {
		t.Errorf("Close: %v", err)
	}
	group.Wait()
	if err := <-waiting; !errors.Is(err, store.ErrClosed) {
		t.Errorf("Wait: %v", err)
	}
	for name, call := range calls(t.Context(), f) {
		if err := call(); !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if err := f.Close(); err != nil {
		t.Errorf("a second Close: %v", err)
	}
}

// calls is one call of each method but Close.
func calls(ctx context.Context, s store.Store) map[string]func() error {
	return map[string]func() error{
		"Get":     func() error { _, err := s.Get(ctx, key("A1")); return err },
		"List":    func() error { _, err := s.List(ctx, "a", "k", "", 1); return err },
		"Apply":   func() error { _, err := s.Apply(ctx, store.Change{Puts: []store.Put{put("A1", "x", 0)}}); return err },
		"Seen":    func() error { _, err := s.Seen(ctx, "a", "r", [32]byte{}); return err },
		"Changes": func() error { _, err := s.Changes(ctx, 0, 1); return err },
		"Wait":    func() error { return s.Wait(ctx, 1<<40) },
		"Place":   func() error { _, err := s.Place(ctx); return err },
		"Now":     func() error { _, err := s.Now(ctx); return err },
	}
}
