package evidence_test

import (
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/fitment/evidence"
)

const (
	yes     = evidence.Yes
	no      = evidence.No
	unknown = evidence.Unknown
)

// Kleene 1952, "Introduction to Metamathematics", §64 (strong tables; from memory).
func TestStrongKleeneTables(t *testing.T) {
	t.Parallel()
	cases := []struct{ a, b, and, or evidence.Answer }{
		{yes, yes, yes, yes},
		{yes, unknown, unknown, yes},
		{yes, no, no, yes},
		{unknown, unknown, unknown, unknown},
		{unknown, no, no, unknown},
		{no, no, no, no},
	}
	for _, c := range cases {
		for _, pair := range [][2]evidence.Answer{{c.a, c.b}, {c.b, c.a}} {
			if got := evidence.And(pair[0], pair[1]); got != c.and {
				t.Errorf("%v and %v = %v, want %v", pair[0], pair[1], got, c.and)
			}
			if got := evidence.Or(pair[0], pair[1]); got != c.or {
				t.Errorf("%v or %v = %v, want %v", pair[0], pair[1], got, c.or)
			}
		}
	}
	if evidence.Not(yes) != no || evidence.Not(no) != yes || evidence.Not(unknown) != unknown {
		t.Error("not")
	}
	if evidence.And() != yes || evidence.Or() != no {
		t.Error("the neutral elements of and/or are yes/no")
	}
	if evidence.And(0, yes) != unknown || evidence.Or(0, no) != unknown || evidence.Not(0) != unknown {
		t.Error("an answer that is not stated counts as unknown")
	}
}

func TestDeMorgan(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		answers := rapid.SliceOf(rapid.SampledFrom([]evidence.Answer{yes, no, unknown})).Draw(t, "answers")
		negated := make([]evidence.Answer, len(answers))
		for i, a := range answers {
			negated[i] = evidence.Not(a)
		}
		if evidence.Not(evidence.And(answers...)) != evidence.Or(negated...) {
			t.Fatalf("not and(%v) differs from or(not …)", answers)
		}
	})
}

// (s∧a)∨(¬s∧b) with s unknown and a = b = yes: the strong tables say unknown,
// every completion says yes (a truth table of two rows).
func TestUnanimousSeesWhatTheTablesMiss(t *testing.T) {
	t.Parallel()
	formula := func(s, a, b evidence.Answer) evidence.Answer {
		return evidence.Or(evidence.And(s, a), evidence.And(evidence.Not(s), b))
	}
	if got := formula(unknown, yes, yes); got != unknown {
		t.Errorf("the tables say %v, want unknown", got)
	}
	cases := []struct{ a, b, want evidence.Answer }{{yes, yes, yes}, {no, no, no}, {yes, no, unknown}, {yes, unknown, unknown}}
	for _, c := range cases {
		got := evidence.Unanimous(func(s []evidence.Answer) evidence.Answer { return formula(s[0], c.a, c.b) }, 1)
		if got != c.want {
			t.Errorf("a=%v b=%v: %v, want %v", c.a, c.b, got, c.want)
		}
	}
	constant := func([]evidence.Answer) evidence.Answer { return yes }
	if evidence.Unanimous(constant, 0) != yes || evidence.Unanimous(constant, 17) != unknown || evidence.Unanimous(constant, -1) != unknown {
		t.Error("nothing unknown is decided; beyond 16 attributes nothing is")
	}
}
