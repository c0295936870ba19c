package trust_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"beltwright.example/services/quote/trust"
	"beltwright.example/services/quote/working/workingtest"
)

// prior is one that no estimate comes near by chance.
var prior = trust.Prior{Pass: 8, Fail: 2}

// Efron and Morris (Scientific American 236(5), 1977): hits of eighteen batters in
// their first 45 times at bat. With σ² = ȳ(1 − ȳ)/45 the James–Stein factor
// c = 1 − (k − 3)σ²/Σ(y − ȳ)² is 0.2116534, published as 0.212, and makes of the
// first batter's 0.400 0.2939139. The moments of the beta-binomial law stand on the
// same σ² and Σ(y − ȳ)²: with M = a + b,
//
//	(1 + M) / (45 + M) = (k − 1)σ² / Σ(y − ȳ)²
//
// so the weight that Pool finds must give back that factor.
func TestPoolAgreesWithJamesAndStein(t *testing.T) {
	t.Parallel()
	hits := []int{18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7}
	const n, k = 45.0, 18.0
	sum, squares := 0.0, 0.0
	records := make(map[string]trust.Record)
	for i, h := range hits {
		sum += float64(h) / n
		records[fmt.Sprintf("%02d", i)] = trust.Record{Passed: h, Failed: n - h}
	}
	mean := sum / k
	for _, h := range hits {
		squares += (float64(h)/n - mean) * (float64(h)/n - mean)
	}
	c := 1 - (k-3)*mean*(1-mean)/n/squares
	near(t, "James–Stein factor", c, .2116534, 5e-8)
	near(t, "the first batter", mean+c*(18/n-mean), .2939139, 5e-8)

	beliefs := trust.Pool(prior, records)
	first := beliefs["00"]
	weight := first.Alpha + first.Beta - n
	near(t, "factor by the pool's weight", 1-(k-3)/(k-1)*(1+weight)/(n+weight), .2116534, 5e-8)
	near(t, "the pool's mean", (first.Alpha-18)/weight, mean, 1e-12)
	near(t, "the first batter's chance", first.Mean(), mean+n/(n+weight)*(18/n-mean), 1e-12)
	for number, want := range map[string]float64{
		"mean of the rates of 18 sellers": mean, "variance of those rates": squares / (k - 1),
		"variance that chance alone makes": mean * (1 - mean) / n, "weight of the pool in checks, of which 1 to 810 count": weight,
	} {
		near(t, number, traced(t, first, number), want, 1e-6)
	}
	for seller, b := range beliefs {
		own := records[seller]
		near(t, "one prior for all", b.Alpha-float64(own.Passed), first.Alpha-18, 1e-9)
		workingtest.Check(t, b.Workings)
		if !strings.Contains(b.Source, fmt.Sprintf("18 sellers with 810 checks say of such sellers, then its own %d passed and %d failed", own.Passed, own.Failed)) {
			t.Errorf("source %q", b.Source)
		}
	}
}

// Up to 24 sellers' rates are written out, of more only their sums; both give the
// same numbers.
func TestRatesAreWrittenOut(t *testing.T) {
	t.Parallel()
	records := make(map[string]trust.Record)
	for n := range 30 {
		records[fmt.Sprintf("%02d", n)] = trust.Record{Passed: 3 + n*n%17, Failed: n % 5, Unreported: n % 2}
	}
	for _, sellers := range []int{24, 30} {
		some := make(map[string]trust.Record)
		sum, squares, inverse := 0.0, 0.0, 0.0
		for n := range sellers {
			r := records[fmt.Sprintf("%02d", n)]
			some[fmt.Sprintf("%02d", n)] = r
			rate := float64(r.Passed) / float64(r.Reported())
			sum, squares, inverse = sum+rate, squares+rate*rate, inverse+1/float64(r.Reported())
		}
		k := float64(sellers)
		belief := trust.Pool(prior, some)["07"]
		workingtest.Check(t, belief.Workings)
		mean := belief.Workings[0]
		if !strings.HasPrefix(mean.Number, "mean of the rates of") || strings.Contains(mean.Formula, "3 / 3 + 4 / 5 + 7 / 9 + ") != (sellers == 24) {
			t.Errorf("%v", mean)
		}
		near(t, "mean", traced(t, belief, mean.Number), sum/k, 6e-7)
		near(t, "variance", traced(t, belief, "variance of those rates"), (squares-sum*sum/k)/(k-1), 6e-7)
		near(t, "1 / n", traced(t, belief, "mean of 1 / n over those sellers, of n checks each"), inverse/k, 6e-7)
	}
}

