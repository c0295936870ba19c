package revision_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/platform/revision"
	"beltwright.example/services/store"
)

func TestPlaceRoundTrip(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		want := store.Place{
			Epoch:   rapid.StringN(1, 30, -1).Draw(t, "epoch"),
			Version: rapid.Int64Range(0, math.MaxInt64).Draw(t, "version"),
		}
		if got, err := revision.Parse(revision.Place(want)); err != nil || got != want {
			t.Fatalf("%v came back as %v, %v", want, got, err)
		}
	})
}

func TestDigestIsNoPlace(t *testing.T) {
	t.Parallel()
	place := store.Place{Epoch: "e", Version: 7}
	for _, token := range []string{revision.Digest(place), revision.Digest(place, "2026-11-25"), "", "p", "pAAAA", "nonsense", revision.Place(place) + "\n", "p\r" + revision.Place(place)[1:]} {
		if _, err := revision.Parse(token); !errors.Is(err, revision.ErrInvalid) {
			t.Errorf("Parse(%q): %v, want ErrInvalid", token, err)
		}
	}
	if revision.Digest(place, "a", "b") == revision.Digest(place, "ab") {
		t.Error("digests of different inputs are equal")
	}
}

func FuzzParse(f *testing.F) {
	f.Add(revision.Place(store.Place{Epoch: "epoch", Version: 42}))
	f.Add("p_____________")
	f.Add("d")
	f.Fuzz(func(t *testing.T, token string) {
		place, err := revision.Parse(token)
		if err == nil && (place.Version < 0 || revision.Place(place) != token) {
			t.Fatalf("%q parsed as %v, which prints as %q", token, place, revision.Place(place))
		}
	})
}
