package sessions_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/storetest"
)

// lobby is where sessions begin and end, with one business and its person.
type lobby struct {
	*sessions.Store

	records store.Store
	clock   *storetest.Clock
	fail    interface{ Fatal(args ...any) }
	ctx     context.Context //nolint:containedctx // of the test
	close   func()
}

func newLobby(ctx context.Context, fail interface{ Fatal(args ...any) }, dir string) *lobby {
	l := &lobby{clock: storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC)), fail: fail, ctx: ctx}
	kept, err := embedded.Open(dir, embedded.Options{Now: l.clock.Now, NoSync: true})
	if err != nil {
		fail.Fatal(err)
	}
	l.records, l.close = kept, func() { _ = kept.Close() }
	known := businesses.New(kept)
	if err := known.Ensure(ctx, "kettlewick", false, l.clock.Now()); err != nil {
		fail.Fatal(err)
	}
	if l.Store, err = sessions.Open(ctx, sessions.Options{Records: kept, Businesses: known}); err != nil {
		fail.Fatal(err)
	}
	for _, id := range []string{"jo", "kim"} {
		l.write(people.New(&fitmentv1.Person{Business: "kettlewick", Id: id, Roles: []string{"yard", "admin"}}, "", l.clock.Now()))
	}
	return l
}

// write keeps a person, with further puts.
func (l *lobby) write(k people.Kept, more ...store.Put) {
	put, err := k.Put()
	if err != nil {
		l.fail.Fatal(err)
	}
	applied, err := l.records.Apply(l.ctx, store.Change{Puts: append([]store.Put{put}, more...)})
	if err == nil {
		err = applied[0].Err
	}
	if err != nil {
		l.fail.Fatal(err)
	}
}

func (l *lobby) person(id string) people.Kept {
	k, err := people.Get(l.ctx, l.records, "kettlewick", id)
	if err != nil {
		l.fail.Fatal(err)
	}
	return k
}

func (l *lobby) counts(credential string) bool {
	_, err := l.Verify(l.ctx, credential)
	if err != nil && status.Code(err) != codes.Unauthenticated {
		l.fail.Fatal(err)
	}
	return err == nil
}

// account is a session as a plain list of them sees it.
type account struct {
	id, person, credential string
	expires                time.Time
	ended                  bool
}

// TestSessionsAgainstAPlainList: in random histories of sign-ins, ends, passwords,
// suspensions and time, a session counts exactly where a plain list says so, no person
// has more than MaxLive, and what is kept stays bounded.
func TestSessionsAgainstAPlainList(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		dir, err := os.MkdirTemp("", "sessions-") //nolint:usetesting // one a round, not one a test
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = os.RemoveAll(dir) }()
		l := newLobby(t.Context(), t, dir)
		defer l.close()
		var all []*account
		suspended := map[string]bool{}
		live := func(a *account) bool {
			return !a.ended && l.clock.Now().Before(a.expires)
		}
		endAll := func(person, but string) {
			for _, a := range all {
				if a.person == person && a.id != but && live(a) {
					a.ended = true
				}
			}
		}
		for range rapid.IntRange(5, 40).Draw(t, "steps") {
			person := rapid.SampledFrom([]string{"jo", "jo", "kim"}).Draw(t, "person")
			now := l.clock.Now()
			switch rapid.SampledFrom([]string{"in", "in", "in", "in", "in", "in", "out", "end", "password", "own password", "suspend", "time"}).Draw(t, "step") {
			case "in":
				session, credential, err := l.Start(l.ctx, l.person(person), sessions.ByPassword, sessions.Once{})
				if err != nil {
					t.Fatal(err)
				}
				var mine []*account
				for _, a := range all {
					if a.person == person && live(a) {
						mine = append(mine, a)
					}
				}
				if len(mine) == sessions.MaxLive {
					mine[0].ended = true
				}
				_, id, _ := sessions.ParseName(session.GetName())
				all = append(all, &account{id: id, person: person, credential: credential, expires: now.Add(sessions.Lifetime)})
			case "out", "end":
				if len(all) == 0 {
					continue
				}
				a := rapid.SampledFrom(all).Draw(t, "session")
				err := l.SignOut(l.ctx, "kettlewick", a.id)
				if errors.Is(err, store.ErrNotFound) {
					continue // forgotten
				}
				if err != nil {
					t.Fatal(err)
				}
				if live(a) {
					a.ended = true
				}
			case "password", "own password":
				keep := ""
				for _, a := range all {
					if a.person == person && live(a) && !suspended[person] {
						keep = a.id
					}
				}
				if rapid.Bool().Draw(t, "none is kept") {
					keep = ""
				}
				before := l.person(person)
				next := before.Signed("hash", now)
				puts, err := l.EndAll(l.ctx, before, next, keep, now)
				if err != nil {
					t.Fatal(err)
				}
				l.write(next, puts...)
				endAll(person, keep)
			case "suspend":
				before := l.person(person)
				asked := proto.CloneOf(before.Person)
				asked.Suspended = !suspended[person]
				next := before.Updated(asked, now)
				var puts []store.Put
				if next.Generation != before.Generation {
					if puts, err = l.EndAll(l.ctx, before, next, "", now); err != nil {
						t.Fatal(err)
					}
					endAll(person, "")
				}
				l.write(next, puts...)
				suspended[person] = asked.GetSuspended()
			case "time":
				l.clock.Advance(time.Duration(rapid.SampledFrom([]int{1, 60, 600, 3000, 60_000}).Draw(t, "minutes")) * time.Minute)
			}
			counting := map[string]int{}
			for _, a := range all {
				want := live(a) && !suspended[a.person]
				if got := l.counts(a.credential); got != want {
					t.Fatalf("%s of %s counts: %v, want %v", a.id, a.person, got, want)
				}
				if want {
					counting[a.person]++
				}
			}
			for person, n := range counting {
				if n > sessions.MaxLive {
					t.Fatalf("%s has %d sessions", person, n)
				}
			}
		}
	})
}