// traced is the value of a belief's working.
func traced(t *testing.T, b trust.Belief, number string) float64 {
	t.Helper()
	for _, step := range b.Workings {
		if step.Number == number {
			value, err := strconv.ParseFloat(step.Value, 64)
			if err != nil {
				t.Fatal(err)
			}
			return value
		}
	}
	t.Fatalf("%q is not traced", number)
	return 0
}

func TestFewSellersTeachNothing(t *testing.T) {
	t.Parallel()
	records := map[string]trust.Record{"a": {Passed: 9, Failed: 1}, "b": {Passed: 1, Failed: 9}, "c": {Passed: 5, Failed: 5}, "silent": {Unreported: 50}}
	beliefs := trust.Pool(prior, records)
	for seller, want := range map[string][2]float64{"a": {17, 3}, "b": {9, 11}, "c": {13, 7}, "silent": {8, 2}} {
		b := beliefs[seller]
		if b.Alpha != want[0] || b.Beta != want[1] || !strings.HasPrefix(b.Source, "the documented prior, since 3 of the sellers") {
			t.Errorf("%s: %+v, want Beta(%g, %g)", seller, b, want[0], want[1])
		}
		workingtest.Check(t, b.Workings)
	}
	records["d"] = trust.Record{Passed: 5, Failed: 5}
	if b := trust.Pool(prior, records)["silent"]; b.Alpha == 8 || !strings.Contains(b.Source, "4 sellers") {
		t.Errorf("four sellers teach something: %+v", b)
	}
}

// Where records differ no more than chance makes them, all sellers are one: the
// prior and all checks.
func TestEqualSellersArePooledFully(t *testing.T) {
	t.Parallel()
	for name, records := range map[string]map[string]trust.Record{
		"the same rate":                     {"a": {Passed: 9, Failed: 1}, "b": {Passed: 9, Failed: 1}, "c": {Passed: 9, Failed: 1}, "d": {Passed: 9, Failed: 1}},
		"nothing failed":                    {"a": {Passed: 9}, "b": {Passed: 20}, "c": {Passed: 1}, "d": {Passed: 6}},
		"nothing passed":                    {"a": {Failed: 9}, "b": {Failed: 20}, "c": {Failed: 1}, "d": {Failed: 6}},
		"just as much as chance makes them": {"a": {Passed: 6, Failed: 4}, "b": {Passed: 6, Failed: 4}, "c": {Passed: 4, Failed: 6}, "d": {Passed: 5, Failed: 5}},
		"one check a seller":                {"a": {Passed: 1}, "b": {Failed: 1}, "c": {Passed: 1}, "d": {Passed: 1}},
	} {
		passed, failed := 0, 0
		for _, r := range records {
			passed, failed = passed+r.Passed, failed+r.Failed
		}
		records["stranger"] = trust.Record{Unreported: 3}
		for seller, b := range trust.Pool(prior, records) {
			if b.Alpha != 8+float64(passed) || b.Beta != 2+float64(failed) || !strings.Contains(b.Source, "no more than chance") {
				t.Errorf("%s, %s: %+v", name, seller, b)
			}
			workingtest.Check(t, b.Workings)
		}
	}
}

