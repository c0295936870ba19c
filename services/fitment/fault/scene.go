package fault

import (
	"slices"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
)

// loop is one loop in question: the part that a reading, a test or a code names.
type loop struct {
	kind   fitmentv1.Part_Kind
	row    int32
	side   fitmentv1.Position_Side
	label  string // words of the code that named it; empty for a reading's
	placed bool
}

// channel is a way in which something of a loop was learnt. What comes through one
// channel shares its mistakes (same meter, same contact, same clip, the module's
// one measurement), so that together it counts as one observation.
type channel int

const (
	byModule  channel = iota // the module's codes and values
	withLoad                 // a substitute load in the part's place
	unplugged                // the part unplugged
	atPart                   // a meter at the part's own connector
	onHarness                // a meter on the harness alone
	outsideUs                // a code about something that is no part of ours
)

var channels = map[fitmentv1.Reading_Method]channel{
	fitmentv1.Reading_MODULE_REPORTED: byModule, fitmentv1.Reading_SUBSTITUTE_LOAD: withLoad,
	fitmentv1.Reading_METER_AT_COMPONENT: atPart, fitmentv1.Reading_METER_AT_HARNESS: onHarness,
}

var testChannels = map[fitmentv1.LoopTest_Method]channel{
	fitmentv1.LoopTest_UNPLUG: unplugged, fitmentv1.LoopTest_SUBSTITUTE_LOAD: withLoad,
}

// observation is what one method said about one loop, what one test showed of
// one, or what one applied code says.
type observation struct {
	loops   []int // loops it speaks of
	channel channel

	method  fitmentv1.Reading_Method // of readings
	classes []fitmentv1.ReadingReport_Class
	columns []int // of the readings' classes
	indexes []int // of the readings or tests, from 0
	shared  int   // the meter whose mistakes they share, or −1

	test     fitmentv1.LoopTest_Method // of tests
	findings []fitmentv1.LoopTestReport_Finding

	code   *readCode // of a code
	table  Table
	belief float64
}

// hypothesis is one thing that may be at fault, by itself, and how probable.
type hypothesis struct {
	component fitmentv1.Suspect_Component
	loop      int // −1 for what is there once
	meter     int // the meter whose shared mistake it is, or −1
	log       float64
	// probability is what log comes to beside the others.
	probability float64
}

// scene is everything that is known, sorted by loop.
type scene struct {
	model        Model
	loops        []loop
	observations []observation
	hypotheses   []hypothesis
	meters       []sharedMeter
	// low are the loops that the module calls low or shorted.
	low map[int]bool
}

// sharedMeter is a meter that several loops were read with, and of which nobody
// stated what its leads read.
type sharedMeter struct {
	meter *fitmentv1.Meter
	loops []int
}

// newScene finds the loops, gathers the evidence about each and weighs it.
func newScene(model Model, req *fitmentv1.AssessFaultRequest, answer *fitmentv1.AssessFaultResponse, codes []readCode) *scene {
	s := &scene{model: model, low: map[int]bool{}}
	for i, r := range answer.GetReadings() {
		s.observe(i, req.GetReadings()[i], r)
	}
	for i, t := range answer.GetTests() {
		s.observeTest(i, req.GetTests()[i], t)
	}
	read := len(s.loops)
	seen := map[code.Code]bool{}
	for i := range codes {
		if c := &codes[i]; c.applied != nil && !seen[c.code] {
			seen[c.code] = true
			s.observeCode(c, read, req.GetVehicle().GetDriveSide())
		}
	}
	if len(s.loops) == 0 {
		s.loops = append(s.loops, loop{})
	}
	s.findSharedMeters(req.GetReadings())
	s.weigh()
	return s
}

// loopOf finds or makes the loop that a reading or a test names.
func (s *scene) loopOf(kind fitmentv1.Part_Kind, p *fitmentv1.Position) int {
	at := slices.IndexFunc(s.loops, func(l loop) bool { return l.kind == kind && l.row == p.GetRow() && l.side == p.GetSide() })
	if at < 0 {
		at = len(s.loops)
		s.loops = append(s.loops, loop{kind: kind, row: p.GetRow(), side: p.GetSide(), placed: p != nil})
	}
	return at
}

func (s *scene) observe(index int, r *fitmentv1.Reading, report *fitmentv1.ReadingReport) {
	at := s.loopOf(report.GetKind(), report.GetPosition())
	column := columnOf(report)
	if column < 0 {
		return
	}
	class := report.GetClass()
	if report.GetMethod() == fitmentv1.Reading_MODULE_REPORTED && (class == fitmentv1.ReadingReport_LOW || class == fitmentv1.ReadingReport_SHORTED) {
		s.low[at] = true
	}
	for i := range s.observations {
		if o := &s.observations[i]; o.loops[0] == at && o.method == r.GetMethod() {
			o.classes, o.columns, o.indexes = append(o.classes, class), append(o.columns, column), append(o.indexes, index)
			return
		}
	}
	s.observations = append(s.observations, observation{
		loops: []int{at}, channel: channels[r.GetMethod()], method: r.GetMethod(), shared: -1,
		classes: []fitmentv1.ReadingReport_Class{class}, columns: []int{column}, indexes: []int{index},
	})
}

