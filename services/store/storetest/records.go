package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/store"
)

func of(tenant, kind, id string) store.Key { return store.Key{Tenant: tenant, Kind: kind, ID: id} }

func isNotFound(err error) bool { return errors.Is(err, store.ErrNotFound) }

func getReturnsWhatWasPut(t *testing.T, f *fixture) {
	t.Helper()
	if got := f.value(t, key("A1")); got != "-" {
		t.Errorf("an empty store has %q", got)
	}
	first := f.set(t, "A1", "one", store.Absent)
	if got := f.value(t, key("A1")); got != "one" {
		t.Errorf("got %q", got)
	}
	second := f.set(t, "A1", "", store.Whatever)
	if got, err := f.Get(t.Context(), key("A1")); err != nil || len(got.Value) != 0 || got.Version != second || second <= first {
		t.Errorf("after %d and %d: %+v, %v", first, second, got, err)
	}
	binary := string([]byte{0, 255, 1, 0})
	f.set(t, "A2", binary, store.Absent)
	if got := f.value(t, key("A2")); got != binary {
		t.Errorf("got %q", got)
	}
}

func recordsTellTheirForm(t *testing.T, f *fixture) {
	t.Helper()
	f.set(t, "A1", "one", store.Absent)
	got, err := f.Get(t.Context(), key("A1"))
	list, listErr := f.List(t.Context(), "north-yard", "listing", "", 1)
	news, newsErr := f.Changes(t.Context(), 0, 1)
	if err := errors.Join(err, listErr, newsErr); err != nil || len(list) != 1 || len(news) != 1 {
		t.Fatal(list, news, err)
	}
	if got.Form != store.Form || list[0].Form != store.Form || news[0].Form != store.Form {
		t.Errorf("forms %d, %d and %d, want %d", got.Form, list[0].Form, news[0].Form, store.Form)
	}
}

func bytesBelongToTheCaller(t *testing.T, f *fixture) {
	t.Helper()
	value, answer := []byte("value"), []byte("answer")
	c := store.Change{Tenant: "a", RequestID: "r", Answer: answer, Puts: []store.Put{{Key: key("A1"), Value: value}}}
	result := f.apply(t, c)[0]
	clear(value)
	clear(answer)
	clear(result.Answer)
	record, err := f.Get(t.Context(), key("A1"))
	if err != nil {
		t.Fatal(err)
	}
	clear(record.Value)
	list, err := f.List(t.Context(), "north-yard", "listing", "", 1)
	if err != nil || len(list) != 1 {
		t.Fatal(list, err)
	}
	clear(list[0].Value)
	news, err := f.Changes(t.Context(), 0, 1)
	if err != nil || len(news) != 1 {
		t.Fatal(news, err)
	}
	clear(news[0].Value)
	seen, err := f.Seen(t.Context(), "a", "r", [32]byte{})
	if err != nil || string(seen.Answer) != "answer" {
		t.Errorf("the answer changed with the caller's memory: %+v, %v", seen, err)
	}
	if got := f.value(t, key("A1")); got != "value" {
		t.Errorf("the record changed with the caller's memory: %q", got)
	}
}

func tenantsAreApart(t *testing.T, f *fixture) {
	t.Helper()
	one := store.Key{Tenant: "a", Kind: "bc", ID: "d"}
	for _, other := range []store.Key{
		{Tenant: "ab", Kind: "c", ID: "d"},
		{Tenant: "a", Kind: "b", ID: "cd"},
		{Tenant: "A", Kind: "bc", ID: "d"},
		{Tenant: "a", Kind: "bc", ID: "D"},
	} {
		f.apply(t, store.Change{Puts: []store.Put{{Key: one, Expect: store.Whatever, Value: []byte("mine")}}})
		if got := f.value(t, other); got != "-" {
			t.Errorf("%v sees %q of %v", other, got, one)
		}
	}
	// Request ids are a tenant's own.
	results := f.apply(t,
		store.Change{Tenant: "a", RequestID: "r", Fingerprint: [32]byte{1}, Answer: []byte("a's")},
		store.Change{Tenant: "b", RequestID: "r", Fingerprint: [32]byte{2}, Answer: []byte("b's")})
	if results[1].Err != nil || results[1].Replayed || string(results[1].Answer) != "b's" {
		t.Errorf("tenant b met tenant a's request id: %+v", results[1])
	}
}

