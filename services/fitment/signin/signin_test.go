package signin_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/fitment/people"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/fitment/signin"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
	"beltwright.example/services/store/storetest"
)

const passphrase = "four plain words here"

// door is a desk at which jo of kettlewick signs in.
type door struct {
	*signin.Desk

	t       *testing.T
	records store.Store
	clock   *storetest.Clock
}

func newDoor(t *testing.T, hash string, options password.Options, change ...func(o *signin.Options)) *door {
	t.Helper()
	d := &door{t: t, clock: storetest.NewClock(time.Date(2026, time.June, 30, 12, 0, 0, 0, time.UTC))}
	records, err := embedded.Open(t.TempDir(), embedded.Options{Now: d.clock.Now, NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = records.Close() })
	d.records = records
	known := businesses.New(records)
	if err := known.Ensure(t.Context(), "kettlewick", false, d.clock.Now()); err != nil {
		t.Fatal(err)
	}
	kept, err := sessions.Open(t.Context(), sessions.Options{Records: records, Businesses: known})
	if err != nil {
		t.Fatal(err)
	}
	put, err := people.New(&fitmentv1.Person{Business: "kettlewick", Id: "jo", Roles: []string{"yard"}}, hash, d.clock.Now()).Put()
	if err != nil {
		t.Fatal(err)
	}
	if applied, err := records.Apply(t.Context(), store.Change{Puts: []store.Put{put}}); err != nil || applied[0].Err != nil {
		t.Fatal(err, applied)
	}
	standing := signin.Options{
		Records: records, Sessions: kept, Hasher: password.NewHasher(options),
		Logins: guesses.New(guesses.Options{Now: d.clock.Now}), Addresses: guesses.New(guesses.Options{Free: 10, Now: d.clock.Now}),
	}
	for _, one := range change {
		one(&standing)
	}
	if d.Desk, err = signin.New(standing); err != nil {
		t.Fatal(err)
	}
	return d
}

func (d *door) hash() string {
	d.t.Helper()
	kept, err := people.Get(d.t.Context(), d.records, "kettlewick", "jo")
	if err != nil {
		d.t.Fatal(err)
	}
	return kept.Hash
}

func (d *door) try(login, secret, place string) fitmentv1.ErrorInfo_Reason {
	d.t.Helper()
	_, _, err := d.ByPassword(d.t.Context(), login, secret, place)
	return apierr.ReasonOf(err)
}

const (
	in      = fitmentv1.ErrorInfo_REASON_UNSPECIFIED
	refused = fitmentv1.ErrorInfo_SIGN_IN_REFUSED
	waiting = fitmentv1.ErrorInfo_RATE_LIMITED
)

// TestHashesRiseAtSignIn: a password that was hashed with less work is hashed anew by
// whoever has it; the session that begins counts, and a wrong password changes nothing.
func TestHashesRiseAtSignIn(t *testing.T) {
	t.Parallel()
	weak := password.Options{Parameters: password.Parameters{Memory: 32, Time: 1, Threads: 1}}
	old, err := password.NewHasher(weak).Make(t.Context(), passphrase)
	if err != nil {
		t.Fatal(err)
	}
	d := newDoor(t, old, password.Options{Parameters: password.Parameters{Memory: 64, Time: 1, Threads: 1}})
	if reason := d.try("jo@kettlewick", "four other words here", ""); reason != refused || d.hash() != old {
		t.Errorf("a wrong password: %v, %s", reason, d.hash())
	}
	if reason := d.try("jo@kettlewick", passphrase, ""); reason != in || !strings.HasPrefix(d.hash(), "$argon2id$v=19$m=64,") {
		t.Errorf("the right one: %v, %s", reason, d.hash())
	}
	risen := d.hash()
	if reason := d.try("jo@kettlewick", passphrase, ""); reason != in || d.hash() != risen {
		t.Errorf("once more: %v, hashed again %v", reason, d.hash() != risen)
	}
}

// TestGuessesAreCountedByAddress, whatever the logins; a sign-in of one's own between
// them does not wipe them out. The control comes from as many addresses.
func TestGuessesAreCountedByAddress(t *testing.T) {
	t.Parallel()
	cheap := password.Options{Parameters: password.Parameters{Memory: 32, Time: 1, Threads: 1}}
	hash, err := password.NewHasher(cheap).Make(t.Context(), passphrase)
	if err != nil {
		t.Fatal(err)
	}
	d := newDoor(t, hash, cheap)
	for i := range 10 {
		if reason := d.try(fmt.Sprintf("nobody-%d@kettlewick", i), passphrase, "192.0.2.1"); reason != refused {
			t.Fatalf("guess %d: %v", i, reason)
		}
		if i == 4 {
			if reason := d.try("jo@kettlewick", passphrase, "192.0.2.1"); reason != in {
				t.Fatalf("one's own: %v", reason)
			}
		}
	}
	if reason := d.try("nobody-10@kettlewick", passphrase, "192.0.2.1"); reason != waiting {
		t.Errorf("the eleventh: %v", reason)
	}
	if reason := d.try("jo@kettlewick", passphrase, "192.0.2.2"); reason != in {
		t.Errorf("from elsewhere: %v", reason)
	}
	for i := range 12 { // the control
		if reason := d.try(fmt.Sprintf("somebody-%d@kettlewick", i), passphrase, fmt.Sprint("198.51.100.", i)); reason != refused {
			t.Errorf("the control, guess %d: %v", i, reason)
		}
	}
}

