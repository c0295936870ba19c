package rules_test

import (
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/reference"
	"beltwright.example/services/fitment/rules"
)

// mutationQuestions is within how many questions a rule that always gives one
// answer must be found out.
const mutationQuestions = 10_000

// implied is the one rule that may say yes without any outcome changing: wherever a
// loop does not read as a bridge that has not burnt, it is not inside the resistance
// window either. It stands for its reason.
const implied = "deployment.loop"

// judged is a trial with the reference's outcomes.
type judged struct {
	*trial

	outcomes []reference.Outcome
}

// court draws trials as they are asked for.
type court struct{ trials []*judged }

// at is the trial of a seed.
func (c *court) at(tb testing.TB, seed int) *judged {
	tb.Helper()
	for len(c.trials) <= seed {
		one, err := trialOf(uint64(len(c.trials)))
		if err != nil {
			tb.Fatal(err)
		}
		j := &judged{trial: one}
		for _, l := range one.listings {
			j.outcomes = append(j.outcomes, one.slow.Decide(l))
		}
		c.trials = append(c.trials, j)
	}
	return c.trials[seed]
}

// TestEveryRuleMatters forces each rule to yes, no and unknown in turn: the
// comparison with the reference must fail, and for a rule that counts it must fail
// already on what the rules come to. A rule that it does not tell would not be
// tested by TestSoundness.
func TestEveryRuleMatters(t *testing.T) {
	t.Parallel()
	var trials court
	worst, worstOutcome := 0, 0
	for _, rule := range rules.All() {
		for _, forced := range []evidence.Answer{evidence.Yes, evidence.No, evidence.Unknown} {
			at := foundOut(t, &trials, rule.ID, forced, difference)
			worst = max(worst, at)
			if at < 0 {
				t.Errorf("%s may always say %v", rule.ID, forced)
			}
			if rule.Severity == fitmentv1.Finding_ADVICE {
				continue
			}
			if at = foundOut(t, &trials, rule.ID, forced, outcomeDifference); at < 0 && (rule.ID != implied || forced != evidence.Yes) {
				t.Errorf("%s may always say %v without any outcome changing", rule.ID, forced)
			}
			worstOutcome = max(worstOutcome, at)
		}
	}
	t.Logf("%d rules: found out within %d questions, by the outcome alone within %d", len(rules.All()), worst, worstOutcome)
}

// foundOut is the number of questions after which a comparison finds that a rule is
// forced to an answer, -1 where it never does.
func foundOut(tb testing.TB, trials *court, rule string, forced evidence.Answer, compare func(*rules.Question, *fitmentv1.Listing, reference.Outcome) string) int {
	tb.Helper()
	for seed := range mutationQuestions / sceneListings {
		j := trials.at(tb, seed)
		q := j.question()
		rules.ForceRule(q, rule, forced)
		for i, l := range j.listings {
			if compare(q, l, j.outcomes[i]) != "" {
				return seed*sceneListings + i + 1
			}
		}
	}
	return -1
}
