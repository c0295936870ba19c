package search

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func rankingOf(many int) ranking {
	r := make(ranking, many)
	for range many {
		r[&fitmentv1.Listing{}] = rank{}
	}
	return r
}

// TestMemoryIsBounded: the rankings not used for longest go first, what is too
// little or too much is not kept, and the count of ranks is that of the rankings.
func TestMemoryIsBounded(t *testing.T) {
	t.Parallel()
	m := newMemory()
	key := func(i byte) questionKey { return questionKey{i} }
	third := rankingOf(rememberedRanks / 3)
	for i := range byte(3) {
		m.keep(key(i), third)
	}
	if m.recall(key(0)) == nil {
		t.Fatal("forgotten though there is room")
	}
	m.keep(key(3), third)
	for i, want := range []bool{true, false, true, true} {
		if got := m.recall(key(byte(i))) != nil; got != want {
			t.Errorf("ranking %d: remembered %t, want %t", i, got, want)
		}
	}
	m.keep(key(3), rankingOf(worthRemembering)) // in place of the one before
	m.keep(key(4), rankingOf(worthRemembering-1))
	m.keep(key(5), rankingOf(rememberedRanks+1))
	if m.recall(key(4)) != nil || m.recall(key(5)) != nil || len(m.recall(key(3))) != worthRemembering {
		t.Error("kept too little, too much or the old one")
	}
	sum := 0
	for at := m.used.Front(); at != nil; at = at.Next() {
		sum += len(at.Value.(remembered).ranking)
	}
	if sum != m.ranks || m.used.Len() != len(m.by) || sum > rememberedRanks {
		t.Errorf("%d ranks in %d rankings, counted as %d in %d", sum, m.used.Len(), m.ranks, len(m.by))
	}
}