// TestWhatIsNobodysFaultIsNotCounted: a server that has no time for a hash turns people
// away, and none of that counts as a guess.
func TestWhatIsNobodysFaultIsNotCounted(t *testing.T) {
	t.Parallel()
	cheap := password.Options{Parameters: password.Parameters{Memory: 32, Time: 1, Threads: 1}}
	hash, err := password.NewHasher(cheap).Make(t.Context(), passphrase)
	if err != nil {
		t.Fatal(err)
	}
	d := newDoor(t, hash, cheap)
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for range 100 {
		_, _, _ = d.ByPassword(ended, "jo@kettlewick", passphrase, "192.0.2.1")
	}
	if reason := d.try("jo@kettlewick", passphrase, "192.0.2.1"); reason != in {
		t.Errorf("after 100 calls that were given up: %v", reason)
	}
}

// TestGuessesThatAreGivenUpCount, be the login somebody's or nobody's: who leaves before
// the answer has guessed all the same. The control is the right password, given up as
// often, above.
func TestGuessesThatAreGivenUpCount(t *testing.T) {
	t.Parallel()
	cheap := password.Options{Parameters: password.Parameters{Memory: 32, Time: 1, Threads: 1}}
	hash, err := password.NewHasher(cheap).Make(t.Context(), passphrase)
	if err != nil {
		t.Fatal(err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, login := range []string{"jo@kettlewick", "nobody@kettlewick"} {
		d := newDoor(t, hash, cheap)
		for range 5 {
			_, _, _ = d.ByPassword(ended, login, "four other words here", "192.0.2.1")
		}
		if reason := d.try(login, passphrase, "192.0.2.2"); reason != waiting {
			t.Errorf("%s after 5 guesses that were given up: %v", login, reason)
		}
		for i := range 5 {
			_, _, _ = d.ByPassword(ended, fmt.Sprint(i, login), "four other words here", "192.0.2.1")
		}
		if reason := d.try("kim@kettlewick", passphrase, "192.0.2.1"); reason != waiting {
			t.Errorf("from an address after 10: %v", reason)
		}
	}
}

// TestUnknownLoginsTakeAsLong: a login that is nobody's takes as long to refuse as a
// wrong password, by the medians of many tries at both in turn. The control looks the
// login up and stops there, as would be natural: it takes a tenth of that at most.
func TestUnknownLoginsTakeAsLong(t *testing.T) {
	t.Parallel()
	work := password.Options{Parameters: password.Parameters{Memory: 8 << 10, Time: 2, Threads: 1}}
	hash, err := password.NewHasher(work).Make(t.Context(), passphrase)
	if err != nil {
		t.Fatal(err)
	}
	d := newDoor(t, hash, work, func(o *signin.Options) { o.Logins = guesses.New(guesses.Options{Free: 1000}) })
	const tries = 41
	var known, unknown, control [tries]time.Duration
	timed := func(into *time.Duration, try func()) {
		began := time.Now()
		try()
		*into = time.Since(began)
	}
	for i := range tries {
		timed(&known[i], func() {
			if d.try("jo@kettlewick", "four other words here", "") != refused {
				t.Error("a wrong password was not refused")
			}
		})
		timed(&unknown[i], func() {
			if d.try("nobody@kettlewick", "four other words here", "") != refused {
				t.Error("nobody was not refused")
			}
		})
		timed(&control[i], func() { _, _ = people.Get(t.Context(), d.records, "kettlewick", "nobody") })
	}
	median := func(all [tries]time.Duration) time.Duration {
		slices.Sort(all[:])
		return all[tries/2]
	}
	one, other, bare := median(known), median(unknown), median(control)
	t.Logf("wrong password %v, nobody %v, without a hash %v", one, other, bare)
	if ratio := float64(other) / float64(one); ratio < 0.5 || ratio > 2 {
		t.Errorf("nobody takes %v, a wrong password %v", other, one)
	}
	if bare > one/10 {
		t.Errorf("the control takes %v of %v: the test could not tell", bare, one)
	}
}

func TestADeskNeedsEverything(t *testing.T) {
	t.Parallel()
	if _, err := signin.New(signin.Options{}); err == nil {
		t.Error("a desk over nothing was made")
	}
	d := newDoor(t, "", password.Options{Parameters: password.Parameters{Memory: 32, Time: 1, Threads: 1}})
	_, _, err := d.ByToken(t.Context(), "token", "nonce", "")
	if apierr.ReasonOf(err) != refused || !strings.Contains(err.Error(), "trusts no identity provider") {
		t.Errorf("a token where no provider is trusted: %v", err)
	}
}
