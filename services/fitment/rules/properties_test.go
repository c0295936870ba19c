package rules_test

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/rules"
)

// propertyScenes is how many scenes a property is tried on.
const propertyScenes = 300

// inScenes tries a property on every listing of the scenes from a seed on.
func inScenes(t *testing.T, seed uint64, try func(d die, one *trial, q *rules.Question, l *fitmentv1.Listing)) {
	t.Helper()
	for i := range uint64(propertyScenes) {
		one, err := trialOf(seed + i)
		if err != nil {
			t.Fatal(err)
		}
		d, q := dieOf(seed+i), one.question()
		for _, l := range one.listings {
			try(d, one, q, l)
			if t.Failed() {
				t.Fatalf("seed %d\nneed %v\nlisting %v", seed+i, one.need, l)
			}
		}
	}
}

func TestOnlyAnOpenDecisionMissesSomething(t *testing.T) {
	t.Parallel()
	inScenes(t, 1e6, func(_ die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		decision := q.Decide(l)
		settled := decision.GetVerdict() != fitmentv1.Decision_PROVE_FIRST
		if settled != (len(decision.GetMissingEvidence()) == 0) || settled != (decision.GetExpectedMinutes() == 0) {
			t.Errorf("%v with %d things missing and %g minutes", decision.GetVerdict(), len(decision.GetMissingEvidence()), decision.GetExpectedMinutes())
		}
	})
}

func TestRankSaysWhatDecideSays(t *testing.T) {
	t.Parallel()
	inScenes(t, 2e6, func(_ die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		decision := q.Decide(l)
		if verdict, minutes := q.Rank(l); verdict != decision.GetVerdict() || minutes != decision.GetExpectedMinutes() {
			t.Errorf("rank %v in %v minutes, decide %v in %v", verdict, minutes, decision.GetVerdict(), decision.GetExpectedMinutes())
		}
	})
}

// A rule depends on the attributes that it lists and no others: its answers to
// some outcomes of what is missing, worked out from those alone, are those with
// everything assumed. A proven conjunction fits exactly where all is good.
func TestTablesSayWhatTheRulesSay(t *testing.T) {
	t.Parallel()
	inScenes(t, 3e6, func(d die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		all := true
		tabled, checked, conjunctive := rules.FitsBoth(q, l, func(n int) []evidence.Answer {
			outcomes := make([]evidence.Answer, n)
			for i := range outcomes {
				outcomes[i] = evidence.Of(!d.once(5))
				all = all && outcomes[i] == yes
			}
			return outcomes
		})
		if tabled != checked || (conjunctive && checked != all) {
			t.Errorf("the tables say %v, the rules %v; all good is %v, a conjunction %v", tabled, checked, all, conjunctive)
		}
	})
}

// Taking statements away never makes a listing fit, but for statements that speak
// against the part or contradict another one. So: of a documented listing with some
// attributes stated otherwise, taking out statements of the untouched attributes,
// all of which speak for the part, makes nothing fit that did not.
func TestLessEvidenceNeverMakesAListingFit(t *testing.T) {
	t.Parallel()
	inScenes(t, 4e6, func(d die, one *trial, q *rules.Question, _ *fitmentv1.Listing) {
		l := one.documented(d, "K1")
		var touched []rules.Attribute
		for range d.IntN(3) {
			p := pick(d, scenePools...)
			touched = append(touched, p.attribute)
			forgetAll(l, p.attribute)
			l.Evidence = append(l.Evidence, &fitmentv1.Evidence{Attribute: p.attribute, Value: pick(d, p.others...), Level: d.level(), Date: pick(d, sceneQueryDays...)})
		}
		before := q.Judge(l)
		for range 1 + d.IntN(6) {
			a := pick(d, scenePools...).attribute
			taken := true
			for _, other := range touched {
				taken = taken && a != other && !tied(a, other)
			}
			if taken {
				forgetAll(l, a)
			}
		}
		if after := q.Judge(l); after == fitmentv1.Decision_FITS && before != fitmentv1.Decision_FITS {
			t.Errorf("was %v, fits with less: %v", before, l)
		}
	})
}

