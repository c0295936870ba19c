package rules

import (
	"strconv"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/fault"
)

// loops is what the loop readings come to.
type loops struct {
	resistance, deployment Result
}

// inWindow: every stage's loop reads inside the resistance window.
func inWindow(c *Case) Result { return c.readLoops().resistance }

// notFired: the loop readings show a bridge that has not burnt.
func notFired(c *Case) Result { return c.readLoops().deployment }

// readLoops judges the loop readings, once.
func (c *Case) readLoops() *loops {
	switch {
	case c.loops != nil:
	case !hasSquib(c.need.GetKind()):
		r := yes("a part of this kind has no squib of its own")
		c.loops = &loops{r, r}
	default:
		c.loops = c.judgeLoops()
	}
	return c.loops
}

// tally counts readings by what they say.
type tally struct {
	all, proven    int // readings that count, and those of them that are shown
	inside         int
	outside, burnt int // outside the window; open or shorted
	clipped        int // at the end of a module's display: high, or open
	unusable       int
	// why the last unusable one is, and window and value of the last that counts.
	why, limits, value string
}

// judgeLoops needs a reading of each stage: one good squib says nothing about
// the other. Readings that disagree make the answer unknown, except that a
// burnt bridge is a burnt bridge: of several squibs one may have fired.
func (c *Case) judgeLoops() *loops {
	window, own := c.window()
	t := tally{}
	for _, e := range c.claims.Listing().GetEvidence() {
		if e.GetAttribute() == fitmentv1.Evidence_LOOP_RESISTANCE {
			c.count(&t, e, window)
		}
	}
	return &loops{resistance: t.resistance(c.stagesKnown(), own), deployment: t.deployment(c.stagesKnown())}
}

// count adds one piece of evidence. Only readings of the part itself count: with
// a substitute load in its place, or on the harness without it, the rest of the
// loop was read.
func (c *Case) count(t *tally, e *fitmentv1.Evidence, window *fitmentv1.ResistanceWindow) {
	reading := e.GetReading()
	switch {
	case reading == nil:
		t.unusable++
		t.why = "a resistance without the reading behind it proves nothing"
		return
	case !c.ofThisPart(reading):
		t.unusable++
		t.why = "the reading is of another part"
		return
	case reading.GetMethod() == fitmentv1.Reading_SUBSTITUTE_LOAD || reading.GetMethod() == fitmentv1.Reading_METER_AT_HARNESS:
		t.unusable++
		t.why = "the reading was taken without the part, so it says nothing about it"
		return
	}
	if reading.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED {
		reading = proto.CloneOf(reading)
		reading.Kind = c.need.GetKind()
	}
	t.add(fault.Classify(reading, window), e.GetLevel())
}

// add counts a judged reading.
func (t *tally) add(report *fitmentv1.ReadingReport, level fitmentv1.Evidence_Level) {
	switch report.GetClass() {
	case fitmentv1.ReadingReport_IN_RANGE:
		t.inside++
	case fitmentv1.ReadingReport_OPEN, fitmentv1.ReadingReport_SHORTED:
		t.burnt++
	case fitmentv1.ReadingReport_HIGH, fitmentv1.ReadingReport_LOW:
		t.outside++
		if report.ConformanceProbability == nil { // no number, so it may be anything beyond
			t.clipped++
		}
	default:
		t.unusable++
		t.why = report.GetReason()
		return
	}
	t.all++
	if level >= fitmentv1.Evidence_SHOWN {
		t.proven++
	}
	t.limits = limits(report.GetWindow())
	if report.CorrectedOhms != nil {
		t.value = strconv.FormatFloat(report.GetCorrectedOhms(), 'g', 4, 64) + " Ω"
	}
}

// ofThisPart tells whether a reading that names a kind or position names the
// listing's.
func (c *Case) ofThisPart(r *fitmentv1.Reading) bool {
	kind, position := c.claims.Listing().GetKind(), c.claims.Listing().GetPosition()
	if r.GetKind() != 0 && kind != 0 && r.GetKind() != kind {
		return false
	}
	return r.GetPosition().GetSide() == 0 || position.GetSide() == 0 ||
		(r.GetPosition().GetSide() == position.GetSide() && r.GetPosition().GetRow() == position.GetRow())
}

// resistance answers whether the loops read inside the window.
func (t *tally) resistance(stages int, own bool) Result {
	switch {
	case t.burnt > 0:
		return no("a loop reads open or shorted").comparing(t.limits, t.value)
	case t.outside > 0 && t.inside > 0 && stages < 2:
		return unknown("the loop readings disagree")
	case t.outside > 0 && own:
		return no("a loop reads outside the part's resistance window").comparing(t.limits, t.value)
	case t.outside > 0:
		return unknown("a loop reads outside the usual window, and the part's own window is not known").comparing(t.limits, t.value)
	}
	return t.enough(stages, yes("the loop reads inside the resistance window").comparing(t.limits, t.value))
}

// deployment answers whether the loops show a squib that has not fired.
func (t *tally) deployment(stages int) Result {
	if t.burnt > 0 {
		return no("a loop reads open or shorted, as after firing").comparing("", t.value)
	}
	if t.clipped > 0 {
		return unknown("the module's display ends before it can tell an open loop from a high one")
	}
	return t.enough(stages, yes("the loop reads as a bridge that has not burnt").comparing("", t.value))
}

// enough returns fine where each stage has a reading that is shown.
func (t *tally) enough(stages int, fine Result) Result {
	switch {
	case t.all == 0 && t.unusable > 0:
		return unknown(t.why)
	case t.all == 0:
		return unknown("no loop reading is known")
	case t.proven == 0:
		return unknown("the loop reading is only claimed")
	case t.proven < max(1, stages):
		return unknown("not every stage has a loop reading that is shown").comparing(strconv.Itoa(stages)+" stages", strconv.Itoa(t.proven))
	default:
		return fine
	}
}

// stagesKnown is the number of stages that must have been read: the most that
// anything says, at least 1.
func (c *Case) stagesKnown() int {
	most := max(1, c.need.GetStages())
	if stated, known, _ := c.claims.Number(fitmentv1.Evidence_STAGES); known {
		most = max(most, int32(stated)) // the key holds at most 16 bits
	}
	if c.label != nil {
		most = max(most, c.label.GetStages())
	} else {
		for i := range c.rights {
			most = max(most, c.rights[i].Part.GetStages())
		}
	}
	return int(most)
}

// window is the resistance window to judge by; nil and false for the default.
func (c *Case) window() (window *fitmentv1.ResistanceWindow, own bool) {
	window = c.label.GetWindow()
	return window, window != nil
}

func limits(w *fitmentv1.ResistanceWindow) string {
	return strconv.FormatFloat(w.GetLowOhms(), 'g', 4, 64) + "–" + strconv.FormatFloat(w.GetHighOhms(), 'g', 4, 64) + " Ω"
}

// assumedLoops stands in for readings that have not been made.
func assumedLoops(good bool) *loops {
	r := no("assumed")
	if good {
		r = yes("assumed")
	}
	return &loops{r, r}
}