// TestSessionsKeptAreBounded: whoever signs in all day long fills no disk.
func TestSessionsKeptAreBounded(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	var first string
	for i := range sessions.MaxListed + 50 {
		_, credential, err := l.Start(t.Context(), l.person("jo"), sessions.ByPassword, sessions.Once{})
		if err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			first = credential
		}
		l.clock.Advance(time.Minute)
	}
	kept := 0
	records, err := l.records.List(t.Context(), "kettlewick", sessions.Kind, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range records {
		if len(r.Value) > 0 {
			kept++
		}
	}
	if kept != sessions.MaxListed || l.counts(first) {
		t.Errorf("%d are kept", kept)
	}
	l.clock.Advance(sessions.Remembered + sessions.Lifetime)
	if _, _, err := l.Start(t.Context(), l.person("jo"), sessions.ByPassword, sessions.Once{}); err != nil {
		t.Fatal(err)
	}
	records, err = l.records.List(t.Context(), "kettlewick", sessions.Kind, "", 1000)
	if err != nil {
		t.Fatal(err)
	}
	kept = slices.IndexFunc(records, func(r store.Record) bool { return len(r.Value) > 0 && strings.Contains(string(r.Value), `"ended"`) })
	if kept >= 0 {
		t.Errorf("an old session is still kept: %v", records[kept].Key)
	}
}

// TestWhoSignsInForEachCallWaits, and for no longer than until an hour has passed since
// the first of too many; the controls are another person, and one a minute, above.
func TestWhoSignsInForEachCallWaits(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	start := func(id string) error {
		_, _, err := l.Start(t.Context(), l.person(id), sessions.ByPassword, sessions.Once{})
		return err
	}
	for i := range sessions.MaxLive { // these live on, and are not in the way
		if err := start("jo"); err != nil {
			t.Fatalf("session %d: %v", i, err)
		}
	}
	l.clock.Advance(2 * time.Hour)
	for i := range sessions.MaxAnHour {
		if err := start("jo"); err != nil {
			t.Fatalf("session %d: %v", i, err)
		}
		l.clock.Advance(time.Second)
	}
	left := time.Hour - sessions.MaxAnHour*time.Second
	err := start("jo")
	if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_RATE_LIMITED || status.Code(err) != codes.ResourceExhausted {
		t.Errorf("one more: %v", err)
	}
	if err := start("kim"); err != nil {
		t.Errorf("somebody else: %v", err)
	}
	l.clock.Advance(left - time.Second)
	if err := start("jo"); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_RATE_LIMITED {
		t.Errorf("a second too early: %v", err)
	}
	l.clock.Advance(time.Second)
	for i := range 2 {
		if err := start("jo"); (err == nil) != (i == 0) {
			t.Errorf("an hour after the first, session %d: %v", i, err)
		}
	}
}

// TestSignInsAtOnce: twice as many as may be live at once, and none of them is lost to
// another: twenty count in the end.
func TestSignInsAtOnce(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	person := l.person("jo")
	type begun struct {
		credential string
		err        error
	}
	answers := make(chan begun)
	const callers = 2 * sessions.MaxLive
	for range callers {
		go func() {
			_, credential, err := l.Start(context.Background(), person, sessions.ByPassword, sessions.Once{})
			answers <- begun{credential, err}
		}()
	}
	started, counting := []string{}, 0
	for range callers {
		a := <-answers
		switch {
		case a.err == nil:
			started = append(started, a.credential)
		case status.Code(a.err) != codes.Aborted: // so many at once may have to try again
			t.Error(a.err)
		}
	}
	for _, credential := range started {
		if l.counts(credential) {
			counting++
		}
	}
	if counting != min(len(started), sessions.MaxLive) {
		t.Errorf("%d of %d count", counting, len(started))
	}
}