func listIsInByteOrder(t *testing.T, f *fixture) {
	t.Helper()
	ids := []string{"a", "B", "b.1", "b-1", "b", "ba", "é", "zz", "0", "00"}
	for _, id := range ids {
		f.set(t, id, "value of "+id, store.Absent)
	}
	slices.Sort(ids)
	for _, limit := range []int{1, 3, len(ids), len(ids) + 1} {
		var got []string
		for after := ""; ; after = got[len(got)-1] {
			page, err := f.List(t.Context(), "north-yard", "listing", after, limit)
			if err != nil || len(page) > limit {
				t.Fatalf("%d records, %v", len(page), err)
			}
			for _, r := range page {
				if string(r.Value) != "value of "+r.Key.ID || r.Version < 1 {
					t.Errorf("got %+v", r)
				}
				got = append(got, r.Key.ID)
			}
			if len(page) == 0 {
				break
			}
		}
		if diff := cmp.Diff(ids, got); diff != "" {
			t.Errorf("limit %d (-want +got):\n%s", limit, diff)
		}
	}
	// After need not exist.
	page, err := f.List(t.Context(), "north-yard", "listing", "b0", 1)
	if err != nil || len(page) != 1 || page[0].Key.ID != "ba" {
		t.Errorf("after b0: %v, %v", page, err)
	}
}

func listIsOfOneTenantAndKind(t *testing.T, f *fixture) {
	t.Helper()
	for _, k := range []store.Key{of("a", "k", "1"), of("a", "k2", "2"), of("a", "j", "3"), of("a2", "k", "4"), of("b", "k", "5")} {
		f.apply(t, store.Change{Puts: []store.Put{{Key: k, Value: []byte("x")}}})
	}
	got, err := f.List(t.Context(), "a", "k", "", 10)
	if err != nil || len(got) != 1 || got[0].Key.ID != "1" {
		t.Errorf("got %v, %v", got, err)
	}
	if got, err := f.List(t.Context(), "c", "k", "", 10); err != nil || len(got) != 0 {
		t.Errorf("got %v, %v", got, err)
	}
}

func expectations(t *testing.T, f *fixture) {
	t.Helper()
	first := f.set(t, "A1", "one", store.Absent)
	second := f.set(t, "A1", "two", first)
	cases := []struct {
		name   string
		put    store.Put
		passes bool
	}{
		{"absent, but there", put("A1", "x", store.Absent), false},
		{"an older version", put("A1", "x", first), false},
		{"a later version", put("A1", "x", second+1), false},
		{"a version of nothing", put("A2", "x", second), false},
		{"whatever, absent", put("A3", "x", store.Whatever), true},
		{"whatever, there", put("A3", "y", store.Whatever), true},
	}
	for _, c := range cases {
		before := f.value(t, c.put.Key)
		err := f.apply(t, store.Change{Puts: []store.Put{c.put}})[0].Err
		if c.passes && err != nil || !c.passes && !errors.Is(err, store.ErrConflict) {
			t.Errorf("%s: %v", c.name, err)
		}
		if !c.passes && f.value(t, c.put.Key) != before {
			t.Errorf("%s: it was written", c.name)
		}
	}
	if got := f.value(t, key("A1")); got != "two" {
		t.Errorf("got %q", got)
	}
}

func allPutsOrNone(t *testing.T, f *fixture) {
	t.Helper()
	f.set(t, "there", "old", store.Absent)
	before := f.place(t)
	results := f.apply(t,
		store.Change{Puts: []store.Put{put("A1", "x", store.Absent), put("there", "x", store.Absent), put("A2", "x", store.Absent)}},
		store.Change{Puts: []store.Put{put("B1", "b1", store.Absent), put("B2", "b2", store.Absent)}})
	if !errors.Is(results[0].Err, store.ErrConflict) || len(results[0].Versions) != 0 {
		t.Errorf("got %+v", results[0])
	}
	for id, want := range map[string]string{"A1": "-", "A2": "-", "there": "old", "B1": "b1", "B2": "b2"} {
		if got := f.value(t, key(id)); got != want {
			t.Errorf("%s is %q, want %q", id, got, want)
		}
	}
	if len(results[1].Versions) != 2 || results[1].Versions[0] >= results[1].Versions[1] || results[1].Versions[0] <= before.Version {
		t.Errorf("versions %v after %v", results[1].Versions, before)
	}
	// A malformed one leaves the others alone too.
	results = f.apply(t,
		store.Change{Puts: []store.Put{put("", "x", store.Absent)}},
		store.Change{Puts: []store.Put{put("C1", "c1", store.Absent)}})
	if results[0].Err == nil || results[1].Err != nil || f.value(t, key("C1")) != "c1" {
		t.Errorf("got %+v", results)
	}
	// The same key twice in one change has no order and is refused.
	result := f.apply(t, store.Change{Puts: []store.Put{put("D1", "x", store.Whatever), put("D1", "y", store.Whatever)}})[0]
	if result.Err == nil || f.value(t, key("D1")) != "-" {
		t.Errorf("got %+v", result)
	}
}

