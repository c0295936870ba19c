package rules_test

import (
	"math"
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/rules"
)

// The pairs of decisions name two things of their list, never together worth less
// than the law of chances allows, at most five and the most telling first.
func TestPairsOfDecisions(t *testing.T) {
	t.Parallel()
	some, none := 0, 0
	look := func(_ die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		d := q.Decide(l)
		missing := d.GetMissingEvidence()
		if len(d.GetMissingPairs()) > 5 || (len(missing) < 2 && len(d.GetMissingPairs()) > 0) {
			t.Errorf("%d pairs of %d things", len(d.GetMissingPairs()), len(missing))
		}
		if len(d.GetMissingPairs()) == 0 {
			none++
			return
		}
		some++
		for _, p := range d.GetMissingPairs() {
			if p.GetFirst() < 0 || p.GetFirst() >= p.GetSecond() || int(p.GetSecond()) >= len(missing) {
				t.Fatalf("a pair of %d and %d among %d", p.GetFirst(), p.GetSecond(), len(missing))
			}
			minutes := missing[p.GetFirst()].GetMinutes() + missing[p.GetSecond()].GetMinutes()
			if p.GetMinutes() != minutes || !(p.GetSettles() > 0) || p.GetSettles() > 1+1e-12 || !strings.Contains(p.GetReason(), "%") {
				t.Errorf("%v", p)
			}
		}
	}
	for _, seed := range []uint64{8e6, 8.2e6, 8.4e6} { // pairs are rare: most decisions wait for everything that is missing
		inScenes(t, seed, look)
	}
	if some < 5 || none < 100 {
		t.Errorf("%d decisions with pairs, %d without: the scenes show too little", some, none)
	}
}

// What a pair promises is what the rules themselves show, asked one by one in every
// world of outcomes.
func TestAPairSettlesAsPromised(t *testing.T) {
	t.Parallel()
	tried := 0
	look := func(_ die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		for _, p := range q.Decide(l).GetMissingPairs() {
			tried++
			settles, alone, told := rules.SettlesByRules(q, l, int(p.GetFirst()), int(p.GetSecond()))
			if math.Abs(settles-p.GetSettles()) > 1e-9 || settles-alone < 0.01-1e-9 {
				t.Errorf("%v; by the rules it settles with %g, alone %g, over %d outcomes", p, settles, alone, told)
			}
		}
	}
	for seed := uint64(9e6); seed < 12e6 && tried < 5; seed += 1e5 {
		inScenes(t, seed, look)
	}
	if tried < 5 {
		t.Errorf("only %d pairs in the scenes", tried)
	}
}
