package fault

import (
	"math"
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// weigh gives every hypothesis its posterior probability, under the assumption
// that one thing is at fault.
func (s *scene) weigh() {
	share := 1 / float64(len(s.loops))
	own := 1.0 // the share of measuring mistakes that spoil one loop's readings only
	if len(s.meters) > 0 {
		own -= s.model.SharedMeter
	}
	add := func(c fitmentv1.Suspect_Component, at, meter int, prior float64) {
		s.hypotheses = append(s.hypotheses, hypothesis{component: c, loop: at, meter: meter, log: math.Log(prior)})
	}
	for i := range s.loops {
		for _, c := range inLoop {
			prior := s.model.Prior[c] * share
			if c == measurement {
				prior *= own
			}
			add(c, i, -1, prior)
		}
	}
	for i := range s.meters {
		add(measurement, -1, i, s.model.Prior[measurement]*s.model.SharedMeter/float64(len(s.meters)))
	}
	for _, c := range []fitmentv1.Suspect_Component{module, other} {
		add(c, -1, -1, s.model.Prior[c])
	}
	for j := range s.observations {
		weight, likelihood := s.weight(j), s.likelihood(&s.observations[j])
		for i := range s.hypotheses {
			s.hypotheses[i].log += weight * likelihood(s.hypotheses[i])
		}
	}
	for i := range s.hypotheses {
		if h := &s.hypotheses[i]; h.meter >= 0 {
			h.log += s.sharedLikelihood(h.meter)
		}
	}
	logs := make([]float64, len(s.hypotheses))
	for i, h := range s.hypotheses {
		logs[i] = h.log
	}
	for i, p := range normalise(logs) {
		s.hypotheses[i].probability = p
	}
}

// normalise turns logs of weights into probabilities.
func normalise(logs []float64) []float64 {
	top := slices.Max(logs)
	list := make([]float64, len(logs))
	sum := 0.0
	for i, l := range logs {
		list[i] = math.Exp(l - top)
		sum += list[i]
	}
	for i := range list {
		list[i] /= sum
	}
	return list
}

// weight is what an observation counts for. Others that came through the same
// channel and speak of a loop that it speaks of share its mistakes, so each counts
// for one part of all only.
func (s *scene) weight(at int) float64 {
	all := 0
	o := &s.observations[at]
	for i := range s.observations {
		p := &s.observations[i]
		if i == at || (p.channel == o.channel && slices.ContainsFunc(p.loops, func(l int) bool { return slices.Contains(o.loops, l) })) {
			all++
		}
	}
	return 1 / float64(all)
}

// likelihood gives the log of the chance of an observation under a hypothesis: for
// several readings by one method the mean of theirs, so that repeating a reading
// adds nothing and contradicting it takes from both.
func (s *scene) likelihood(o *observation) func(hypothesis) float64 {
	columns, table := o.columns, s.model.Readings[o.method]
	switch {
	case o.code != nil:
		// A code whose meaning nobody stated is, with the rest of the belief, as
		// probable under one hypothesis as under any other.
		rest := (1 - o.belief) * meanChance(o.table)
		return func(h hypothesis) float64 { return math.Log(o.belief*o.row(h, o.table)[0] + rest) }
	case o.test != fitmentv1.LoopTest_METHOD_UNSPECIFIED:
		columns, table = nil, s.testTable(o.loops[0], o.test)
		for _, f := range o.findings {
			columns = append(columns, findingColumn(f))
		}
	}
	return func(h hypothesis) float64 {
		if h.meter >= 0 && h.meter == o.shared {
			return 0 // all readings of that meter together: sharedLikelihood
		}
		row, sum := o.row(h, table), 0.0
		for _, column := range columns {
			sum += math.Log(row[column])
		}
		return sum / float64(max(len(columns), 1))
	}
}

func findingColumn(f fitmentv1.LoopTestReport_Finding) int {
	if f == partOrContact {
		return partColumn
	}
	return harnessColumn
}

// testTable gives the chances of a test's findings on a loop. Where the module's
// word on the loop is counted already, that the test found anything says no more
// than that word, so the two findings count relative to each other.
func (s *scene) testTable(at int, method fitmentv1.LoopTest_Method) Table {
	table := s.model.LoopTests[method]
	if !slices.ContainsFunc(s.observations, func(o observation) bool { return o.channel == byModule && slices.Contains(o.loops, at) }) {
		return table
	}
	relative := Table{}
	for c, row := range table {
		found := row[partColumn] + row[harnessColumn]
		relative[c] = Row{row[partColumn] / found, row[harnessColumn] / found, 0}
	}
	return relative
}

// sharedLikelihood is the log of the chance of everything that one meter showed if
// its own mistake is behind it: with the chance of SharedRepeat one and the same
// class everywhere, else each for itself.
func (s *scene) sharedLikelihood(meter int) float64 {
	each, same, n, first := 1.0, 0.0, 0, -1
	repeated := true
	for _, o := range s.observations {
		if o.shared != meter {
			continue
		}
		row := s.model.Readings[o.method][measurement]
		sum := 0.0
		for _, column := range o.columns {
			sum += math.Log(row[column])
			if first < 0 {
				first = column
			}
			repeated = repeated && column == first
		}
		each *= math.Exp(sum / float64(len(o.columns)))
		same += row[o.columns[0]]
		n++
	}
	chance := (1 - s.model.SharedRepeat) * each
	if repeated {
		chance += s.model.SharedRepeat * same / float64(n)
	}
	return math.Log(chance)
}

// row picks the row of a table for a hypothesis: the component's own where it
// lies in a loop spoken of or is there once, else that of a fault elsewhere. A
// meter's shared mistake touches nothing but what was read with it.
func (o *observation) row(h hypothesis, table Table) Row {
	switch {
	case h.meter >= 0:
		return table[elsewhere]
	case h.loop < 0 || slices.Contains(o.loops, h.loop):
		return table[h.component]
	}
	return table[elsewhere]
}

// meanChance is the mean over what may be at fault, in a settled order, so that
// the same request gives the same answer to the last bit.
func meanChance(t Table) float64 {
	sum := 0.0
	for _, c := range []fitmentv1.Suspect_Component{part, connector, harness, measurement, module, other, elsewhere} {
		sum += t[c][0]
	}
	return sum / float64(len(t))
}
