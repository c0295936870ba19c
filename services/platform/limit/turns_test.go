package limit_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"

	"google.golang.org/grpc/metadata"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/limit"
)

// Businesses take turns, the one of which the fewest run first, and whoever has the most
// calls waiting loses the newest of them to one who has fewer.
func TestBusinessesTakeTurns(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := gates(t, limit.Room{AtOnce: 1, Queue: 3})
		leave, err := g.Enter(t.Context(), searchMethod, "loud")
		if err != nil {
			t.Fatal(err)
		}
		var mu sync.Mutex
		var order []string
		enter := func(whose, name string) {
			go func() {
				leave, err := g.Enter(t.Context(), searchMethod, whose)
				mu.Lock()
				defer mu.Unlock()
				if err != nil {
					refused(t, err, fitmentv1.ErrorInfo_OVERLOADED)
					order = append(order, name+" refused")
					return
				}
				order = append(order, name)
				leave()
			}()
			synctest.Wait()
		}
		enter("loud", "loud 1")
		enter("loud", "loud 2")
		enter("loud", "loud 3")
		if !g.Full(searchMethod, "loud") || g.Full(searchMethod, "quiet") {
			t.Error("it is not full for the loud one, or full for the quiet one")
		}
		enter("loud", "loud 4")   // nobody has more
		enter("quiet", "quiet 1") // in place of the third
		enter("quiet", "quiet 2") // two and one: nobody has more than one more
		leave()
		synctest.Wait()
		const want = "loud 4 refused, loud 3 refused, quiet 2 refused, loud 1, loud 2, quiet 1"
		got := strings.Join(order, ", ")
		if got != want {
			t.Errorf("%s\nwant %s", got, want)
		}
		if again, err := g.Enter(t.Context(), searchMethod, ""); err != nil {
			t.Errorf("a place is lost: %v", err)
		} else {
			again()
		}
	})
}

// Whoever has one running waits behind whoever has none, although it came before.
func TestWhoHasNoneRunningComesFirst(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		g := gates(t, limit.Room{AtOnce: 2, Queue: 4})
		var leaves []func()
		for range 2 {
			leave, err := g.Enter(t.Context(), searchMethod, "loud")
			if err != nil {
				t.Fatal(err)
			}
			leaves = append(leaves, leave)
		}
		first := make(chan string, 2)
		for _, whose := range []string{"loud", "quiet"} {
			go func() {
				if leave, err := g.Enter(t.Context(), searchMethod, whose); err == nil {
					first <- whose
					defer leave()
				}
			}()
			synctest.Wait()
		}
		leaves[0]()
		if got := <-first; got != "quiet" {
			t.Errorf("%s came first", got)
		}
		<-first
		leaves[1]()
	})
}

// Before the services one business has at most half of the room, since nobody waits
// there whose place it could be given.
func TestNobodyFillsTheFront(t *testing.T) {
	t.Parallel()
	l := limits(t, limit.Config{Gates: map[limit.Class]limit.Room{limit.Search: {AtOnce: 4, Queue: 6}}})
	for range 5 {
		if _, err := l.Front.Enter(t.Context(), searchMethod, "loud"); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := l.Front.Enter(t.Context(), searchMethod, "loud"); err == nil || !l.Front.Full(searchMethod, "loud") {
		t.Errorf("%v: a business took more than half", err)
	}
	for range 5 {
		if _, err := l.Front.Enter(t.Context(), searchMethod, "quiet"); err != nil {
			t.Fatal(err)
		}
	}
	if !l.Front.Full(searchMethod, "third") {
		t.Error("more may come than there is room for")
	}
}

// The gates read whose a call says it is, and nothing that is not ours.
func TestClaims(t *testing.T) {
	t.Parallel()
	for header, want := range map[string]string{
		"Bearer bw_kettlewick_abcdefghij23_secret": "kettlewick",
		"Bearer bs_a_b_c_d":                        "a",
		"Bearer bw_kettlewick":                     "",
		"Bearer something":                         "",
		"Basic bw_a_b_c":                           "",
		"":                                         "",
		"Bearer bw_" + strings.Repeat("a", 65) + "_b": "",
	} {
		ctx := metadata.NewIncomingContext(t.Context(), metadata.Pairs(auth.Header, header))
		if got := limit.Claimed(ctx); got != want {
			t.Errorf("%q: %q, want %q", header, got, want)
		}
	}
	if got := limit.Claimed(context.Background()); got != "" {
		t.Errorf("no header: %q", got)
	}
}