// Sellers who pass all or fail all differ more than any chance can: the pool then
// weighs one check, and the own record decides.
func TestSellersWhoDifferUtterly(t *testing.T) {
	t.Parallel()
	beliefs := trust.Pool(prior, map[string]trust.Record{"a": {Passed: 10}, "b": {Passed: 10}, "c": {Failed: 10}, "d": {Failed: 10}, "new": {}})
	for seller, want := range map[string][2]float64{"a": {10.5, .5}, "c": {.5, 10.5}, "new": {.5, .5}} {
		if b := beliefs[seller]; b.Alpha != want[0] || b.Beta != want[1] {
			t.Errorf("%s: %+v, want %v", seller, b, want)
		}
	}
}

// market draws sellers whose chances have a known distribution, with unequal
// numbers of checks.
func market(sellers int, truth distuv.Beta) (chances map[string]float64, records map[string]trust.Record) {
	r := rand.New(rand.NewPCG(7, uint64(sellers)))
	truth.Src = r
	chances, records = make(map[string]float64), make(map[string]trust.Record)
	for i := range sellers {
		seller := fmt.Sprintf("%05d", i)
		chance := truth.Rand()
		var record trust.Record
		for range 2 + r.IntN(60) {
			if r.Float64() < chance {
				record.Passed++
			} else {
				record.Failed++
			}
		}
		chances[seller], records[seller] = chance, record
	}
	return chances, records
}

// From 4,000 sellers drawn from Beta(8, 2) the pool finds that distribution again,
// and its beliefs come nearer to the sellers' chances than their own rates do.
func TestPoolFindsTheDistributionAgain(t *testing.T) {
	t.Parallel()
	chances, records := market(4000, distuv.Beta{Alpha: 8, Beta: 2})
	beliefs := trust.Pool(trust.Prior{Pass: 1, Fail: 1}, records)
	stranger := beliefs["00000"]
	near(t, "a", stranger.Alpha-float64(records["00000"].Passed), 8, .6)
	near(t, "b", stranger.Beta-float64(records["00000"].Failed), 2, .15)
	believed, own := 0.0, 0.0
	for seller, chance := range chances {
		r := records[seller]
		rate := float64(r.Passed) / float64(r.Reported())
		believed += (beliefs[seller].Mean() - chance) * (beliefs[seller].Mean() - chance)
		own += (rate - chance) * (rate - chance)
	}
	if !(believed < .75*own) {
		t.Errorf("squared errors: %g believed, %g by own rates", believed, own)
	}
}

func records() *rapid.Generator[map[string]trust.Record] {
	record := rapid.Custom(func(t *rapid.T) trust.Record {
		return trust.Record{
			Passed: rapid.IntRange(0, 60).Draw(t, "passed"), Failed: rapid.IntRange(0, 30).Draw(t, "failed"),
			Unreported: rapid.IntRange(0, 30).Draw(t, "unreported"),
		}
	})
	return rapid.MapOfN(rapid.StringMatching(`[a-z]{1,3}`), record, 1, 12)
}

// Silence is no pass: it moves no mean, and it lowers the bound as failures would.
func TestAnUnreportedOutcomeIsNoPass(t *testing.T) {
	t.Parallel()
	near(t, "47 passed, 3 unreported", trust.Record{Passed: 47, Unreported: 3}.LowerBound(.95), .852162823635819, 1e-12) // 47 of 50
	near(t, "47 passed, 2 failed, 1 unreported", trust.Record{Passed: 47, Failed: 2, Unreported: 1}.LowerBound(.95), .852162823635819, 1e-12)
	rapid.Check(t, func(t *rapid.T) {
		all := records().Draw(t, "records")
		beliefs := trust.Pool(prior, all)
		silent := make(map[string]trust.Record, len(all))
		for seller, r := range all {
			r.Unreported = 0
			silent[seller] = r
			more := r
			more.Unreported++
			if r.Passed > 0 && !(more.LowerBound(.95) < r.LowerBound(.95)) {
				t.Fatalf("%+v: bound %g, with one more that nobody reported %g", r, r.LowerBound(.95), more.LowerBound(.95))
			}
		}
		for seller, b := range trust.Pool(prior, silent) {
			if with := beliefs[seller]; with.Alpha != b.Alpha || with.Beta != b.Beta {
				t.Fatalf("%s: %+v without unreported parts, %+v with them", seller, b, with)
			}
			if n := all[seller].Unreported; (n > 0) != strings.HasSuffix(beliefs[seller].Source, fmt.Sprintf("%d bought parts whose outcome nobody reported count neither way", n)) {
				t.Fatalf("%d unreported: %q", n, beliefs[seller].Source)
			}
		}
	})
}

