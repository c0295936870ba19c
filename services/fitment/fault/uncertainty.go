package fault

import (
	"math"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

const (
	percent = 0.01
	// resolutionFactor times the last digit is its standard uncertainty,
	// 1/√12 (GUM F.2.2.1, from memory).
	resolutionFactor = 0.28867513459481287
	// moduleShare and moduleFloor bound the error of a restraint module that
	// states none: 15 % of the value, at least 0.3 ohms, rectangular. It spans the
	// threshold spreads that a squib-driver data sheet prints (1.8: 1.6–2.1,
	// 2.9: 2.6–3.2, 3.7: 3.3–4.4, 5.4: 4.6–6.0 ohms).
	moduleShare = 0.15
	moduleFloor = 0.3
)

// rectangular turns a half-width into a standard uncertainty (GUM 4.3.7, from
// memory).
func rectangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// uncertainty returns the standard uncertainty of a reading less its leads, in
// ohms. It is false where a meter reading states no accuracy: assuming one
// would turn a guess into proof.
func uncertainty(r *fitmentv1.Reading) (float64, bool) {
	m := r.GetMeter()
	switch {
	case statesAccuracy(m):
	case fromModule(r.GetMethod()):
		m = nil
	default:
		return 0, false
	}
	u := single(r.GetOhms(), m)
	if r.LeadOhms != nil {
		u = math.Hypot(u, single(r.GetLeadOhms(), m))
	}
	return u, true
}

// single is the standard uncertainty of one value on the display; a nil meter
// is a module that states no accuracy.
func single(ohms float64, m *fitmentv1.Meter) float64 {
	if m == nil {
		return rectangular(max(moduleFloor, moduleShare*ohms))
	}
	share := percent * m.GetPercentOfReading() * ohms
	if m.GetCounts() > 0 {
		return rectangular(share + m.GetCounts()*m.GetResolutionOhms())
	}
	return math.Hypot(rectangular(share), resolutionFactor*m.GetResolutionOhms())
}

func statesAccuracy(m *fitmentv1.Meter) bool {
	return m.GetPercentOfReading() > 0 || m.GetCounts() > 0 || m.GetResolutionOhms() > 0
}

// below is the probability that the true value is less than limit, given the
// value read and its standard uncertainty, normally distributed (JCGM 106:2012,
// clause 7). Without uncertainty it is a plain comparison.
func below(limit, y, u float64) float64 {
	if u <= 0 {
		if y < limit {
			return 1
		}
		return 0
	}
	return 0.5 * math.Erfc((y-limit)/(u*math.Sqrt2))
}

// conformance is the probability that the true value lies from low to high.
func conformance(low, high, y, u float64) float64 {
	if u <= 0 {
		if low <= y && y <= high {
			return 1
		}
		return 0
	}
	return min(max(below(high, y, u)-below(low, y, u), 0), 1)
}