// tied tells whether statements about two attributes can contradict each other:
// number and maker, number and what it stands for, VIN and year, what is said of
// the codes and the codes. That a recall was remedied speaks against a part where a
// law wants none that was ever recalled.
func tied(a, b rules.Attribute) bool {
	follows := func(x rules.Attribute) bool {
		switch x {
		case aKind, aPosition, aDriveSide, aYear, aVIN, aInterface, aKeying, aCavities, aStages,
			fitmentv1.Evidence_PART_MAKER, fitmentv1.Evidence_PROGRAMMABLE, fitmentv1.Evidence_MANUFACTURED:
			return true
		default:
			return false
		}
	}
	codes := func(x rules.Attribute) bool { return x == aCode || x == fitmentv1.Evidence_DONOR_CODES }
	named := func(x rules.Attribute) bool { return x == aNumber || x == fitmentv1.Evidence_PART_MAKER }
	dated := func(x rules.Attribute) bool { return x == aVIN || x == aYear || x == fitmentv1.Evidence_MANUFACTURED }
	return (named(a) && follows(b)) || (named(b) && follows(a)) || (named(a) && named(b)) || (dated(a) && dated(b)) || (codes(a) && codes(b)) ||
		a == fitmentv1.Evidence_RECALL_REMEDIED
}

func TestNothingFitsOnNothingOrOnClaims(t *testing.T) {
	t.Parallel()
	for name, n := range map[string]*fitmentv1.Need{"buckle": kestrel(), "bag": driverBag(), "module": module(), "nothing": {}} {
		if got := decide(t, n, &fitmentv1.Listing{}).GetVerdict(); got == fitmentv1.Decision_FITS {
			t.Errorf("%s: an empty listing fits", name)
		}
		if got := rules.Judge(n, nil, worldOf(t), rules.Policy{}, today); got == fitmentv1.Decision_FITS {
			t.Errorf("%s: no listing at all fits", name)
		}
	}
	inScenes(t, 5e6, func(d die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		for _, e := range l.GetEvidence() {
			e.Level = pick(d, fitmentv1.Evidence_LEVEL_UNSPECIFIED, claimed)
		}
		if q.Judge(l) == fitmentv1.Decision_FITS {
			t.Error("claims alone fit")
		}
	})
}

// Getting everything that is said to be missing, and all of it good, settles the
// matter, and the order's expected work is that of the exact solver.
func TestWhatIsMissingIsEnough(t *testing.T) {
	t.Parallel()
	asks := map[string]float64{}
	for _, a := range rules.DefaultAsks() {
		asks[a.Text] = a.Good
	}
	solved := 0
	inScenes(t, 6e6, func(_ die, _ *trial, q *rules.Question, l *fitmentv1.Listing) {
		decision := q.Decide(l)
		var tests []evidence.Test
		for _, m := range decision.GetMissingEvidence() {
			good, known := asks[m.GetAsk()]
			if !known && m.GetAttribute() == 0 {
				good = 0.8 // about the vehicle
			} else if !known {
				good = 0.5
			}
			tests = append(tests, evidence.Test{Cost: m.GetMinutes(), Yes: good})
		}
		if len(tests) == 0 || len(tests) > 9 {
			return
		}
		solved++
		plan, err := evidence.Order(tests, func(o []evidence.Answer) evidence.Answer { return evidence.And(o...) })
		if err != nil {
			t.Fatal(err)
		}
		if diff := plan.Expected - decision.GetExpectedMinutes(); diff > 1e-9 || diff < -1e-9 {
			t.Errorf("%g minutes, the exact solver says %g for %v", decision.GetExpectedMinutes(), plan.Expected, decision.GetMissingEvidence())
		}
	})
	if solved == 0 {
		t.Error("nothing is missing anywhere")
	}
}
