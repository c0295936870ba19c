package working_test

import (
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

func TestStepsGiveTheirValues(t *testing.T) {
	t.Parallel()
	workingtest.Check(t, []working.Step{
		{Number: "tax", Formula: "7.25 % × (185.00 + 50.00)" + working.Rounded, Value: "17.04"},
		{Number: "labour", Formula: "84 / 60 × 128.00", Value: "179.20"},
		{Number: "loss", Formula: "−(2 − 3.5) × -2", Value: "−3"},
		{Number: "half", Formula: "2.675, rounded half away from zero", Value: "2.68"}, // binary floating point prints 2.67
		{Number: "debt", Formula: "-0.125" + working.Rounded, Value: "-0.13"},
		working.Sum("total", "USD", 23500, 18500, 5000),
		working.Sum("rest", "USD", 13500, 18500, -5000),
		working.Sum("nothing", "USD", 0),
		working.Sum("yen", "JPY", 1500, 1000, 500),
		working.Sum("dinars", "KWD", 1500, 1000, 500),
	})
}

func TestFalseWorkingsAreTold(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ formula, value, problem string }{
		{"7.25 % × (185.00 + 50.00), rounded half away from zero", "17.03", "gives 17.04"},
		{"7.25 % × (185.00 + 50.00)", "17.04", "gives 17.0375"}, // not exact, and does not say so
		{"1 + 1", "3", "gives 2"},
		{"2 × 3 + 1", "8", "gives 7"}, // × before +
		{"1 / 0", "1", "divides by nothing"},
		{"1 +", "1", "expected a number"},
		{"(1", "1", "not closed"},
		{"1 1", "1", "left over"},
		{"1.", "1", "expected a number"},
		{"1.2.3", "1", "expected a number"},
		{"x", "1", "expected a number"},
		{"1", "one", "no decimal number"},
		{"1", "1/1", "no decimal number"},
		{"100", "1e2", "no decimal number"},
		{"", "1", "needs"},
		{strings.Repeat("(", 60) + "1" + strings.Repeat(")", 60), "1", "too deep"},
	} {
		err := workingtest.Verify(working.Step{Number: "n", Formula: c.formula, Value: c.value})
		if err == nil || !strings.Contains(err.Error(), c.problem) {
			t.Errorf("%q = %q: %v; want %q", c.formula, c.value, err, c.problem)
		}
	}
}

// The evaluator agrees with sums and products done by package big.
func TestEvaluateAgreesWithRationals(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Int64Range(-1e9, 1e9).Draw(t, "a")
		b := rapid.Int64Range(1, 1e9).Draw(t, "b")
		c := rapid.Int64Range(0, 10000).Draw(t, "c")
		formula := working.Term(a, "USD") + " × " + working.Term(c, "USD") + " % − " + working.Term(a, "USD") + " / " + working.Term(b, "USD")
		got, err := workingtest.Evaluate(formula)
		if err != nil {
			t.Fatal(err)
		}
		want := new(big.Rat).Mul(big.NewRat(a, 100), big.NewRat(c, 10000))
		want.Sub(want, big.NewRat(a, b))
		if got.Cmp(want) != 0 {
			t.Fatalf("%s = %s, want %s", formula, got, want)
		}
	})
}

func TestAStepInOneLine(t *testing.T) {
	t.Parallel()
	step := working.Step{Number: "tax", Formula: "7 % × 50.00", Value: "3.50"}
	if got := step.String(); got != "tax = 7 % × 50.00 = 3.50" {
		t.Errorf("%q", got)
	}
	step.Source = "SSUTA section 324"
	if got := step.String(); got != "tax = 7 % × 50.00 = 3.50 (SSUTA section 324)" {
		t.Errorf("%q", got)
	}
}
