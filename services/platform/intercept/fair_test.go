package intercept_test

import (
	"context"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/intercept"
	"beltwright.example/services/platform/limit"
)

// named accepts every credential of ours for the business that it names.
type named struct{}

func (named) Verify(_ context.Context, key string) (identity.Principal, error) {
	parts := strings.SplitN(key, "_", 4)
	if len(parts) != 4 || parts[3] == "wrong" {
		return identity.Principal{}, auth.Invalid()
	}
	return identity.Principal{Tenant: parts[1], KeyID: parts[2], Roles: []identity.Role{identity.Shop}}, nil
}

// One business sends twenty times what the server can do, by calls each of which is
// within its rate, and another one a few. The other one's are all answered. In the
// control the few come from the same business, and so share what becomes of the many.
func TestNoBusinessCrowdsOutAnother(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		few  string
		fair bool
	}{"another business": {"bw_quiet_k_secret", true}, "control: the same business": {"bw_loud_other_secret", false}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				limits, err := limit.New(limit.Config{
					Gates: map[limit.Class]limit.Room{limit.Search: {AtOnce: 2 * processors, Queue: 3 * processors}},
					Rates: map[limit.Class]limit.Speed{limit.Search: {PerSecond: 1e6, Burst: 1e6}},
				})
				if err != nil {
					t.Fatal(err)
				}
				links, err := intercept.Chain(intercept.Config{Verifier: named{}, Limits: limits, Log: slog.New(slog.DiscardHandler)})
				if err != nil {
					t.Fatal(err)
				}
				m := newMachine(slices10)
				var both sync.WaitGroup
				var loud, quiet result
				both.Go(func() { loud = offerAs(t, links, m, "bw_loud_k_secret", 20*perSecond, 2*time.Second) })
				both.Go(func() { quiet = offerAs(t, links, m, c.few, perSecond/20, 2*time.Second) })
				both.Wait()
				t.Logf("the many %+v, the few %+v", loud, quiet)
				if fair := quiet.good == quiet.sent; fair != c.fair {
					t.Errorf("of the few, %d of %d were answered", quiet.good, quiet.sent)
				}
				if loud.good+quiet.good < 2*perSecond*9/10 {
					t.Errorf("%d calls were answered in all, of %d that can be", loud.good+quiet.good, 2*perSecond)
				}
			})
		})
	}
}
