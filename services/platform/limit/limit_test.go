package limit_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// clock is a clock that is set.
type clock struct{ at time.Time }

func (c *clock) now() time.Time { return c.at }

func newClock() *clock { return &clock{at: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)} }

func limits(t *testing.T, config limit.Config) *limit.Limits {
	t.Helper()
	l, err := limit.New(config)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func who(tenant, key string) identity.Principal {
	return identity.Principal{Tenant: tenant, KeyID: key}
}

// refused tells after which time a refused caller may try again.
func refused(t *testing.T, err error, reason apierr.Reason) time.Duration {
	t.Helper()
	if status.Code(err) != codes.ResourceExhausted || apierr.ReasonOf(err) != reason {
		t.Fatalf("%v, want RESOURCE_EXHAUSTED %v", err, reason)
	}
	for _, detail := range status.Convert(err).Details() {
		if retry, ok := detail.(*errdetails.RetryInfo); ok {
			return retry.GetRetryDelay().AsDuration()
		}
	}
	t.Fatalf("%v does not say when to try again", err)
	return 0
}

// takes counts how many calls one after the other are let through at most n.
func takes(l *limit.Limits, p identity.Principal, class limit.Class, n int) int {
	for i := range n {
		if _, err := l.Rates.Take(p, class); err != nil {
			return i
		}
	}
	return n
}

func TestACredentialAsksAsFastAsItsRate(t *testing.T) {
	t.Parallel()
	c := newClock()
	l := limits(t, limit.Config{Now: c.now, Rates: map[limit.Class]limit.Speed{limit.Write: {PerSecond: 10, Burst: 5}}})
	p := who("a", "k1")
	if got := takes(l, p, limit.Write, 100); got != 5 {
		t.Fatalf("%d calls at once, want the burst of 5", got)
	}
	_, err := l.Rates.Take(p, limit.Write)
	if said := status.Convert(err).Message(); !strings.HasSuffix(said, "; wait 1 second") {
		t.Errorf("it does not say how long to wait: %s", said)
	}
	if wait := refused(t, err, fitmentv1.ErrorInfo_RATE_LIMITED); wait != 100*time.Millisecond {
		t.Errorf("wait %v, want 100ms: ten calls a second", wait)
	}
	c.at = c.at.Add(99 * time.Millisecond)
	if got := takes(l, p, limit.Write, 10); got != 0 {
		t.Errorf("%d calls too early", got)
	}
	c.at = c.at.Add(time.Millisecond)
	if got := takes(l, p, limit.Write, 10); got != 1 {
		t.Errorf("%d calls after the wait that was told, want 1", got)
	}
	if got := takes(l, who("b", ""), limit.Write, 100); got != 5 {
		t.Errorf("a credential without an id: %d", got)
	}
	if got := takes(l, p, limit.Read, 10); got != 10 {
		t.Errorf("reads share the budget of writes: %d", got)
	}
	if got := takes(l, who("a", "k2"), limit.Write, 100); got != 5 {
		t.Errorf("another credential of the business: %d", got)
	}
}

func TestMoreKeysDoNotHelpABusiness(t *testing.T) {
	t.Parallel()
	c := newClock()
	l := limits(t, limit.Config{Now: c.now, Rates: map[limit.Class]limit.Speed{limit.Write: {PerSecond: 1, Burst: 5}}})
	all := 0
	for i := range 100 {
		all += takes(l, who("a", fmt.Sprint("k", i)), limit.Write, 10)
	}
	if want := 5 * limit.BusinessShare; all != want {
		t.Errorf("100 keys made %d calls, want %d", all, want)
	}
	if got := takes(l, who("b", "k"), limit.Write, 10); got != 5 {
		t.Errorf("another business made %d calls, want 5", got)
	}
	// A call that the business has no room for costs the credential nothing.
	c.at = c.at.Add(time.Second)
	if got := takes(l, who("a", "fresh"), limit.Write, 10); got != limit.BusinessShare {
		t.Errorf("a fresh key made %d calls a second later, want %d", got, limit.BusinessShare)
	}
	c.at = c.at.Add(time.Hour)
	if got := takes(l, who("a", "fresh"), limit.Write, 10); got != 5 {
		t.Errorf("an hour later %d", got)
	}
}

func TestCallsThatLastAreCountedWhileTheyDo(t *testing.T) {
	t.Parallel()
	l := limits(t, limit.Config{Rates: map[limit.Class]limit.Speed{limit.Bulk: {PerSecond: 1000, Burst: 1000, AtOnce: 2}}})
	first, err := l.Rates.Take(who("a", "k1"), limit.Bulk)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := l.Rates.Take(who("a", "k2"), limit.Bulk); err != nil {
		t.Fatal(err)
	}
	_, err = l.Rates.Take(who("a", "k3"), limit.Bulk)
	refused(t, err, fitmentv1.ErrorInfo_RATE_LIMITED)
	if _, err := l.Rates.Take(who("b", "k"), limit.Bulk); err != nil {
		t.Errorf("another business: %v", err)
	}
	first()
	first() // twice is once
	if _, err := l.Rates.Take(who("a", "k3"), limit.Bulk); err != nil {
		t.Errorf("after one has ended: %v", err)
	}
	_, err = l.Rates.Take(who("a", "k4"), limit.Bulk)
	refused(t, err, fitmentv1.ErrorInfo_RATE_LIMITED)
}

// Whatever is asked when by whom: no credential gets more than its burst and rate,
// no business more than four times that, and who waits as told gets through unless
// others of the business were faster.
func TestRatesHoldForAnyCallers(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		c := newClock()
		start := c.at
		perSecond := rapid.Float64Range(0.5, 50).Draw(r, "rate")
		burst := rapid.IntRange(1, 20).Draw(r, "burst")
		l, err := limit.New(limit.Config{Now: c.now, Rates: map[limit.Class]limit.Speed{limit.Read: {PerSecond: perSecond, Burst: burst}}})
		if err != nil {
			r.Fatal(err)
		}
		keys, businesses := map[string]int{}, map[string]int{}
		for range rapid.IntRange(1, 200).Draw(r, "calls") {
			c.at = c.at.Add(time.Duration(rapid.IntRange(0, 200).Draw(r, "pause")) * time.Millisecond)
			p := who(rapid.SampledFrom([]string{"a", "b"}).Draw(r, "tenant"), rapid.SampledFrom([]string{"1", "2", "3", "4", "5", "6"}).Draw(r, "key"))
			if _, err := l.Rates.Take(p, limit.Read); err == nil {
				keys[p.Tenant+p.KeyID]++
				businesses[p.Tenant]++
			}
			most := float64(burst) + perSecond*c.at.Sub(start).Seconds() + 1e-6
			if got := float64(keys[p.Tenant+p.KeyID]); got > most {
				r.Fatalf("a key made %v calls in %v, at most %v are allowed", got, c.at.Sub(start), most)
			}
			if got := float64(businesses[p.Tenant]); got > most*limit.BusinessShare {
				r.Fatalf("a business made %v calls in %v, at most %v are allowed", got, c.at.Sub(start), most*limit.BusinessShare)
			}
		}
	})
}

