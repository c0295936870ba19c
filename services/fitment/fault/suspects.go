package fault

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/code"
)

// componentWords says what each component stands for.
var componentWords = map[fitmentv1.Suspect_Component]string{
	part:        "The part itself.",
	connector:   "The plug, its pins or its shorting clip.",
	harness:     "The wires between the module and the plug.",
	module:      "The control module's own circuit, which would explain a value in any loop.",
	measurement: "A mistake in measuring or in writing down; nothing in this loop at fault.",
	other:       "Something that the readings do not speak of.",
}

// Words for what a reading can be.
const (
	openWord    = "open"
	highWord    = "high"
	inRangeWord = "in range"
	lowWord     = "low"
	shortedWord = "shorted"
)

var classWords = map[fitmentv1.ReadingReport_Class]string{
	fitmentv1.ReadingReport_OPEN: openWord, fitmentv1.ReadingReport_HIGH: highWord, fitmentv1.ReadingReport_IN_RANGE: inRangeWord,
	fitmentv1.ReadingReport_LOW: lowWord, fitmentv1.ReadingReport_SHORTED: shortedWord,
}

var methodWords = map[fitmentv1.Reading_Method]string{
	fitmentv1.Reading_MODULE_REPORTED: "the module's value", fitmentv1.Reading_SUBSTITUTE_LOAD: "with a substitute load",
	fitmentv1.Reading_METER_AT_COMPONENT: "at the part's own connector", fitmentv1.Reading_METER_AT_HARNESS: "the harness alone",
}

var testWords = map[fitmentv1.LoopTest_Method]string{
	fitmentv1.LoopTest_UNPLUG: "with the part unplugged", fitmentv1.LoopTest_SUBSTITUTE_LOAD: "with a substitute load",
}

var findingWords = map[fitmentv1.LoopTestReport_Finding]string{
	partOrContact: "the part or its contacts", harnessOrModule: "harness or module",
}

// suspects lists every hypothesis, most probable first; equal ones stay in the
// order of the readings.
func (s *scene) suspects() []*fitmentv1.Suspect {
	ordered := slices.Clone(s.hypotheses)
	slices.SortStableFunc(ordered, func(a, b hypothesis) int { return cmp.Compare(b.probability, a.probability) })
	list := make([]*fitmentv1.Suspect, len(ordered))
	for i, h := range ordered {
		list[i] = &fitmentv1.Suspect{Component: h.component, Probability: h.probability, Reason: componentWords[h.component]}
		if h.meter >= 0 {
			list[i].Reason = "A mistake that all readings of one meter share: a broken lead, a weak battery, the wrong setting."
		}
		if h.loop >= 0 {
			l := s.loops[h.loop]
			list[i].Kind, list[i].Position = l.kind, l.position()
			list[i].Reason += " " + s.evidence(h.loop)
		}
	}
	return list
}

// evidence puts what is known about a loop into words.
func (s *scene) evidence(at int) string {
	var words []string
	for _, o := range s.observations {
		if !slices.Contains(o.loops, at) {
			continue
		}
		if o.code != nil {
			said := o.code.applied.Condition
			if said == code.NoCondition {
				said = "condition not stated"
			}
			words = append(words, fmt.Sprintf("%s reports this loop (%s)", o.code.code, said))
			continue
		}
		for i, f := range o.findings {
			words = append(words, fmt.Sprintf("test %d %s: %s", o.indexes[i]+1, testWords[o.test], findingWords[f]))
		}
		for i, c := range o.classes {
			words = append(words, fmt.Sprintf("reading %d %s: %s", o.indexes[i]+1, methodWords[o.method], classWords[c]))
		}
	}
	if len(words) == 0 {
		return "Nothing usable was read on this loop."
	}
	return "Known: " + strings.Join(words, "; ") + "."
}

// words names a loop: "buckle pretensioner, row 1 right".
func (l loop) words() string {
	name := l.label
	if name == "" {
		name = strings.ReplaceAll(strings.ToLower(l.kind.String()), "_", " ")
	}
	if l.kind == fitmentv1.Part_KIND_UNSPECIFIED && l.label == "" {
		name = "the loop at fault"
	}
	if l.row > 0 {
		name += fmt.Sprintf(", row %d", l.row)
	}
	if l.side != fitmentv1.Position_SIDE_UNSPECIFIED {
		name += " " + strings.ToLower(l.side.String())
	}
	return name
}
