package basket_test

import (
	"testing"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/working/workingtest"
)

// Every sum that explains a total is done again, and the last one gives the total.
func TestWorkings(t *testing.T) {
	t.Parallel()
	for n := range 200 {
		r := seeded(n)
		p := draw(r, shapes[n%len(shapes)], 1+r.IntN(8), 1+r.IntN(8))
		p.Currency = []string{"USD", "JPY", "KWD"}[n%3]
		s := solve(t, p)
		steps := p.Workings(s)
		workingtest.Check(t, steps)
		if last := steps[len(steps)-1]; last.Number != "total" || last.Value != amount.Format(s.Total, p.Currency) {
			t.Fatalf("case %d: %+v, the total is %d", n, last, s.Total)
		}
	}
}