func TestBudgetsTakeBoundedRoom(t *testing.T) {
	t.Parallel()
	l := limits(t, limit.Config{})
	for i := range 50_000 {
		if _, err := l.Rates.Take(who(fmt.Sprint("t", i), "k"), limit.Read); err != nil {
			t.Fatal(err)
		}
		l.Doors.Wrong(fmt.Sprint("place ", i))
		l.Doors.Good(fmt.Sprint("place ", i), "k")
	}
	if got := limit.Remembered(l); got > 3*10_000 {
		t.Errorf("%d entries are remembered of 50,000 callers", got)
	}
}

func TestWrongCredentialsOfOneAddress(t *testing.T) {
	t.Parallel()
	c := newClock()
	d := limits(t, limit.Config{Now: c.now, Doors: limit.DoorConfig{Burst: 3, Every: 2 * time.Second}}).Doors
	guess := func(place string) error {
		if err := d.Enter(place, "a guess"); err != nil {
			return err
		}
		d.Wrong(place)
		return nil
	}
	d.Good("10.0.0.1", "the shop's key")
	for i := range 3 {
		if err := guess("10.0.0.1"); err != nil {
			t.Fatalf("guess %d: %v", i+1, err)
		}
	}
	if said := status.Convert(guess("10.0.0.1")).Message(); !strings.HasSuffix(said, "; wait 2 seconds") {
		t.Errorf("it does not say how long to wait: %s", said)
	}
	if wait := refused(t, guess("10.0.0.1"), fitmentv1.ErrorInfo_RATE_LIMITED); wait != 2*time.Second {
		t.Errorf("wait %v, want 2s", wait)
	}
	if err := d.Enter("10.0.0.1", "the shop's key"); err != nil {
		t.Errorf("a good key from behind the same address: %v", err)
	}
	refused(t, d.Enter("10.0.0.1", "another good key, which nobody has seen"), fitmentv1.ErrorInfo_RATE_LIMITED)
	if err := guess("10.0.0.2"); err != nil {
		t.Errorf("another address: %v", err)
	}
	c.at = c.at.Add(2 * time.Second)
	if err := guess("10.0.0.1"); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	refused(t, guess("10.0.0.1"), fitmentv1.ErrorInfo_RATE_LIMITED)
	c.at = c.at.Add(3 * time.Second / 2)
	refused(t, guess("10.0.0.1"), fitmentv1.ErrorInfo_RATE_LIMITED)
	c.at = c.at.Add(time.Hour)
	for range 3 {
		if err := guess("10.0.0.1"); err != nil {
			t.Fatal(err)
		}
	}
	refused(t, d.Enter("10.0.0.1", "the shop's key"), fitmentv1.ErrorInfo_RATE_LIMITED) // not seen for an hour
}

