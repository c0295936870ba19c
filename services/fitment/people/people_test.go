package people_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

var day = time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC) //nolint:gochecknoglobals // a constant

// drawn is any person that may be kept.
func drawn(t *rapid.T) people.Kept {
	linked := rapid.Bool().Draw(t, "linked")
	asked := &fitmentv1.Person{
		Business: rapid.StringMatching(`[a-z0-9-]{1,32}`).Draw(t, "business"), Id: rapid.StringMatching(`[a-z0-9-]{1,40}`).Draw(t, "id"),
		DisplayName: rapid.StringN(1, 20, 80).Draw(t, "name"), Suspended: rapid.Bool().Draw(t, "suspended"),
		Roles: rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"yard", "shop", "books", "admin"}), 1, 4, rapid.ID[string]).Draw(t, "roles"),
	}
	if linked {
		asked.Issuer, asked.Subject = "https://id.example.com", rapid.StringN(1, 20, 80).Draw(t, "subject")
	}
	return people.New(asked, rapid.SampledFrom([]string{"", "a hash"}).Draw(t, "hash"), day)
}

func TestPeopleAreReadAsTheyAreWritten(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		k := drawn(t)
		for range rapid.IntRange(0, 3).Draw(t, "changes") {
			k = k.Signed(rapid.SampledFrom([]string{"", "another"}).Draw(t, "hash"), day)
		}
		put, err := k.Put()
		if err != nil {
			t.Fatal(err)
		}
		got, err := people.Decode(store.Record{Key: put.Key, Version: 7, Value: put.Value})
		if err != nil {
			t.Fatal(err)
		}
		want := k.Person
		want.Name, want.Etag, want.HasPassword = people.Name(want.GetBusiness(), want.GetId()), got.Person.GetEtag(), k.Hash != ""
		if diff := cmp.Diff(want, got.Person, protocmp.Transform()); diff != "" || got.Hash != k.Hash || got.Generation != k.Generation || !got.Reset.Equal(k.Reset) || got.Version != 7 {
			t.Errorf("%s %+v", diff, got)
		}
		if business, id, ok := people.ParseName(want.GetName()); !ok || business != want.GetBusiness() || id != want.GetId() {
			t.Errorf("name %q", want.GetName())
		}
		if business, id, ok := people.ParseLogin(people.Login(want.GetBusiness(), want.GetId())); !ok || business != want.GetBusiness() || id != want.GetId() {
			t.Errorf("login of %q", want.GetName())
		}
	})
}

// What ends all sessions raises the generation, and nothing else does.
func TestGenerationsRise(t *testing.T) {
	t.Parallel()
	k := people.New(&fitmentv1.Person{Business: "kettlewick", Id: "jo", Roles: []string{"yard"}}, "hash", day)
	as := func(suspended bool) *fitmentv1.Person {
		return &fitmentv1.Person{Roles: []string{"admin"}, Suspended: suspended}
	}
	later := day.Add(time.Hour)
	for _, c := range []struct {
		name  string
		after people.Kept
		rises bool
	}{
		{"other desks", k.Updated(as(false), later), false},
		{"shut out", k.Updated(as(true), later), true},
		{"shut out again", k.Updated(as(true), day).Updated(as(true), later), true},
		{"another password", k.Signed("other", later), true},
		{"none", k.Signed("", later), true},
		{"another hash of the same", k.Rehashed("other"), false},
	} {
		if rises := c.after.Generation == k.Generation+1; rises != c.rises || !rises && c.after.Generation != k.Generation || c.after.Reset.IsZero() == rises {
			t.Errorf("%s: generation %d, reset %v", c.name, c.after.Generation, c.after.Reset)
		}
	}
}

// FuzzNames: names and logins are read in their one form, or not at all.
func FuzzNames(f *testing.F) {
	for _, seed := range []string{"people/kettlewick.jo", "jo@kettlewick", "people/kettlewick.jo.x", "people/.jo", "people/a.", "a@b@c", "@", "people/kettlewick.../x", "jo@kettlewick\n"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if business, id, ok := people.ParseName(text); ok && people.Name(business, id) != text {
			t.Errorf("%q is %q of %q", text, id, business)
		}
		if business, id, ok := people.ParseLogin(text); ok && people.Login(business, id) != text {
			t.Errorf("%q is %q of %q", text, id, business)
		}
	})
}

// TestLinksInRandomHistories: whatever is linked, unlinked and linked again, a subject
// is the one person who claimed it first and has not given it back.
func TestLinksInRandomHistories(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := embedded.Open(tempDir(t), embedded.Options{NoSync: true})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = dir.Close() }()
		ctx := t.Context()
		kept, owner := map[string]people.Kept{}, map[string]string{}
		for range rapid.IntRange(1, 25).Draw(t, "steps") {
			id := rapid.SampledFrom([]string{"a", "b", "c"}).Draw(t, "id")
			subject := rapid.SampledFrom([]string{"", "s1", "s2"}).Draw(t, "subject")
			asked := &fitmentv1.Person{Business: "kettlewick", Id: id, Subject: subject}
			if subject != "" {
				asked.Issuer = "https://id.example.com"
			}
			before, known := kept[id]
			after := people.New(asked, "", day)
			if known {
				after = before.Updated(asked, day)
			}
			puts, err := people.Links(ctx, dir, before, after)
			if taken := subject != "" && owner[subject] != "" && owner[subject] != id; errors.Is(err, people.ErrTaken) != taken {
				t.Fatalf("%s claims %q of %q: %v", id, subject, owner[subject], err)
			} else if taken {
				continue
			} else if err != nil {
				t.Fatal(err)
			}
			put, err := after.Put()
			if err != nil {
				t.Fatal(err)
			}
			applied, err := dir.Apply(ctx, store.Change{Puts: append([]store.Put{put}, puts...)})
			if err != nil || applied[0].Err != nil {
				t.Fatalf("%v, %v", err, applied)
			}
			after.Version = applied[0].Versions[0]
			kept[id] = after
			if old := before.Person.GetSubject(); old != "" {
				delete(owner, old)
			}
			if subject != "" {
				owner[subject] = id
			}
			for _, s := range []string{"s1", "s2"} {
				found, err := people.BySubject(ctx, dir, "https://id.example.com", s)
				if want := owner[s]; want == "" != errors.Is(err, store.ErrNotFound) || want != "" && found.Person.GetId() != want {
					t.Fatalf("%s is %v, %v; want %q", s, found.Person, err, want)
				}
			}
		}
	})
}

func TestSubjectsAreKeptApart(t *testing.T) {
	t.Parallel()
	if people.SubjectKey("https://a.example", "b") == people.SubjectKey("https://a.example", "c") || people.SubjectKey("a", "b") == people.SubjectKey("b", "a") {
		t.Error("two subjects have one place")
	}
	if key := people.SubjectKey("https://a.example", strings.Repeat("x", 255)); len(key.ID) != 64 {
		t.Errorf("%d characters", len(key.ID))
	}
}
