package trust

import "math"

// MaxNext bounds how many parts ahead Next looks.
const MaxNext = 10_000

// Next gives, for k = 0 to n, the chance that exactly k of the seller's next n
// parts pass: the beta-binomial law C(n, k)·B(k + a, n − k + b) / B(a, b). Numbers
// outside 0 to MaxNext count as the nearer end.
//
// The parts share the seller's unknown chance, so that all n fail is likelier than
// (1 − mean)^n. A plan works its own chances out part by part; this is the law that
// they follow, for holding them against it and for telling what a seller's next
// parts promise.
func (b Belief) Next(n int) []float64 {
	n = min(max(n, 0), MaxNext)
	all := make([]float64, n+1)
	for k := range all {
		choose := logBinomial(n, k)
		all[k] = math.Exp(choose + logBeta(float64(k)+b.Alpha, float64(n-k)+b.Beta) - logBeta(b.Alpha, b.Beta))
	}
	return all
}

// logBeta is the logarithm of the Beta function.
func logBeta(a, b float64) float64 { return logGamma(a) + logGamma(b) - logGamma(a+b) }

func logBinomial(n, k int) float64 {
	return logGamma(float64(n+1)) - logGamma(float64(k+1)) - logGamma(float64(n-k+1))
}

func logGamma(x float64) float64 {
	v, _ := math.Lgamma(x)
	return v
}

// SuccessRun is how many checks without a failure show, at a confidence, that the
// chance of passing is at least so large: the least n with
// 1 − reliability^n ≥ confidence (the success-run formula
// n = ln(1 − C) / ln R, rounded up). Both lie strictly between 0 and 1; for others
// it is 0.
func SuccessRun(reliability, confidence float64) int {
	if !(reliability > 0 && reliability < 1 && confidence > 0 && confidence < 1) {
		return 0
	}
	// A whole number may come out a little above itself.
	const slack = 1e-9
	runs := math.Ceil(math.Log1p(-confidence)/math.Log(reliability) - slack)
	return int(max(runs, 1)) // 4e17 at most
}
