package basket_test

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"beltwright.example/services/platform/needs"
	"beltwright.example/services/quote/basket"
)

// program writes a problem as a mixed integer program in the LP format: y is 1 where
// a seller is bought from, x where he sells a part.
func program(p basket.Problem) string {
	var objective, rows, binary strings.Builder
	suppliers := make(map[string][]string)
	for i, seller := range p.Sellers {
		fmt.Fprintf(&objective, " + %d y%d\n", seller.Freight, i)
		fmt.Fprintf(&binary, " y%d\n", i)
		for n, offer := range seller.Offers {
			x := fmt.Sprintf("x%d_%d", i, n)
			fmt.Fprintf(&objective, " + %d %s\n", offer.Price, x)
			fmt.Fprintf(&rows, " r%s: %s - y%d <= 0\n", x, x, i)
			fmt.Fprintf(&binary, " %s\n", x)
			suppliers[offer.Part] = append(suppliers[offer.Part], x)
		}
	}
	for n, part := range p.Parts {
		fmt.Fprintf(&rows, " part%d: %s = 1\n", n, strings.Join(suppliers[part], "\n + "))
	}
	return "Minimize\n cost:\n" + objective.String() + "Subject To\n" + rows.String() + "Binary\n" + binary.String() + "End\n"
}

// optimum reads a solver's least cost off its answer, which is in floating point.
func optimum(t *testing.T, answer []byte, form *regexp.Regexp) int64 {
	t.Helper()
	found := form.FindSubmatch(answer)
	if found == nil {
		t.Fatalf("no optimum in %.2000s", answer)
	}
	value, err := strconv.ParseFloat(string(found[1]), 64)
	if err != nil || math.Abs(value-math.Round(value)) > 1e-3 {
		t.Fatalf("optimum %s, %v", found[1], err)
	}
	return int64(math.Round(value))
}

var (
	glpkOptimum = regexp.MustCompile(`Status: +INTEGER OPTIMAL\nc? *Objective: +cost = ([0-9.e+]+)`)
	cbcOptimum  = regexp.MustCompile(`^Optimal - objective value +([0-9.e+]+)`)
)

// byGLPK asks GLPK for the least cost.
func byGLPK(t *testing.T, lp string) int64 {
	t.Helper()
	ask(t, exec.CommandContext(t.Context(), "glpsol", "--lp", lp, "--cuts", "-o", lp+".glpk"))
	return optimum(t, readFile(t, lp+".glpk"), glpkOptimum)
}

// byCBC asks CBC, in a run of its own: in one run for many problems it mixes them up.
func byCBC(t *testing.T, lp string) int64 {
	t.Helper()
	ask(t, exec.CommandContext(t.Context(), "cbc", lp, "ratio", "0", "allow", "0", "solve", "solu", lp+".cbc"))
	return optimum(t, readFile(t, lp+".cbc"), cbcOptimum)
}

func ask(t *testing.T, solver *exec.Cmd) {
	t.Helper()
	if out, err := solver.CombinedOutput(); err != nil {
		t.Fatalf("%v: %v: %.2000s", solver.Args, err, out)
	}
}

func readFile(t *testing.T, path string) []byte {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// agree holds the costs of our assignments against both solvers.
func agree(t *testing.T, problems []basket.Problem) {
	t.Helper()
	lp := filepath.Join(t.TempDir(), "basket.lp")
	for n, p := range problems {
		if err := os.WriteFile(lp, []byte(program(p)), 0o600); err != nil {
			t.Fatal(err)
		}
		if ours, glpk, cbc := solve(t, p).Total, byGLPK(t, lp), byCBC(t, lp); ours != glpk || ours != cbc {
			t.Errorf("problem %d: ours %d, GLPK %d, CBC %d: %+v", n, ours, glpk, cbc, p)
		}
	}
}

// Two solvers of mixed integer programs, GLPK and CBC, must find no other least cost:
// for the samples, for the hardest that the subsets do, and for 1,000 random problems
// of up to 8 parts and 20 sellers.
func TestAgreesWithOtherSolvers(t *testing.T) {
	t.Parallel()
	needs.Tools(t, "solvers", "glpsol", "cbc")
	t.Run("samples", func(t *testing.T) {
		t.Parallel()
		problems := []basket.Problem{covering()}
		for name := range samples {
			problems = append(problems, read(t, name))
		}
		agree(t, problems)
	})
	const batches, size = 10, 100
	for batch := range batches {
		t.Run(fmt.Sprint("random ", batch), func(t *testing.T) {
			t.Parallel()
			problems := make([]basket.Problem, size)
			for n := range problems {
				r := seeded(batch*size + n)
				problems[n] = draw(r, shapes[n%len(shapes)], 1+r.IntN(8), 1+r.IntN(20))
			}
			agree(t, problems)
		})
	}
}