// RFC 6177 gives sites at least a /64; RFC 4291 §2.5.5.2 maps IPv4 addresses.
func TestPlaces(t *testing.T) {
	t.Parallel()
	for address, want := range map[string]string{
		"192.0.2.7:4711":                   "192.0.2.7",
		"192.0.2.7":                        "192.0.2.7",
		"[::ffff:192.0.2.7]:1":             "192.0.2.7",
		"[2001:db8:1:2:3:4:5:6]:443":       "2001:db8:1:2::/64",
		"2001:db8:1:2:ffff:ffff:ffff:ffff": "2001:db8:1:2::/64",
		"2001:db8:1:3::":                   "2001:db8:1:3::/64",
		"[fe80::1%eth0]:5":                 "fe80::/64",
		"bufconn":                          "bufconn",
		"":                                 "",
	} {
		if got := limit.Place(address); got != want {
			t.Errorf("%s: %q, want %q", address, got, want)
		}
	}
}

// verifier accepts one key and counts questions.
type verifier struct {
	mu    sync.Mutex
	asked int
}

func (v *verifier) Verify(_ context.Context, key string) (identity.Principal, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.asked++
	switch key {
	case "good":
		return who("a", "k"), nil
	case "unknown now":
		return identity.Principal{}, apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "down")
	}
	return identity.Principal{}, auth.Invalid()
}

func TestAGuardedVerifierIsAskedOnlySoOften(t *testing.T) {
	t.Parallel()
	for name, counted := range map[string]bool{"counted": true, "control: not counted": false} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			var told []limit.Refusal
			l := limits(t, limit.Config{
				Now: newClock().now, Doors: limit.DoorConfig{Burst: 10},
				Observe: func(why limit.Refusal, _ limit.Class) { told = append(told, why) },
			})
			inner := &verifier{}
			v := l.Guard(inner, func(context.Context) (string, bool) { return "here", counted })
			if _, err := v.Verify(t.Context(), "good"); err != nil {
				t.Fatal(err)
			}
			for range 50 { // what nobody can tell is not wrong
				if _, err := v.Verify(t.Context(), "unknown now"); status.Code(err) != codes.Unavailable {
					t.Fatal(err)
				}
			}
			inner.asked = 0
			wrong := 0
			for range 1000 {
				if _, err := v.Verify(t.Context(), "bad"); status.Code(err) == codes.Unauthenticated {
					wrong++
				}
			}
			want := 10
			if !counted {
				want = 1000
			}
			if wrong != want || inner.asked != want || len(told) != 1000-want {
				t.Errorf("of 1000 guesses %d were looked at, by %d questions, and %d refusals told; want %d", wrong, inner.asked, len(told), want)
			}
			if _, err := v.Verify(t.Context(), "good"); err != nil {
				t.Errorf("the good key afterwards: %v", err)
			}
		})
	}
}