// TestAPasswordResetWins: a session that begins with what was read before the reset
// never counts.
func TestAPasswordResetWins(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	before := l.person("jo")
	next := before.Signed("hash", l.clock.Now())
	puts, err := l.EndAll(t.Context(), before, next, "", l.clock.Now())
	if err != nil {
		t.Fatal(err)
	}
	l.write(next, puts...)
	_, credential, err := l.Start(t.Context(), before, sessions.ByPassword, sessions.Once{})
	if err != nil {
		t.Fatal(err)
	}
	if l.counts(credential) {
		t.Error("it counts")
	}
	_, credential, err = l.Start(t.Context(), l.person("jo"), sessions.ByPassword, sessions.Once{})
	if err != nil || !l.counts(credential) {
		t.Errorf("the control does not: %v", err)
	}
}

// TestEndedSessionsAreNotKept: under a new generation only a session goes on that
// counted so far, and of the person itself.
func TestEndedSessionsAreNotKept(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	start := func(person string) (id string) {
		t.Helper()
		session, _, err := l.Start(t.Context(), l.person(person), sessions.ByPassword, sessions.Once{})
		if err != nil {
			t.Fatal(err)
		}
		_, id, _ = sessions.ParseName(session.GetName())
		return id
	}
	keep := func(id string) error {
		before := l.person("jo")
		_, err := l.EndAll(t.Context(), before, before.Signed("hash", l.clock.Now()), id, l.clock.Now())
		return err
	}
	counts, kims, ended, reset := start("jo"), start("kim"), start("jo"), start("jo")
	if err := l.SignOut(t.Context(), "kettlewick", ended); err != nil {
		t.Fatal(err)
	}
	for what, id := range map[string]string{"one that ended": ended, "kim's": kims, "none": "abcdefghij23"} {
		if err := keep(id); status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s: %v", what, err)
		}
	}
	if err := keep(counts); err != nil {
		t.Errorf("the control: %v", err)
	}
	l.write(l.person("jo").Signed("hash", l.clock.Now()))
	if err := keep(reset); status.Code(err) != codes.Unauthenticated {
		t.Errorf("one of an earlier generation: %v", err)
	}
	late := start("jo")
	l.clock.Advance(sessions.Lifetime)
	if err := keep(late); status.Code(err) != codes.Unauthenticated {
		t.Errorf("one that ran out: %v", err)
	}
}

// TestNobodyIsOperatorByHimself: no role of a person's is the operator's.
func TestNobodyIsOperatorByHimself(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	l.write(people.New(&fitmentv1.Person{Business: "kettlewick", Id: "eve", Roles: []string{"operator", "admin"}}, "", l.clock.Now()))
	_, credential, err := l.Start(t.Context(), l.person("eve"), sessions.ByPassword, sessions.Once{})
	if err != nil {
		t.Fatal(err)
	}
	p, err := l.Verify(t.Context(), credential)
	if err != nil || p.Has(identity.Operator) || !p.Has(identity.Admin) {
		t.Errorf("%+v, %v", p, err)
	}
}

// broken is a store that does not answer.
type broken struct{ store.Store }

func (broken) Get(context.Context, store.Key) (store.Record, error) {
	return store.Record{}, store.ErrBroken
}

// TestAStoreThatDoesNotAnswer refuses nobody and lets nobody in.
func TestAStoreThatDoesNotAnswer(t *testing.T) {
	t.Parallel()
	l := newLobby(t.Context(), t, t.TempDir())
	defer l.close()
	_, credential, err := l.Start(t.Context(), l.person("jo"), sessions.ByPassword, sessions.Once{})
	if err != nil {
		t.Fatal(err)
	}
	switchable := &swap{Store: l.records}
	over, err := sessions.Open(t.Context(), sessions.Options{Records: switchable, Businesses: businesses.New(l.records)})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := over.Verify(t.Context(), credential); err != nil {
		t.Fatalf("the control: %v", err)
	}
	switchable.Store = broken{l.records}
	if _, err := over.Verify(t.Context(), credential); status.Code(err) != codes.Unavailable || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN {
		t.Errorf("%v", err)
	}
	if _, err := sessions.Open(t.Context(), sessions.Options{}); err == nil {
		t.Error("sessions over nothing were opened")
	}
}

type swap struct{ store.Store }

func TestNamesOfSessions(t *testing.T) {
	t.Parallel()
	name := sessions.Name("kettlewick", "abcdefghij23")
	if business, id, ok := sessions.ParseName(name); !ok || business != "kettlewick" || id != "abcdefghij23" {
		t.Errorf("%s: %s %s %v", name, business, id, ok)
	}
	for _, text := range []string{"", "sessions/", "sessions/kettlewick", "sessions/kettlewick.", "sessions/.abcdefghij23", "sessions/kettlewick.abcdefghij2", "keys/kettlewick.abcdefghij23", fmt.Sprint(name, "x"), name + "\n"} {
		if _, _, ok := sessions.ParseName(text); ok {
			t.Errorf("%q is a name", text)
		}
	}
}
