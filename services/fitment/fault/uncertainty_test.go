package fault

import (
	"math"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s: got %.6f, want %.6f ± %g", what, got, want, tolerance)
	}
}

func TestStandardUncertainty(t *testing.T) {
	t.Parallel()
	// GUM 4.3.7 and 5.1.5 (from memory): 0.928571 V, half-width 14e-6·V + 2e-6·1 V
	// = 15.0 µV, u = 8.7 µV; with 12 µV of type A 14.8 → 15 µV.
	u := rectangular(14e-6*0.928571 + 2e-6)
	near(t, "GUM voltmeter, µV", u*1e6, 8.7, 0.05)
	near(t, "GUM voltmeter combined, µV", math.Hypot(u, 12e-6)*1e6, 14.8, 0.05)
	// GUM F.2.2.1 (from memory): a resolution δ gives 0.29 δ.
	near(t, "resolution", single(2, &fitmentv1.Meter{ResolutionOhms: 1}), 0.2887, 5e-5)

	// Computed by the rule, reading and lead reading in quadrature.
	cases := map[string]struct {
		meter      *fitmentv1.Meter
		ohms, lead float64
		want       float64
	}{
		"fine, 0.5 % + 2 digits of 0.01":  {&fitmentv1.Meter{PercentOfReading: 0.5, Counts: 2, ResolutionOhms: 0.01}, 2.31, 0.16, 0.0218},
		"coarse, 1 % + 5 digits of 0.1":   {&fitmentv1.Meter{PercentOfReading: 1, Counts: 5, ResolutionOhms: 0.1}, 2.3, 0.2, 0.419},
		"medium, 0.9 % + 2 digits of 0.1": {&fitmentv1.Meter{PercentOfReading: 0.9, Counts: 2, ResolutionOhms: 0.1}, 2.3, 0.2, 0.173},
	}
	for name, c := range cases {
		got, known := uncertainty(&fitmentv1.Reading{
			Method: fitmentv1.Reading_METER_AT_COMPONENT, Ohms: new(c.ohms), LeadOhms: new(c.lead), Meter: c.meter,
		})
		if !known {
			t.Errorf("%s: not known", name)
		}
		near(t, name, got, c.want, 0.0005)
	}
}

func TestOnlyCountsOrResolutionCount(t *testing.T) {
	t.Parallel()
	counts := single(2, &fitmentv1.Meter{PercentOfReading: 1, Counts: 2, ResolutionOhms: 0.1})
	near(t, "with counts", counts, (0.02+0.2)/math.Sqrt(3), 1e-12)
	plain := single(2, &fitmentv1.Meter{PercentOfReading: 1, ResolutionOhms: 0.1})
	near(t, "without counts", plain, math.Hypot(0.02/math.Sqrt(3), 0.1/math.Sqrt(12)), 1e-12)
}

func TestConformance(t *testing.T) {
	t.Parallel()
	// JCGM 106:2012 (values from memory; the probabilities computed).
	near(t, "7.3 upper limit: −5.47 ± 0.05 V, at most −5.40", below(-5.40, -5.47, 0.05), 0.919, 0.0005)
	near(t, "7.3 lower limit: 509.7 ± 8.6 kPa, at least 490", 1-below(490, 509.7, 8.6), 0.989, 0.0005)
	near(t, "7.4 two-sided: 13.6 ± 1.8 in 12.5–16.3 mm²/s", conformance(12.5, 16.3, 13.6, 1.8), 0.663, 0.0005)
	near(t, "8.3 guard band of 2u: risk", 1-below(2, 0, 1), 0.0228, 0.00005)
	// JCGM 106 Table 1 (from memory): coverage of one-sided z values.
	for z, p := range map[float64]float64{0.84: 0.80, 1.28: 0.90, 1.64: 0.95, 2.33: 0.99, 3.09: 0.999} {
		near(t, "Table 1", below(z, 0, 1), p, 0.0006)
	}
	// Computed: near an upper limit of 3.20 with u = 0.02.
	for y, p := range map[float64]float64{3.15: 0.9938, 3.18: 0.8413, 3.20: 0.5000} {
		near(t, "near the limit", conformance(1.4, 3.20, y, 0.02), p, 0.00005)
	}
	// Computed: the coarse and the medium meter at 2.1 ohms.
	near(t, "coarse in 1.7–2.3", conformance(1.7, 2.3, 2.1, 0.4185), 0.514, 0.001)
	near(t, "coarse in 1.4–3.2", conformance(1.4, 3.2, 2.1, 0.4185), 0.949, 0.0005)
	near(t, "medium in 1.7–2.3", conformance(1.7, 2.3, 2.1, 0.173), 0.866, 0.001)
	near(t, "medium in 1.4–3.2", conformance(1.4, 3.2, 2.1, 0.173), 1.000, 0.0005)
}

func TestWithoutUncertaintyAComparisonDecides(t *testing.T) {
	t.Parallel()
	for y, want := range map[float64]float64{1.39: 0, 1.4: 1, 2: 1, 3.2: 1, 3.21: 0} {
		near(t, "conformance", conformance(1.4, 3.2, y, 0), want, 0)
	}
}