// A belief lies between what the pool says of a stranger and the seller's own rate;
// it is a distribution; it hangs on no order; its workings give its mean.
func TestBeliefsShrinkTowardsThePool(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		all := records().Draw(t, "records")
		all["?"] = trust.Record{}
		beliefs := trust.Pool(prior, all)
		if diff := cmp.Diff(beliefs, trust.Pool(prior, all)); diff != "" {
			t.Fatal(diff)
		}
		pool := beliefs["?"].Mean()
		for seller, b := range beliefs {
			if !(b.Alpha >= 1e-3 && b.Alpha <= 1e6 && b.Beta >= 1e-3 && b.Beta <= 1e6) {
				t.Fatalf("%s: %+v", seller, b)
			}
			rate := pool
			if r := all[seller]; r.Reported() > 0 {
				rate = float64(r.Passed) / float64(r.Reported())
			}
			if mean := b.Mean(); mean < min(pool, rate)-1e-12 || mean > max(pool, rate)+1e-12 {
				t.Fatalf("%s is believed to pass with %g; the pool says %g, its own record %g", seller, mean, pool, rate)
			}
			for _, step := range b.Workings {
				if err := workingtest.Verify(step); err != nil {
					t.Fatalf("%s: %v", step.Number, err)
				}
			}
			last := b.Workings[len(b.Workings)-1]
			var chance float64
			if _, err := fmt.Sscan(last.Value, &chance); err != nil || last.Number != "chance of passing" || math.Abs(chance-b.Mean()) > 1e-6 {
				t.Fatalf("%s: %v, the mean is %g", seller, last, b.Mean())
			}
		}
	})
}

func TestRecordsOutOfRange(t *testing.T) {
	t.Parallel()
	beliefs := trust.Pool(prior, map[string]trust.Record{"many": {Passed: 3_000_000, Failed: 1_000_000}, "less than none": {Passed: -5, Failed: -7, Unreported: -9}})
	if b := beliefs["many"]; b.Alpha != 1e6 || math.Abs(b.Mean()-.75) > 1e-5 {
		t.Errorf("%+v", b)
	}
	if b := beliefs["less than none"]; b.Alpha != 8 || b.Beta != 2 {
		t.Errorf("%+v", b)
	}
	if got := (trust.Record{Passed: -5, Failed: -1, Unreported: -1}).LowerBound(.95); got != 0 {
		t.Errorf("bound %g", got)
	}
	// One seller of 2,000 passes all: the prior weighs one check, of which a 2,000th is
	// a pass, less than a weight may be.
	sparse := map[string]trust.Record{"passes": {Passed: 10}, "new": {}}
	for n := range 1999 {
		sparse[strconv.Itoa(n)] = trust.Record{Failed: 10}
	}
	b := trust.Pool(prior, sparse)["new"]
	if b.Alpha != 1e-3 {
		t.Errorf("%+v", b)
	}
	near(t, "what the workings say", traced(t, b, "chance of passing"), b.Mean(), 5e-7)
	workingtest.Check(t, b.Workings)
	if got := trust.Pool(prior, nil); len(got) != 0 {
		t.Errorf("%v", got)
	}
}