func changesOfACallSeeEachOther(t *testing.T, f *fixture) {
	t.Helper()
	results := f.apply(t,
		store.Change{Puts: []store.Put{put("A1", "one", store.Absent)}},
		store.Change{Puts: []store.Put{put("A1", "again", store.Absent)}},
		store.Change{Tenant: "a", RequestID: "r", Puts: []store.Put{put("A1", "two", store.Whatever)}},
		store.Change{Tenant: "a", RequestID: "r", Puts: []store.Put{put("A1", "three", store.Whatever)}},
		store.Change{})
	if results[0].Err != nil || !errors.Is(results[1].Err, store.ErrConflict) || results[2].Err != nil || results[4].Err != nil {
		t.Errorf("got %+v", results)
	}
	if !results[3].Replayed || !slices.Equal(results[3].Versions, results[2].Versions) || f.value(t, key("A1")) != "two" {
		t.Errorf("got %+v, %q", results[3], f.value(t, key("A1")))
	}
	if len(f.apply(t)) != 0 {
		t.Error("no changes were answered")
	}
}

func limitsAreRefused(t *testing.T, f *fixture) {
	t.Helper()
	long := strings.Repeat("x", store.MaxKeyPart)
	if got := f.apply(t, store.Change{Puts: []store.Put{{Key: store.Key{Tenant: long, Kind: long, ID: long}}}})[0]; got.Err != nil {
		t.Errorf("a key of full size: %v", got.Err)
	}
	changes := map[string]store.Change{
		"value":         {Puts: []store.Put{{Key: key("A1"), Value: make([]byte, store.MaxValue+1)}}},
		"answer":        {Tenant: "a", RequestID: "r", Answer: make([]byte, store.MaxValue+1)},
		"expect":        {Puts: []store.Put{put("A1", "x", store.Whatever-1)}},
		"no tenant":     {RequestID: "r", Puts: []store.Put{put("A1", "x", store.Absent)}},
		"long request":  {Tenant: "a", RequestID: long + "x", Puts: []store.Put{put("A1", "x", store.Absent)}},
		"zero in an id": {Tenant: "a", RequestID: "r\x00", Puts: []store.Put{put("A1", "x", store.Absent)}},
	}
	for _, part := range []string{"", long + "x", "a\x00b"} {
		for i, k := range []store.Key{of(part, "k", "i"), of("t", part, "i"), of("t", "k", part)} {
			changes[fmt.Sprintf("part %d %.5q", i, part)] = store.Change{Puts: []store.Put{{Key: k}}}
			if _, err := f.Get(t.Context(), k); err == nil || isNotFound(err) {
				t.Errorf("Get with part %d %.5q: %v", i, part, err)
			}
		}
		if _, err := f.List(t.Context(), part, "k", "", 1); err == nil {
			t.Errorf("List with tenant %.5q passed", part)
		}
	}
	for name, c := range changes {
		got := f.apply(t, c)[0]
		if got.Err == nil || errors.Is(got.Err, store.ErrConflict) {
			t.Errorf("%s: %v", name, got.Err)
		}
	}
	if got := f.value(t, key("A1")); got != "-" {
		t.Errorf("a refused change was written: %.10q", got)
	}
	for _, limit := range []int{0, -1} {
		if _, err := f.List(t.Context(), "a", "k", "", limit); err == nil {
			t.Errorf("List of at most %d passed", limit)
		}
		if _, err := f.Changes(t.Context(), 0, limit); err == nil {
			t.Errorf("Changes of at most %d passed", limit)
		}
	}
}

func valuesOfFullSize(t *testing.T, f *fixture) {
	t.Helper()
	big := bytes.Repeat([]byte{7}, store.MaxValue)
	result := f.apply(t, store.Change{
		Tenant: "a", RequestID: "r", Answer: big, Puts: []store.Put{{Key: key("A1"), Value: big}},
	})[0]
	if result.Err != nil {
		t.Fatal(result.Err)
	}
	if found, err := f.Get(t.Context(), key("A1")); err != nil || !bytes.Equal(found.Value, big) {
		t.Errorf("%d bytes came back, %v", len(found.Value), err)
	}
	if seen, err := f.Seen(t.Context(), "a", "r", [32]byte{}); err != nil || !bytes.Equal(seen.Answer, big) {
		t.Errorf("%d bytes came back, %v", len(seen.Answer), err)
	}
}