const (
	readMethod   = fitmentv1.ListingService_GetListing_FullMethodName
	searchMethod = fitmentv1.FitmentService_FindDonors_FullMethodName
	quoteSearch  = "/beltwright.quote.v1.QuoteService/PrepareQuote"
)

func gates(t *testing.T, room limit.Room) *limit.Gates {
	t.Helper()
	return limits(t, limit.Config{Gates: map[limit.Class]limit.Room{limit.Search: room}}).Gates
}

func TestAGateLetsSoManyRunAndSoManyWait(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := gates(t, limit.Room{AtOnce: 2, Queue: 2})
		var leaves []func()
		for range 2 {
			leave, err := g.Enter(t.Context(), searchMethod, "")
			if err != nil {
				t.Fatal(err)
			}
			leaves = append(leaves, leave)
		}
		if g.Full(searchMethod, "") {
			t.Error("it is full although some may wait")
		}
		order := make(chan int, 2)
		for i := range 2 {
			go func() {
				if leave, err := g.Enter(t.Context(), searchMethod, ""); err == nil {
					order <- i
					defer leave()
				} else {
					t.Errorf("number %d in the queue: %v", i, err)
				}
			}()
			synctest.Wait() // so that they queue in order
		}
		if !g.Full(searchMethod, "") {
			t.Error("it is not full although nobody may wait any more")
		}
		began := time.Now()
		_, err := g.Enter(t.Context(), searchMethod, "")
		refused(t, err, fitmentv1.ErrorInfo_OVERLOADED)
		if took := time.Since(began); took != 0 {
			t.Errorf("the refusal took %v", took)
		}
		if leave, err := g.Enter(t.Context(), readMethod, ""); err != nil {
			t.Errorf("another class: %v", err)
		} else {
			leave()
		}
		if leave, err := g.Enter(t.Context(), quoteSearch, ""); err != nil {
			t.Errorf("the other side: %v", err)
		} else {
			leave()
		}
		leaves[0]()
		leaves[0]() // twice is once
		synctest.Wait()
		if first, second := <-order, <-order; first != 0 || second != 1 {
			t.Errorf("their turns came in the order %d, %d", first, second)
		}
		leaves[1]()
		if g.Full(searchMethod, "") {
			t.Error("it is full although nobody is there")
		}
	})
}

func TestNobodyWaitsLongerThanAllowed(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := gates(t, limit.Room{AtOnce: 1, Queue: 10})
		leave, err := g.Enter(t.Context(), searchMethod, "")
		if err != nil {
			t.Fatal(err)
		}
		began := time.Now()
		_, err = g.Enter(t.Context(), searchMethod, "")
		refused(t, err, fitmentv1.ErrorInfo_OVERLOADED)
		if took := time.Since(began); took != limit.DefaultWait {
			t.Errorf("it waited %v, want %v", took, limit.DefaultWait)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Millisecond)
		defer cancel()
		if _, err := g.Enter(ctx, searchMethod, ""); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("a caller whose time ran out: %v", err)
		}
		leave()
		again, err := g.Enter(t.Context(), searchMethod, "")
		if err != nil {
			t.Fatalf("after those have left the queue: %v", err)
		}
		again()
	})
}

