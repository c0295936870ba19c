package rules

import (
	"math/bits"
	"slices"
	"strconv"

	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/evidence"
	"beltwright.example/services/fitment/fault"
	"beltwright.example/services/fitment/names"
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
	case !HasSquib(c.need.GetKind()):
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
	// doubtful is what is seen in readings that may be of this part or of another.
	doubtful doubts
	// stages of which a reading counts, and of which one is shown, by bits.
	read, shown uint64
	// why the last unusable one is, and window and value of the last that counts.
	why, limits, value string
}

// doubts tell what is seen in readings of a place from which the part may be, where
// it is not stated which one it was pulled from.
type doubts struct{ outside, burnt, clipped bool }

// observed is a reading with the highest level at which it is stated.
type observed struct {
	*fitmentv1.Reading

	level fitmentv1.Evidence_Level
}

// judgeLoops needs a reading of each stage: one good squib says nothing about
// the other. Readings that disagree make the answer unknown, except that a
// burnt bridge is a burnt bridge: of several squibs one may have fired.
func (c *Case) judgeLoops() *loops {
	window, own := c.window()
	t := tally{}
	for _, o := range c.observations() {
		c.count(&t, o, window)
	}
	stages := max(c.stagesKnown(), bits.Len64(t.read)-1)
	return &loops{resistance: t.resistance(stages, own), deployment: t.deployment(stages)}
}

// observations lists the loop's readings, each once: what is entered twice was
// not read twice.
func (c *Case) observations() []observed {
	var list []observed
	for _, e := range c.claims.Listing().GetEvidence() {
		if e.GetAttribute() != fitmentv1.Evidence_LOOP_RESISTANCE {
			continue
		}
		at := slices.IndexFunc(list, func(o observed) bool { return proto.Equal(o.Reading, e.GetReading()) })
		if at < 0 {
			list = append(list, observed{e.GetReading(), e.GetLevel()})
			continue
		}
		list[at].level = max(list[at].level, e.GetLevel())
	}
	return list
}

// count adds one reading. Only readings of the part itself count: with a
// substitute load in its place, or on the harness without it, the rest of the
// loop was read.
func (c *Case) count(t *tally, o observed, window *fitmentv1.ResistanceWindow) {
	of := evidence.No
	if o.Reading != nil {
		of = c.ofThisPart(o.Reading)
	}
	switch {
	case o.Reading == nil:
		t.unusable++
		t.why = "a resistance without the reading behind it proves nothing"
		return
	case of == evidence.No:
		t.unusable++
		t.why = "the reading is of another part"
		return
	case o.GetMethod() == fitmentv1.Reading_SUBSTITUTE_LOAD || o.GetMethod() == fitmentv1.Reading_METER_AT_HARNESS:
		t.unusable++
		t.why = "the reading was taken without the part, so it says nothing about it"
		return
	case o.GetStage() < 0 || o.GetStage() > maxStages:
		t.unusable++
		t.why = "the reading is of a stage that no part has"
		return
	}
	if o.GetKind() == fitmentv1.Part_KIND_UNSPECIFIED {
		o.Reading = proto.CloneOf(o.Reading)
		o.Kind = c.need.GetKind()
	}
	report := fault.Classify(o.Reading, window)
	if of == evidence.Unknown {
		t.doubt(report)
		return
	}
	t.add(report, o)
}

// doubt notes what a reading shows that is of this part only if it was pulled from
// another place than needed. It proves nothing good, but leaves open what it would
// disprove.
func (t *tally) doubt(report *fitmentv1.ReadingReport) {
	t.unusable++
	t.why = "the reading is of another position, and from which one the part was pulled is not stated"
	switch report.GetClass() {
	case fitmentv1.ReadingReport_OPEN, fitmentv1.ReadingReport_SHORTED:
		t.doubtful.burnt = true
	case fitmentv1.ReadingReport_HIGH, fitmentv1.ReadingReport_LOW:
		t.doubtful.outside = true
		t.doubtful.clipped = t.doubtful.clipped || report.ConformanceProbability == nil
	default:
	}
}

// add counts a judged reading.
func (t *tally) add(report *fitmentv1.ReadingReport, o observed) {
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
	t.read |= 1 << o.GetStage()
	if o.level >= fitmentv1.Evidence_SHOWN {
		t.proven++
		t.shown |= 1 << o.GetStage()
	}
	t.limits = limits(report.GetWindow())
	if report.CorrectedOhms != nil {
		t.value = strconv.FormatFloat(report.GetCorrectedOhms(), 'g', 4, 64) + " Ω"
	}
}

// ofThisPart tells whether what a reading names of kind, row and side contradicts
// nothing: neither the kind needed, nor what is stated of the part. A part that
// serves several positions may come from another one than needed, so where no
// position is stated of the part, a reading of another one than needed is Unknown.
func (c *Case) ofThisPart(r *fitmentv1.Reading) evidence.Answer {
	kind := c.claims.Fact(fitmentv1.Evidence_PART_KIND)
	if r.GetKind() != fitmentv1.Part_KIND_UNSPECIFIED {
		listed := c.claims.Listing().GetKind()
		other := kind.Known() && kind.Key != r.GetKind().String()
		if other || differ(r.GetKind(), c.need.GetKind()) || differ(r.GetKind(), listed) {
			return evidence.No
		}
	}
	if !near(r.GetPosition(), c.claims.Listing().GetPosition()) {
		return evidence.No
	}
	if stated := c.claims.Fact(fitmentv1.Evidence_PART_POSITION); stated.Known() {
		from, err := names.ParsePosition(stated.Key)
		return evidence.Of(err != nil || near(r.GetPosition(), from))
	}
	if near(r.GetPosition(), c.position) {
		return evidence.Yes
	}
	return evidence.Unknown
}

// differ tells whether two values are both stated, and not the same.
func differ[T ~int32](a, b T) bool { return a != 0 && b != 0 && a != b }

// near tells whether two positions agree in row and side, as far as both state
// them.
func near(a, b *fitmentv1.Position) bool {
	return !differ(a.GetRow(), b.GetRow()) && !differ(a.GetSide(), b.GetSide())
}

func (doubts) why() string {
	return "a loop of another position reads outside the window, and from which position the part was pulled is not stated"
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
	case t.doubtful.outside || t.doubtful.burnt:
		return unknown(t.doubtful.why())
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
	if t.doubtful.burnt || t.doubtful.clipped {
		return unknown(t.doubtful.why())
	}
	return t.enough(stages, yes("the loop reads as a bridge that has not burnt").comparing("", t.value))
}

// enough returns fine where each stage has a reading that is shown; of a part of
// several stages only readings that state theirs tell which was read.
func (t *tally) enough(stages int, fine Result) Result {
	switch {
	case t.all == 0 && t.unusable > 0:
		return unknown(t.why)
	case t.all == 0:
		return unknown("no loop reading is known")
	case t.proven == 0:
		return unknown("the loop reading is only claimed")
	case stages > 1 && t.shown&every(stages) != every(stages):
		return unknown("not every stage has a loop reading of its own that states the stage and is shown").
			comparing(strconv.Itoa(stages)+" stages", strconv.Itoa(bits.OnesCount64(t.shown&every(stages))))
	default:
		return fine
	}
}

// every is the set of stages from 1 to the last.
func every(last int) uint64 { return 1<<(last+1) - 2 }

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
