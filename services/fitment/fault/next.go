package fault

import (
	"math"
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// nextTest returns the test and loop with the greatest expected information a
// minute, weighted by the test's preference; nil where none is worth making.
// Every test works on the harness side or through the module.
func (s *scene) nextTest() *fitmentv1.NextTest {
	var best *fitmentv1.NextTest
	bestRate := 0.0
	for i, l := range s.loops {
		if l.kind != fitmentv1.Part_KIND_UNSPECIFIED && !hasSquib(l.kind) {
			continue
		}
		for _, test := range s.model.Tests {
			if s.read(i, test.Method) {
				continue
			}
			bits := s.information(i, test.Outcomes)
			rate := bits * test.Preference / test.Minutes
			if bits >= s.model.LeastBits && rate > bestRate {
				bestRate = rate
				best = &fitmentv1.NextTest{
					Id: test.ID, Text: test.Text, Kind: l.kind, Position: l.position(),
					ExpectedBits: bits, Minutes: test.Minutes, Source: test.Source,
				}
			}
		}
	}
	return best
}

// read tells whether a loop has a usable reading by a method.
func (s *scene) read(at int, method fitmentv1.Reading_Method) bool {
	return s.find(at, method) != nil
}

// find returns what a method said about a loop, or nil.
func (s *scene) find(at int, method fitmentv1.Reading_Method) *observation {
	if method == fitmentv1.Reading_METHOD_UNSPECIFIED {
		return nil
	}
	i := slices.IndexFunc(s.observations, func(o observation) bool {
		return o.table == nil && o.loops[0] == at && o.method == method
	})
	if i < 0 {
		return nil
	}
	return &s.observations[i]
}

// information is the mutual information, in bits, between what is at fault and
// the outcome of a test on one loop.
func (s *scene) information(at int, outcomes Table) float64 {
	probe := &observation{loops: []int{at}}
	total := 0.0
	for outcome := range outcomes[part] {
		marginal := 0.0
		for _, h := range s.hypotheses {
			marginal += h.probability * probe.row(h, outcomes)[outcome]
		}
		for _, h := range s.hypotheses {
			chance := probe.row(h, outcomes)[outcome]
			if joint := h.probability * chance; joint > 0 && marginal > 0 {
				total += joint * math.Log2(chance/marginal)
			}
		}
	}
	return max(total, 0)
}

func (l loop) position() *fitmentv1.Position {
	if !l.placed {
		return nil
	}
	return &fitmentv1.Position{Row: l.row, Side: l.side}
}