// Callers come, wait, give up and leave at random: never do more run than may, and in
// the end nobody is left over.
func TestAGateCountsRight(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := gates(t, limit.Room{AtOnce: 3, Queue: 4})
		var mu sync.Mutex
		var running, most, entered int
		var all sync.WaitGroup
		for i := range 2000 {
			all.Go(func() {
				time.Sleep(time.Duration(i%97) * time.Millisecond) //nolint:forbidigo // the bubble's clock
				ctx, cancel := context.WithTimeout(t.Context(), time.Duration(1+i%50)*time.Millisecond)
				defer cancel()
				leave, err := g.Enter(ctx, searchMethod, "")
				if err != nil {
					return
				}
				mu.Lock()
				running++
				entered++
				most = max(most, running)
				mu.Unlock()
				time.Sleep(time.Duration(i%7) * time.Millisecond) //nolint:forbidigo // the bubble's clock
				mu.Lock()
				running--
				mu.Unlock()
				leave()
			})
		}
		all.Wait()
		if most != 3 || entered < 50 {
			t.Errorf("at most %d ran at once, want 3; %d ran in all", most, entered)
		}
		for range 3 {
			if _, err := g.Enter(t.Context(), searchMethod, ""); err != nil {
				t.Fatalf("a place is lost: %v", err)
			}
		}
	})
}

func TestWhatIsVitalIsNeverShed(t *testing.T) {
	t.Parallel()
	g := limits(t, limit.Config{Gates: map[limit.Class]limit.Room{
		limit.Read: {AtOnce: 1}, limit.Search: {AtOnce: 1}, limit.Write: {AtOnce: 1}, limit.Bulk: {AtOnce: 1},
	}}).Gates
	for _, method := range []string{
		"/grpc.health.v1.Health/Check", "/grpc.health.v1.Health/Watch",
		fitmentv1.IdentityService_VerifyCredential_FullMethodName, fitmentv1.IdentityService_SignOut_FullMethodName,
		fitmentv1.IdentityService_EndSession_FullMethodName, fitmentv1.IdentityService_RevokeKey_FullMethodName,
		fitmentv1.FitmentService_WatchDonors_FullMethodName,
	} {
		for range 1000 {
			if _, err := g.Enter(t.Context(), method, ""); err != nil {
				t.Fatalf("%s: %v", method, err)
			}
		}
		if g.Full(method, "") {
			t.Errorf("%s is full", method)
		}
	}
	for _, method := range []string{readMethod, searchMethod, fitmentv1.ListingService_SellListing_FullMethodName, fitmentv1.ListingService_ImportListings_FullMethodName} {
		if _, err := g.Enter(t.Context(), method, ""); err != nil {
			t.Fatal(err)
		}
		_, err := g.Enter(t.Context(), method, "") // the control
		refused(t, err, fitmentv1.ErrorInfo_OVERLOADED)
	}
}

func TestFiguresAreChecked(t *testing.T) {
	t.Parallel()
	for name, config := range map[string]limit.Config{
		"no such class":     {Rates: map[limit.Class]limit.Speed{"slow": {PerSecond: 1, Burst: 1}}},
		"no rate":           {Rates: map[limit.Class]limit.Speed{limit.Read: {Burst: 1}}},
		"no burst":          {Rates: map[limit.Class]limit.Speed{limit.Read: {PerSecond: 1}}},
		"negative at once":  {Rates: map[limit.Class]limit.Speed{limit.Read: {PerSecond: 1, Burst: 1, AtOnce: -1}}},
		"no such gate":      {Gates: map[limit.Class]limit.Room{limit.Free: {AtOnce: 1}}},
		"nothing at once":   {Gates: map[limit.Class]limit.Room{limit.Read: {}}},
		"too long a wait":   {Gates: map[limit.Class]limit.Room{limit.Read: {AtOnce: 1, Wait: limit.MaxWait + 1}}},
		"more at least":     {Gates: map[limit.Class]limit.Room{limit.Read: {AtOnce: 1, Least: 2}}},
		"negative target":   {Gates: map[limit.Class]limit.Room{limit.Read: {AtOnce: 1, Target: -1}}},
		"negative queue":    {Gates: map[limit.Class]limit.Room{limit.Read: {AtOnce: 1, Queue: -1}}},
		"negative failures": {Doors: limit.DoorConfig{Burst: -1}},
		"hours a failure":   {Doors: limit.DoorConfig{Every: 2 * time.Hour}},
	} {
		if _, err := limit.New(config); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if !slices.Contains(limit.Classes(), limit.Watch) {
		t.Error("a class is missing")
	}
}
