package plan_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/quote/plan"
)

// Given the policy that Purchase finds, the result is that of Purchase; another one
// costs what Evaluate says, and names what it leaves out.
func TestAGivenPolicyIsFollowed(t *testing.T) {
	t.Parallel()
	p := plan.Problem{
		Currency: "USD", DayCost: 10_00, Fallback: &plan.Fallback{Price: 400_00, Days: 4},
		Offers: []plan.Offer{
			{ID: "a", Price: 90_00, Sunk: 10_00, ReturnLoss: 5_00, Pass: 0.8, Days: 3},
			{ID: "b", Price: 120_00, Sunk: 8_00, Pass: 0.9, Days: 2},
		},
	}
	found, err := plan.Purchase(p)
	if err != nil {
		t.Fatal(err)
	}
	followed, err := plan.Given(p, plan.Policy{Batches: [][]int{{0}, {1}}, Fallback: true})
	if err != nil {
		t.Fatal(err)
	}
	if followed.Method != plan.MethodGiven {
		t.Errorf("method %s", followed.Method)
	}
	if diff := cmp.Diff([]any{found.Order, found.ExpectedCost, found.CVaR95, found.Distribution, found.Unrepaired},
		[]any{followed.Order, followed.ExpectedCost, followed.CVaR95, followed.Distribution, followed.Unrepaired}); diff != "" {
		t.Errorf("found and followed differ:\n%s", diff)
	}
	// b alone: 0.9 × (120 + 8 + 20) + 0.1 × (8 + 20 + 400 + 40) = 133.20 + 46.80.
	single, err := plan.Given(p, plan.Policy{Batches: [][]int{{1}}, Fallback: true})
	if err != nil {
		t.Fatal(err)
	}
	if single.ExpectedCost != 180_00 || cmp.Diff([]string{"a"}, single.NotTried) != "" {
		t.Errorf("cost %d, not tried %v", single.ExpectedCost, single.NotTried)
	}
	if _, err := plan.Given(p, plan.Policy{Batches: [][]int{{0}, {0}}}); err == nil {
		t.Error("an offer is bought twice")
	}
}
