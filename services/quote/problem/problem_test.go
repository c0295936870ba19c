package problem_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/quote/problem"
)

// violations are what an error lists.
func violations(t *testing.T, err error) []problem.Violation {
	t.Helper()
	var invalid *problem.InvalidError
	if err != nil && !errors.As(err, &invalid) {
		t.Fatalf("got %v", err)
	}
	if invalid == nil {
		return nil
	}
	return invalid.Violations
}

func TestChecks(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		check func(*problem.Fields)
		bad   bool
	}{
		"within":        {func(f *problem.Fields) { f.Within("x", 3, 3) }, false},
		"nothing":       {func(f *problem.Fields) { f.Within("x", 0, 3) }, false},
		"below":         {func(f *problem.Fields) { f.Within("x", -1, 3) }, true},
		"above":         {func(f *problem.Fields) { f.Within("x", 4, 3) }, true},
		"currency":      {func(f *problem.Fields) { f.Currency("x", "USD") }, false},
		"small letters": {func(f *problem.Fields) { f.Currency("x", "usd") }, true},
		"no currency":   {func(f *problem.Fields) { f.Currency("x", "") }, true},
		"id":            {func(f *problem.Fields) { f.ID("x", strings.Repeat("ö", problem.MaxID)) }, false},
		"no id":         {func(f *problem.Fields) { f.ID("x", "") }, true},
		"long id":       {func(f *problem.Fields) { f.ID("x", strings.Repeat("ö", problem.MaxID+1)) }, true},
	} {
		var f problem.Fields
		c.check(&f)
		got := violations(t, f.Err())
		if (len(got) == 1) != c.bad || len(got) > 1 || c.bad && (got[0].Field != "x" || got[0].Problem == "" || got[0].Expected == "") {
			t.Errorf("%s: %v", name, got)
		}
	}
}

func TestErrorNamesTheFirstAndCounts(t *testing.T) {
	t.Parallel()
	var f problem.Fields
	f.Within("price", -1, 9)
	f.ID("id", "")
	if got, want := f.Err().Error(), "price -1 is out of range; expected 0 to 9 (2 in all)"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

func TestTheRestAreCounted(t *testing.T) {
	t.Parallel()
	for _, many := range []int{99, 100, 101, 20_000} {
		var f problem.Fields
		for n := range many {
			f.ID(fmt.Sprint(n), "")
		}
		got := violations(t, f.Err())
		if again := violations(t, f.Err()); !cmp.Equal(got, again) {
			t.Errorf("%d: asked again it says something else", many)
		}
		last := got[len(got)-1]
		switch {
		case many <= 100 && len(got) == many && last.Field == fmt.Sprint(many-1):
		case many > 100 && len(got) == 101 && last.Field == "more" && last.Problem == fmt.Sprintf("%d further fields are wrong", many-100):
		default:
			t.Errorf("%d: %d are listed, the last is %+v", many, len(got), last)
		}
		if message := f.Err().Error(); !strings.HasSuffix(message, fmt.Sprintf("(%d in all)", many)) {
			t.Errorf("%d: %s", many, message)
		}
	}
}
