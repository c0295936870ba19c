package fault

import (
	"math"
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// nextTest returns the test and loop with the greatest expected information a
// minute, weighted by the test's preference; nil where none is worth making.
// Every test works on the harness side, through the module or on the bare leads.
func (s *scene) nextTest() *fitmentv1.NextTest {
	var best *fitmentv1.NextTest
	bestRate := 0.0
	offer := func(test Test, bits float64, kind fitmentv1.Part_Kind, place *fitmentv1.Position) {
		rate := bits * test.Preference / test.Minutes
		if bits >= s.model.LeastBits && rate > bestRate {
			bestRate = rate
			best = &fitmentv1.NextTest{
				Id: test.ID, Text: test.Text, Kind: kind, Position: place,
				ExpectedBits: bits, Minutes: test.Minutes, Source: test.Source,
			}
		}
	}
	for _, test := range s.model.Tests {
		if test.LeadCheck {
			for i := range s.meters {
				offer(test, s.leadInformation(i), fitmentv1.Part_KIND_UNSPECIFIED, nil)
			}
		}
	}
	for i, l := range s.loops {
		if l.kind != fitmentv1.Part_KIND_UNSPECIFIED && !hasSquib(l.kind) {
			continue
		}
		for _, test := range s.model.Tests {
			if !test.LeadCheck && s.worthwhile(i, test) {
				offer(test, s.information(i, test), l.kind, l.position())
			}
		}
	}
	return best
}

// worthwhile tells whether a test of a loop can say anything new: it was not made
// yet, by a reading or as a test. The closed clip of the unplug test reads low, so
// that says nothing where the module calls the loop low already.
func (s *scene) worthwhile(at int, test Test) bool {
	if test.Unplug {
		return !s.low[at] && !s.observed(at, unplugged, true)
	}
	return !s.observed(at, channels[test.Reading], false)
}

// observed tells whether a reading or a test of a loop came through a channel; a
// code of the module is no reading.
func (s *scene) observed(at int, through channel, tested bool) bool {
	return slices.ContainsFunc(s.observations, func(o observation) bool {
		return o.code == nil && o.channel == through && o.loops[0] == at && (!tested || o.test != fitmentv1.LoopTest_METHOD_UNSPECIFIED)
	})
}

// find returns what a method said about a loop, or nil.
func (s *scene) find(at int, method fitmentv1.Reading_Method) *observation {
	i := slices.IndexFunc(s.observations, func(o observation) bool {
		return o.method == method && o.method != fitmentv1.Reading_METHOD_UNSPECIFIED && o.loops[0] == at
	})
	if i < 0 {
		return nil
	}
	return &s.observations[i]
}

// findTest returns what a test showed of a loop, or nil.
func (s *scene) findTest(at int, method fitmentv1.LoopTest_Method) *observation {
	i := slices.IndexFunc(s.observations, func(o observation) bool {
		return o.test == method && o.test != fitmentv1.LoopTest_METHOD_UNSPECIFIED && o.loops[0] == at
	})
	if i < 0 {
		return nil
	}
	return &s.observations[i]
}

// information is how far a test of one loop is expected to move what is believed
// to be at fault, in bits: the divergence of the belief after each outcome from
// that before, weighted by the outcome's probability. Where nothing else came
// through the same channel that is the mutual information of fault and outcome.
func (s *scene) information(at int, test Test) float64 {
	o := observation{loops: []int{at}, channel: channels[test.Reading], method: test.Reading, shared: -1}
	table := s.model.Readings[test.Reading]
	outcomes := len(numeric)
	if test.Unplug {
		o = observation{loops: []int{at}, channel: unplugged, test: fitmentv1.LoopTest_UNPLUG, shared: -1}
		table = s.testTable(at, o.test)
		outcomes = nothingColumn // a test that shows nothing moves nothing
	}
	base, weight := s.beside(o)
	total := 0.0
	logs := make([]float64, len(s.hypotheses))
	for outcome := range outcomes {
		marginal := 0.0
		for i, h := range s.hypotheses {
			chance := o.row(h, table)[outcome]
			marginal += h.probability * chance
			logs[i] = base[i] + weight*math.Log(chance)
		}
		total += marginal * s.divergence(normalise(logs))
	}
	return max(total, 0)
}

// beside gives the logs of the hypotheses as they are when an observation of one
// loop stands beside the others, less what it says itself, and its weight. Those
// that share its mistakes count for a smaller part then, and once the module has
// spoken of a loop its tests count otherwise.
func (s *scene) beside(o observation) (logs []float64, weight float64) {
	logs = make([]float64, len(s.hypotheses))
	for i, h := range s.hypotheses {
		logs[i] = h.log
	}
	then := &scene{model: s.model, observations: append(slices.Clone(s.observations), o)}
	for j := range s.observations {
		p := &s.observations[j]
		if !slices.Contains(p.loops, o.loops[0]) {
			continue
		}
		before, after := s.weight(j), then.weight(j)
		was, is := s.likelihood(p), then.likelihood(p)
		for i, h := range s.hypotheses {
			logs[i] += after*is(h) - before*was(h)
		}
	}
	return logs, then.weight(len(s.observations))
}

// divergence is the Kullback-Leibler divergence of another belief from the present
// one, in bits.
func (s *scene) divergence(after []float64) float64 {
	bits := 0.0
	for i, h := range s.hypotheses {
		if p := after[i]; p > 0 && h.probability > 0 {
			bits += p * math.Log2(p/h.probability)
		}
	}
	return bits
}

// leadInformation is the same for a check of a meter's leads: the mutual
// information of what it shows and what is at fault.
func (s *scene) leadInformation(meter int) float64 {
	total := 0.0
	for _, bad := range []bool{true, false} {
		chance := func(h hypothesis) float64 {
			p := s.model.LeadCheck[1]
			if h.meter == meter {
				p = s.model.LeadCheck[0]
			}
			if !bad {
				return 1 - p
			}
			return p
		}
		marginal := 0.0
		for _, h := range s.hypotheses {
			marginal += h.probability * chance(h)
		}
		for _, h := range s.hypotheses {
			if p := chance(h); h.probability > 0 {
				total += h.probability * p * math.Log2(p/marginal)
			}
		}
	}
	return max(total, 0)
}
