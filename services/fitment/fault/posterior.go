package fault

import (
	"math"
	"slices"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// loop is one loop in question: the part that a reading or a code names.
type loop struct {
	kind   fitmentv1.Part_Kind
	kinds  []fitmentv1.Part_Kind // what it may be where kind is not settled
	row    int32
	side   fitmentv1.Position_Side
	label  string // words of the code that named it; empty for a reading's
	placed bool
}

// observation is what one method said about one loop, or what one applied code
// says. Readings of one loop by one method share their mistakes (same meter,
// same contact, same clip), so together they count as one.
type observation struct {
	loops   []int // loops it speaks of
	method  fitmentv1.Reading_Method
	classes []fitmentv1.ReadingReport_Class
	indexes []int // of the readings, from 0
	table   Table // of a code; nil for readings
	belief  float64
	code    *readCode
}

// hypothesis is one thing that may be at fault, by itself, and how probable.
type hypothesis struct {
	component   fitmentv1.Suspect_Component
	loop        int // −1 for what is there once
	probability float64
}

// scene is everything that is known, sorted by loop.
type scene struct {
	model        Model
	loops        []loop
	observations []observation
	hypotheses   []hypothesis
}

// newScene finds the loops, gathers the evidence about each and weighs it.
func newScene(model Model, req *fitmentv1.AssessFaultRequest, reports []*fitmentv1.ReadingReport, codes []readCode) *scene {
	s := &scene{model: model}
	for i, r := range reports {
		s.observe(i, r)
	}
	read := len(s.loops)
	seen := map[Code]bool{}
	for i := range codes {
		if c := &codes[i]; c.applied != nil && !seen[c.code] {
			seen[c.code] = true
			s.observeCode(c, read, req.GetVehicle().GetDriveSide())
		}
	}
	if len(s.loops) == 0 {
		s.loops = append(s.loops, loop{})
	}
	s.weigh()
	return s
}

func (s *scene) observe(index int, r *fitmentv1.ReadingReport) {
	want := loop{kind: r.GetKind(), row: r.GetPosition().GetRow(), side: r.GetPosition().GetSide(), placed: r.GetPosition() != nil}
	at := slices.IndexFunc(s.loops, func(l loop) bool { return l.kind == want.kind && l.row == want.row && l.side == want.side })
	if at < 0 {
		at = len(s.loops)
		s.loops = append(s.loops, want)
	}
	if !slices.Contains(numeric, r.GetClass()) {
		return
	}
	for i := range s.observations {
		if o := &s.observations[i]; o.loops[0] == at && o.method == r.GetMethod() {
			o.classes = append(o.classes, r.GetClass())
			o.indexes = append(o.indexes, index)
			return
		}
	}
	s.observations = append(s.observations, observation{
		loops: []int{at}, method: r.GetMethod(), classes: []fitmentv1.ReadingReport_Class{r.GetClass()}, indexes: []int{index}, belief: 1,
	})
}

// observeCode adds an applied code. It speaks of the loops of readings that it
// can mean; where there is none, of a loop of its own.
func (s *scene) observeCode(c *readCode, read int, drive fitmentv1.Vehicle_DriveSide) {
	m := c.applied
	o := observation{belief: 1, code: c}
	if !c.stated {
		o.belief = s.model.SoleMeaning
	}
	switch {
	case m.deployed || (len(m.kinds) == 0 && m.dialect != standard):
		return
	case len(m.kinds) == 0:
		o.table = s.model.Outside
		s.observations = append(s.observations, o)
		return
	}
	o.table = s.model.Codes[m.conditionFor(c.code)]
	place := m.seat.position(drive)
	for i, l := range s.loops[:read] {
		if slices.Contains(m.kinds, l.kind) && compatible(l, place) {
			o.loops = append(o.loops, i)
		}
	}
	if len(o.loops) == 0 {
		o.loops = []int{s.ownLoop(m, place, read)}
	}
	s.observations = append(s.observations, o)
}

// ownLoop finds or makes the loop that only codes speak of.
func (s *scene) ownLoop(m *meaning, place *fitmentv1.Position, read int) int {
	for i, l := range s.loops[read:] {
		if l.label == m.part {
			return read + i
		}
	}
	s.loops = append(s.loops, loop{
		kind: m.kind(), kinds: m.kinds, row: place.GetRow(), side: place.GetSide(), label: m.part, placed: place != nil,
	})
	return len(s.loops) - 1
}

// compatible tells whether a loop may stand where a code says; what either
// leaves open does not contradict.
func compatible(l loop, place *fitmentv1.Position) bool {
	rows := l.row == 0 || place.GetRow() == 0 || l.row == place.GetRow()
	sides := l.side == fitmentv1.Position_SIDE_UNSPECIFIED || place.GetSide() == fitmentv1.Position_SIDE_UNSPECIFIED || l.side == place.GetSide()
	return rows && sides
}

// weigh gives every hypothesis its posterior probability, under the assumption
// that one thing is at fault.
func (s *scene) weigh() {
	share := 1 / float64(len(s.loops))
	for i := range s.loops {
		for _, c := range inLoop {
			s.hypotheses = append(s.hypotheses, hypothesis{c, i, s.model.Prior[c] * share})
		}
	}
	for _, c := range []fitmentv1.Suspect_Component{module, other} {
		s.hypotheses = append(s.hypotheses, hypothesis{c, -1, s.model.Prior[c]})
	}
	logs := make([]float64, len(s.hypotheses))
	for i, h := range s.hypotheses {
		logs[i] = math.Log(h.probability)
		for j := range s.observations {
			logs[i] += s.observations[j].logLikelihood(h, s.model)
		}
	}
	top := slices.Max(logs)
	sum := 0.0
	for i, l := range logs {
		logs[i] = math.Exp(l - top)
		sum += logs[i]
	}
	for i := range s.hypotheses {
		s.hypotheses[i].probability = logs[i] / sum
	}
}

// logLikelihood is the log of the chance of an observation under a hypothesis:
// for several readings by one method the mean of theirs, so that repeating a
// reading adds nothing and contradicting it takes from both.
func (o *observation) logLikelihood(h hypothesis, model Model) float64 {
	if o.table != nil {
		chance := o.row(h, o.table)[0]
		// A code whose meaning nobody stated is, with the rest of the belief, as
		// probable under one hypothesis as under any other.
		return math.Log(o.belief*chance + (1-o.belief)*meanChance(o.table))
	}
	row := o.row(h, model.Readings[o.method])
	sum := 0.0
	for _, class := range o.classes {
		sum += math.Log(row[slices.Index(numeric, class)])
	}
	return sum / float64(len(o.classes))
}

// row picks the row of a table for a hypothesis: the component's own where it
// lies in a loop spoken of or is there once, else that of a fault elsewhere.
func (o *observation) row(h hypothesis, table Table) Row {
	if h.loop < 0 || slices.Contains(o.loops, h.loop) {
		return table[h.component]
	}
	return table[elsewhere]
}

func meanChance(t Table) float64 {
	sum := 0.0
	for _, c := range []fitmentv1.Suspect_Component{part, connector, harness, measurement, module, other, elsewhere} {
		sum += t[c][0]
	}
	return sum / float64(len(t))
}
