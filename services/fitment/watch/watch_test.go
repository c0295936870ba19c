package watch_test

import (
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/watch"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

const (
	fits  = fitmentv1.Decision_FITS
	prove = fitmentv1.Decision_PROVE_FIRST
)

func mark(tb testing.TB, tenant, name string, need *fitmentv1.Need) watch.Mark {
	tb.Helper()
	m, err := watch.MarkOf(tenant, name, need)
	if err != nil {
		tb.Fatal(err)
	}
	return m
}

func need() *fitmentv1.Need {
	return &fitmentv1.Need{Vehicle: &fitmentv1.Vehicle{Make: "Tarvena"}, Kind: fitmentv1.Part_CLOCK_SPRING}
}

func encode(t rapid.TB, m watch.Mark, s *watch.State) string {
	t.Helper()
	token, err := watch.Encode(m, s)
	if err != nil {
		t.Fatal(err)
	}
	return token
}

// TestAStateIsWhatWasSent follows random sendings with a map, through tokens.
func TestAStateIsWhatWasSent(t *testing.T) {
	t.Parallel()
	m := mark(t, "shop-a", "needs/1", need())
	rapid.Check(t, func(rt *rapid.T) {
		model := map[string]fitmentv1.Decision_Verdict{}
		s := &watch.State{}
		name := rapid.Custom(func(t *rapid.T) string {
			return "listings/" + rapid.StringMatching(`[a-z0-9-]{1,4}\.[A-Za-z0-9_-]{1,3}`).Draw(t, "name")
		})
		for range rapid.IntRange(0, 40).Draw(rt, "steps") {
			one := name.Draw(rt, "listing")
			switch rapid.IntRange(0, 3).Draw(rt, "what") {
			case 0:
				s.Drop(one)
				delete(model, one)
			case 1:
				s.Place = store.Place{Epoch: rapid.StringN(0, 8, 8).Draw(rt, "epoch"), Version: rapid.Int64Min(0).Draw(rt, "version")}
			default:
				verdict := rapid.SampledFrom([]fitmentv1.Decision_Verdict{fits, prove}).Draw(rt, "verdict")
				s.Add(one, verdict)
				model[one] = verdict
			}
			again, err := watch.Decode(m, encode(rt, m, s))
			if err != nil || again.Place != s.Place {
				rt.Fatalf("place %v came back as %v, %v", s.Place, again, err)
			}
			s = again
		}
		var names []string
		for _, one := range s.Listings() {
			names = append(names, one.Name)
			if !s.Knows(one.Name, model[one.Name]) || s.Knows(one.Name, fits+prove-model[one.Name]) {
				rt.Errorf("%s is known otherwise than as %s", one.Name, model[one.Name])
			}
		}
		want := slices.Sorted(maps.Keys(model))
		if !slices.Equal(names, want) {
			rt.Fatalf("has %v, was sent %v", names, want)
		}
		if gone := s.Gone(func(one string) bool { return model[one] == fits }); len(gone) != len(want)-count(model, fits) {
			rt.Errorf("gone %v of %v", gone, model)
		}
	})
}

func count(model map[string]fitmentv1.Decision_Verdict, verdict fitmentv1.Decision_Verdict) int {
	n := 0
	for _, v := range model {
		if v == verdict {
			n++
		}
	}
	return n
}

func TestATokenIsOfItsWatchOnly(t *testing.T) {
	t.Parallel()
	own := mark(t, "shop-a", "needs/1", need())
	s := &watch.State{Place: store.Place{Epoch: "e", Version: 7}}
	s.Add("listings/north-yard.1", fits)
	token := encode(t, own, s)
	other := need()
	other.Vehicle.Make = "Oskeld"
	for what, m := range map[string]watch.Mark{
		"another business": mark(t, "shop-b", "needs/1", need()),
		"another name":     mark(t, "shop-a", "needs/2", need()),
		"another need":     mark(t, "shop-a", "needs/1", other),
		"shifted text":     mark(t, "shop-a\x00needs/1", "", need()),
	} {
		if _, err := watch.Decode(m, token); !errors.Is(err, watch.ErrToken) {
			t.Errorf("%s: %v", what, err)
		}
	}
	raw, err := base64.RawURLEncoding.DecodeString(token[1:])
	if err != nil {
		t.Fatal(err)
	}
	for what, bad := range map[string]string{
		"cut": token[:len(token)-2], "longer": token + "AA", "a place": revision.Place(s.Place), "no base64": "w!", "mark only": token[:5],
		"line break": token[:6] + "\n" + token[6:], "something after": "w" + base64.RawURLEncoding.EncodeToString(append(slices.Clone(raw), 0)),
		"huge": "w" + strings.Repeat("A", watch.MaxToken),
	} {
		if _, err := watch.Decode(own, bad); !errors.Is(err, watch.ErrToken) {
			t.Errorf("%s: %v", what, err)
		}
	}
	if empty, err := watch.Decode(own, ""); err != nil || len(empty.Listings()) != 0 {
		t.Errorf("no token: %v, %v", empty, err)
	}
}

// TestTheLimitsOfAToken: as many listings as are promised fit where their names
// are such as yards give, and what does not fit is refused, never cut.
func TestTheLimitsOfAToken(t *testing.T) {
	t.Parallel()
	m := mark(t, "shop-a", "needs/1", need())
	s := &watch.State{Place: store.Place{Epoch: strings.Repeat("e", 32), Version: 1 << 40}}
	for i := range watch.MaxListings {
		// Stock numbers of five digits strewn over twenty yards.
		s.Add(fmt.Sprintf("listings/yard-of-some-town-%d.ST-%05d", i%20, i*7919%100_000), fits)
	}
	token := encode(t, m, s)
	if again, err := watch.Decode(m, token); err != nil || !cmp.Equal(again.Listings(), s.Listings()) {
		t.Errorf("%d listings did not come back: %v", watch.MaxListings, err)
	}
	t.Logf("%d listings: a token of %d characters", watch.MaxListings, len(token))
	s.Add("listings/one.more", fits)
	if _, err := watch.Encode(m, s); !errors.Is(err, watch.ErrTooMany) {
		t.Errorf("%d listings: %v", watch.MaxListings+1, err)
	}
	long := &watch.State{}
	for i := range watch.MaxListings / 2 {
		sum := fmt.Sprintf("%x", sha256.Sum256([]byte{byte(i), byte(i >> 8)}))
		long.Add("listings/"+sum[:32]+"."+sum[24:], fits)
	}
	if _, err := watch.Encode(m, long); !errors.Is(err, watch.ErrTooMany) {
		t.Errorf("a thousand of the longest names: %v", err)
	}
	bad := &watch.State{}
	bad.Add("listings/a.b", fitmentv1.Decision_BARRED)
	if _, err := watch.Encode(m, bad); err == nil {
		t.Error("what is barred was written as sent")
	}
}

// FuzzDecode: whatever is read has exactly one token.
func FuzzDecode(f *testing.F) {
	m := mark(f, "shop-a", "needs/1", need())
	s := &watch.State{Place: store.Place{Epoch: "epoch", Version: 42}}
	f.Add(encode(f, m, s))
	s.Add("listings/north-yard.ST-1", fits)
	s.Add("listings/north-yard.ST-2", prove)
	s.Add("listings/south.1", prove)
	f.Add(encode(f, m, s))
	f.Add("")
	f.Add("w")
	f.Fuzz(func(t *testing.T, token string) {
		read, err := watch.Decode(m, token)
		if err != nil {
			return
		}
		again, err := watch.Encode(m, read)
		if err != nil || (again != token && token != "") {
			t.Fatalf("%q was read as %v, which is written %q, %v", token, read, again, err)
		}
	})
}