// columnOf is the column of a table that a reading falls in, −1 where it proves
// nothing. A module's value that is no number stands at the end of its display.
func columnOf(report *fitmentv1.ReadingReport) int {
	if fromModule(report.GetMethod()) && report.GetClass() == fitmentv1.ReadingReport_HIGH && report.CorrectedOhms == nil {
		return 0
	}
	return slices.Index(numeric, report.GetClass())
}

func (s *scene) observeTest(index int, t *fitmentv1.LoopTest, report *fitmentv1.LoopTestReport) {
	at := s.loopOf(t.GetKind(), t.GetPosition())
	if t.GetBefore() == lowState {
		s.low[at] = true
	}
	if report.GetFinding() == showsNothing {
		return
	}
	for i := range s.observations {
		if o := &s.observations[i]; o.loops[0] == at && o.test == t.GetMethod() {
			o.findings, o.indexes = append(o.findings, report.GetFinding()), append(o.indexes, index)
			return
		}
	}
	s.observations = append(s.observations, observation{
		loops: []int{at}, channel: testChannels[t.GetMethod()], test: t.GetMethod(), shared: -1,
		findings: []fitmentv1.LoopTestReport_Finding{report.GetFinding()}, indexes: []int{index},
	})
}

// observeCode adds an applied code. It speaks of the loops of readings and tests
// that it can mean; where there is none, of a loop of its own.
func (s *scene) observeCode(c *readCode, read int, drive fitmentv1.Vehicle_DriveSide) {
	o := observation{belief: 1, code: c, shared: -1, channel: outsideUs}
	if !c.stated {
		o.belief = s.model.SoleMeaning
	}
	m := c.applied
	switch {
	case m.Deployed, len(m.Kinds) == 0 && !c.outside:
		return
	case c.outside:
		o.table = s.model.Outside
		s.observations = append(s.observations, o)
		return
	}
	o.channel, o.table = byModule, s.codeTable(m.Condition)
	place := m.Position(drive)
	for i, l := range s.loops[:read] {
		if slices.Contains(m.Kinds, l.kind) && compatible(l, place) {
			o.loops = append(o.loops, i)
		}
	}
	if len(o.loops) == 0 {
		o.loops = []int{s.ownLoop(m, place, read)}
	}
	if len(o.loops) == 1 && m.Condition == code.LowOrShorted {
		s.low[o.loops[0]] = true
	}
	s.observations = append(s.observations, o)
}

// codeTable gives the likelihoods of a condition; one that the model does not know
// counts as none.
func (s *scene) codeTable(condition string) Table {
	if table, known := s.model.Codes[condition]; known {
		return table
	}
	return s.model.Codes[code.NoCondition]
}

// ownLoop finds or makes the loop that only codes speak of.
func (s *scene) ownLoop(m *code.Meaning, place *fitmentv1.Position, read int) int {
	for i, l := range s.loops[read:] {
		if l.label == m.Part {
			return read + i
		}
	}
	s.loops = append(s.loops, loop{
		kind: m.Kind(), row: place.GetRow(), side: place.GetSide(), label: m.Part, placed: place != nil,
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

// findSharedMeters finds the meters that several loops were read with. Where the
// leads' own value is stated they were touched together and conduct, so that what
// they share is known; otherwise one broken lead would explain every reading.
func (s *scene) findSharedMeters(readings []*fitmentv1.Reading) {
	for i := range s.observations {
		o := &s.observations[i]
		m, one := oneMeter(o, readings)
		if !one {
			continue
		}
		o.shared = slices.IndexFunc(s.meters, func(f sharedMeter) bool { return proto.Equal(f.meter, m) })
		if o.shared < 0 {
			o.shared = len(s.meters)
			s.meters = append(s.meters, sharedMeter{meter: m})
		}
		if f := &s.meters[o.shared]; !slices.Contains(f.loops, o.loops[0]) {
			f.loops = append(f.loops, o.loops[0])
		}
	}
	places := make([]int, len(s.meters)) // where each meter goes, −1 where it served one loop only
	var kept []sharedMeter
	for i, f := range s.meters {
		if places[i] = -1; len(f.loops) > 1 {
			places[i] = len(kept)
			kept = append(kept, f)
		}
	}
	s.meters = kept
	for i := range s.observations {
		if o := &s.observations[i]; o.shared >= 0 {
			o.shared = places[o.shared]
		}
	}
}

// oneMeter is the meter that all readings of an observation were taken with, where
// none of them states its leads' value.
func oneMeter(o *observation, readings []*fitmentv1.Reading) (*fitmentv1.Meter, bool) {
	if o.channel != atPart && o.channel != onHarness {
		return nil, false
	}
	m := readings[o.indexes[0]].GetMeter()
	for _, i := range o.indexes {
		if readings[i].LeadOhms != nil || !proto.Equal(readings[i].GetMeter(), m) {
			return nil, false
		}
	}
	return m, true
}

func (l loop) position() *fitmentv1.Position {
	if !l.placed {
		return nil
	}
	return &fitmentv1.Position{Row: l.row, Side: l.side}
}
