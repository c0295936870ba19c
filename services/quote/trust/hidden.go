package trust

import "math"

// A part can be bad and pass its check: a squib fires once, so no check tries
// what it is for. These say how much risk is left, for whoever writes or judges the
// checks that are asked for on arrival, and has figures of how well they find
// faults; this program has none, so no answer carries such a number. They are no
// prices and nothing is weighed against them.

// BadGivenPass is the chance that a part which passed its check is bad all the
// same: good is the chance that it is good beforehand, detect that the check finds
// a bad one, falseAlarm that it fails a good one. By Bayes' theorem
//
//	(1−π)(1−d) / (π(1−f) + (1−π)(1−d))
//
// Chances outside 0 to 1, or a check that nothing can pass, give 1: nothing is
// known then.
func BadGivenPass(good, detect, falseAlarm float64) float64 {
	for _, p := range []float64{good, detect, falseAlarm} {
		if !(p >= 0 && p <= 1) {
			return 1
		}
	}
	bad := (1 - good) * (1 - detect)
	if passes := good*(1-falseAlarm) + bad; passes > 0 {
		return bad / passes
	}
	return 1
}

// FailedBy is the chance that a hidden fault which comes at a constant hazard
// (faults per hour) is there after so many hours: 1 − e^(−λt). Numbers below 0, or
// no numbers, give 1.
func FailedBy(hazard, hours float64) float64 {
	x := hazard * hours
	if !(hazard >= 0 && x >= 0) {
		return 1
	}
	return -math.Expm1(-x)
}

// FailedOnDemand is the mean of FailedBy over an interval between two checks: the
// average probability of failure on demand 1 − (1 − e^(−λτ)) / (λτ), near λτ/2
// where it is small. Numbers below 0, or no numbers, give 1.
func FailedOnDemand(hazard, interval float64) float64 {
	x := hazard * interval
	if !(hazard >= 0 && x >= 0) {
		return 1
	}
	const small = 1e-4
	if x < small { // the formula would lose its digits
		return x / 2 * (1 - x/3*(1-x/4))
	}
	return 1 + math.Expm1(-x)/x
}

// HazardBound is the upper confidence bound on a hazard after so many hours
// without a fault: −ln(1 − confidence) / hours. Without hours, or with a
// confidence that is not strictly between 0 and 1, nothing bounds it: +Inf.
func HazardBound(hours, confidence float64) float64 {
	if !(hours > 0 && confidence > 0 && confidence < 1) {
		return math.Inf(1)
	}
	return -math.Log1p(-confidence) / hours
}
