package storetest

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"

	"beltwright.example/services/store"
)

func repeatsAnswerLikeTheFirst(t *testing.T, f *fixture) {
	t.Helper()
	c := store.Change{
		Tenant: "a", RequestID: "r1", Fingerprint: [32]byte{9}, Answer: []byte("first"),
		Puts: []store.Put{put("A1", "one", store.Absent), put("A2", "one", store.Absent)},
	}
	first := f.apply(t, c)[0]
	if first.Err != nil || first.Replayed || string(first.Answer) != "first" || len(first.Versions) != 2 {
		t.Fatalf("got %+v", first)
	}
	f.set(t, "A1", "later", store.Whatever)
	before := f.place(t)
	c.Answer = []byte("second")
	c.NotAfter = f.clock.Now().Add(-time.Hour) // long past, and no matter for a repeat
	again := f.apply(t, c)[0]
	seen, err := f.Seen(t.Context(), "a", "r1", [32]byte{9})
	if err != nil {
		t.Fatal(err)
	}
	for name, got := range map[string]store.Applied{"again": again, "seen": seen} {
		if got.Err != nil || !got.Replayed || string(got.Answer) != "first" || !slices.Equal(got.Versions, first.Versions) {
			t.Errorf("%s: %+v, first %+v", name, got, first)
		}
	}
	if f.place(t) != before || f.value(t, key("A1")) != "later" {
		t.Error("the repeat changed something")
	}
}

// answersAloneAreKept: a change without puts only keeps its answer.
func answersAloneAreKept(t *testing.T, f *fixture) {
	t.Helper()
	f.apply(t, store.Change{Tenant: "a", RequestID: "r2", Answer: []byte("noted")})
	if got, err := f.Seen(t.Context(), "a", "r2", [32]byte{}); err != nil || !got.Replayed || string(got.Answer) != "noted" || len(got.Versions) != 0 {
		t.Errorf("got %+v, %v", got, err)
	}
	if got, err := f.Seen(t.Context(), "a", "r3", [32]byte{}); err != nil || got.Replayed || got.Answer != nil || got.Versions != nil {
		t.Errorf("an unknown id: %+v, %v", got, err)
	}
}

func requestIDsAreRefused(t *testing.T, f *fixture) {
	t.Helper()
	f.apply(t, store.Change{Tenant: "a", RequestID: "r", Fingerprint: [32]byte{1}, Puts: []store.Put{put("A1", "one", store.Absent)}})
	got := f.apply(t, store.Change{Tenant: "a", RequestID: "r", Fingerprint: [32]byte{2}, Puts: []store.Put{put("A2", "two", store.Absent)}})[0]
	if !errors.Is(got.Err, store.ErrRequestReused) || f.value(t, key("A2")) != "-" {
		t.Errorf("got %+v", got)
	}
	if _, err := f.Seen(t.Context(), "a", "r", [32]byte{2}); !errors.Is(err, store.ErrRequestReused) {
		t.Errorf("Seen: %v", err)
	}
	if _, err := f.Seen(t.Context(), "", "r", [32]byte{2}); err == nil {
		t.Error("Seen without a tenant passed")
	}
	// Without an id nothing is a repeat.
	for range 2 {
		f.set(t, "A3", "x", store.Whatever)
	}
}

func failedChangesLeaveNoID(t *testing.T, f *fixture) {
	t.Helper()
	c := store.Change{Tenant: "a", RequestID: "r", Fingerprint: [32]byte{1}, Puts: []store.Put{put("A1", "one", 99)}}
	if got := f.apply(t, c)[0]; !errors.Is(got.Err, store.ErrConflict) {
		t.Fatalf("got %+v", got)
	}
	if seen, err := f.Seen(t.Context(), "a", "r", [32]byte{2}); err != nil || seen.Replayed {
		t.Errorf("got %+v, %v", seen, err)
	}
	c.Puts[0].Expect = store.Absent
	if got := f.apply(t, c)[0]; got.Err != nil || got.Replayed {
		t.Errorf("got %+v", got)
	}
}

func requestIDsAreKept(t *testing.T, f *fixture) {
	t.Helper()
	const many = 300
	for i := range many {
		f.apply(t, store.Change{Tenant: "a", RequestID: fmt.Sprint("r", i), Fingerprint: [32]byte{1}, Answer: []byte("first")})
	}
	f.clock.Advance(store.RequestIDTTL) // the very last moment of it
	f.set(t, "A1", "x", store.Whatever)
	for i := range many {
		if got, err := f.Seen(t.Context(), "a", fmt.Sprint("r", i), [32]byte{1}); err != nil || !got.Replayed {
			t.Fatalf("r%d is forgotten within its time: %+v, %v", i, got, err)
		}
	}
	f.clock.Advance(time.Minute)
	// Whether or not it was cleared away by now, it may mean something new.
	c := store.Change{Tenant: "a", RequestID: "r0", Fingerprint: [32]byte{2}, Answer: []byte("second")}
	if got := f.apply(t, c)[0]; got.Err != nil || got.Replayed || string(got.Answer) != "second" {
		t.Errorf("after its time: %+v", got)
	}
	for i := range 20 {
		f.set(t, "A1", strconv.Itoa(i), store.Whatever) // gives an adapter occasion to clear
	}
	if got, err := f.Seen(t.Context(), "a", "r0", [32]byte{2}); err != nil || string(got.Answer) != "second" {
		t.Errorf("the new meaning went with the old: %+v, %v", got, err)
	}
	for i := 1; i < many; i++ {
		if got, err := f.Seen(t.Context(), "a", fmt.Sprint("r", i), [32]byte{2}); err != nil || got.Replayed {
			t.Fatalf("r%d after its time: %+v, %v", i, got, err)
		}
	}
}

func notAfter(t *testing.T, f *fixture) {
	t.Helper()
	limit := f.clock.Now().Add(time.Minute)
	try := func(id string) store.Applied {
		return f.apply(t, store.Change{
			Tenant: "a", RequestID: id, NotAfter: limit, Puts: []store.Put{put(id, "x", store.Absent)},
		})[0]
	}
	f.clock.Advance(time.Minute)
	if got := try("just-in-time"); got.Err != nil {
		t.Errorf("at the limit: %v", got.Err)
	}
	f.clock.Advance(time.Nanosecond)
	if got := try("late"); !errors.Is(got.Err, store.ErrTooLate) || f.value(t, key("late")) != "-" {
		t.Errorf("after the limit: %+v", got)
	}
	if got := try("just-in-time"); got.Err != nil || !got.Replayed {
		t.Errorf("a repeat after the limit: %+v", got)
	}
}

func nowIsStoreTime(t *testing.T, f *fixture) {
	t.Helper()
	for range 2 {
		if got, err := f.Now(t.Context()); err != nil || !got.Equal(f.clock.Now()) {
			t.Errorf("got %v, %v; want %v", got, err, f.clock.Now())
		}
		f.clock.Advance(time.Hour)
	}
}
