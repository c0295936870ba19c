package rules_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/rules"
)

// A decision on an excerpt of the catalogue is the decision on the whole, in every
// word: what is missing and in which order, cautions and basis too. The need's
// make has other parts, steps, notices and rows beside those that count.
func TestADecisionOnAnExcerptIsTheSame(t *testing.T) {
	t.Parallel()
	verdicts := map[fitmentv1.Decision_Verdict]int{}
	scenes := uint64(600)
	if underRace {
		scenes = 100
	}
	for seed := range scenes {
		trial, err := trialOf(seed)
		if err != nil {
			t.Fatal(err)
		}
		whole := trial.question()
		for _, l := range trial.listings {
			raw, err := proto.Marshal(trial.cat.Excerpt(trial.need, l))
			if err != nil {
				t.Fatal(err)
			}
			facts := &fitmentv1.Facts{}
			if err := proto.Unmarshal(raw, facts); err != nil {
				t.Fatal(err)
			}
			part, err := catalogue.FromFacts(facts)
			if err != nil {
				t.Fatal(err)
			}
			want, got := whole.Decide(l), rules.Decide(trial.need, l, part, trial.policy, sceneDay)
			if !proto.Equal(got, want) {
				t.Fatalf("seed %d: on the excerpt\n%v\non the whole\n%v\nneed %v\nlisting %v\nexcerpt %v", seed, got, want, trial.need, l, facts)
			}
			verdicts[want.GetVerdict()]++
		}
	}
	if len(verdicts) != 4 {
		t.Errorf("the scenes reach only %v", verdicts)
	}
}
