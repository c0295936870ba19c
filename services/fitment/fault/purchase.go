package fault

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// purchase says whether buying is justified, given how many readings and tests
// there are, usable or not. It is where parts are proven by
// readings and are together probable enough; not where what was read speaks
// against every part; in between the next test comes first.
func (s *scene) purchase(made int, codes []readCode) (fitmentv1.AssessFaultResponse_Purchase, string) {
	answer, reason := s.weighPurchase(made)
	if open := unsettledCodes(codes); open != "" && answer != fitmentv1.AssessFaultResponse_JUSTIFIED {
		reason += " State what " + open + " means on this vehicle: it may concern a part that was not read."
	}
	if i := slices.IndexFunc(codes, func(c readCode) bool { return c.applied != nil && c.applied.Deployed }); i >= 0 {
		reason += " " + codes[i].code.String() + " says that deployment was commanded: every restraint part must then be inspected or replaced by the maker's procedure."
	}
	return answer, reason
}

// weighPurchase does so for the readings and tests alone, of which there are made.
func (s *scene) weighPurchase(made int) (fitmentv1.AssessFaultResponse_Purchase, string) {
	var proven, proofs, cleared []string
	together, all := 0.0, 0.0
	for i, l := range s.loops {
		p := s.probability(part, i)
		all += p
		if proof := s.proof(i); proof != "" {
			together += p
			proven = append(proven, l.words())
			proofs = append(proofs, proof)
		} else if s.cleared(i) {
			cleared = append(cleared, l.words())
		}
	}
	rest := ""
	if len(cleared) > 0 {
		rest = " Cleared by what was read: " + strings.Join(cleared, "; ") + "."
	}
	if len(s.meters) > 0 {
		rest += " Several loops were read with one meter: state what its leads read when touched together, since a broken lead would explain them all."
	}
	switch usable := s.usable(); {
	case len(proven) > 0 && together >= s.model.Justified:
		return fitmentv1.AssessFaultResponse_JUSTIFIED, fmt.Sprintf("Proven to be at fault: %s (%s).%s", strings.Join(proven, "; "), strings.Join(proofs, "; "), rest)
	case !usable && made > 0:
		return fitmentv1.AssessFaultResponse_NOT_YET, "No reading is usable and no test shows anything, so nothing is proven; each one says why."
	case !usable:
		return fitmentv1.AssessFaultResponse_NOT_YET, "Codes name a circuit, not the part in it: nothing is proven before the loop is read."
	case all <= s.model.Cleared:
		return fitmentv1.AssessFaultResponse_NOT_JUSTIFIED, "What was read speaks against a faulty part." + rest
	case len(proven) > 0:
		return fitmentv1.AssessFaultResponse_NOT_YET, fmt.Sprintf("What was read points at %s, but leaves too much room for something else (a chance of %.3f, of %.3f needed).%s", strings.Join(proven, "; "), together, s.model.Justified, rest)
	}
	return fitmentv1.AssessFaultResponse_NOT_YET, "No part is proven to be at fault yet." + rest
}

// proof says what proves a loop's part to be at fault, or nothing. Either every
// usable reading at the part's own connector is out of its window; or the loop
// is at fault with the part and in order with a substitute load in its place.
func (s *scene) proof(at int) string {
	own := s.find(at, fitmentv1.Reading_METER_AT_COMPONENT)
	if own != nil {
		if own.all(outside) {
			return "reading " + own.numbers() + " at the part's own connector is out of the window"
		}
		return ""
	}
	load, test := s.find(at, fitmentv1.Reading_SUBSTITUTE_LOAD), s.findTest(at, fitmentv1.LoopTest_SUBSTITUTE_LOAD)
	loaded, out := s.find(at, fitmentv1.Reading_MODULE_REPORTED), s.findTest(at, fitmentv1.LoopTest_UNPLUG)
	switch {
	case load != nil && !load.all(inside), test != nil && !test.found(partOrContact):
		return "" // still out of order with the load
	case loaded != nil && !loaded.all(outside), out != nil && out.found(harnessOrModule):
		return "" // in order with the part, or out of order without it
	case test != nil:
		return fmt.Sprintf("the loop's code is gone with a substitute load in the part's place (test %s)", test.numbers())
	case load == nil:
		return ""
	case loaded != nil:
		return fmt.Sprintf("the loop is out of the window with the part (reading %s) and in range with a substitute load (reading %s)", loaded.numbers(), load.numbers())
	}
	if c := s.statedCode(at); c != "" {
		return fmt.Sprintf("%s reports its loop, which is in range with a substitute load (reading %s)", c, load.numbers())
	}
	return ""
}

// cleared tells whether a part is in order by its own reading, or because the
// loop stays out of order with a load in its place.
func (s *scene) cleared(at int) bool {
	if own := s.find(at, fitmentv1.Reading_METER_AT_COMPONENT); own != nil {
		return own.all(inside)
	}
	load, test := s.find(at, fitmentv1.Reading_SUBSTITUTE_LOAD), s.findTest(at, fitmentv1.LoopTest_SUBSTITUTE_LOAD)
	if load == nil && test == nil {
		return false
	}
	return (load == nil || load.all(outside)) && (test == nil || test.found(harnessOrModule))
}

// statedCode returns a code that, in the dialect stated, reports this very loop.
func (s *scene) statedCode(at int) string {
	for _, o := range s.observations {
		if o.code != nil && o.code.stated && len(o.loops) == 1 && o.loops[0] == at {
			return o.code.code.String()
		}
	}
	return ""
}

// usable tells whether anything was read or tested that says something.
func (s *scene) usable() bool {
	return slices.ContainsFunc(s.observations, func(o observation) bool { return o.code == nil })
}

func (s *scene) probability(c fitmentv1.Suspect_Component, at int) float64 {
	for _, h := range s.hypotheses {
		if h.component == c && h.loop == at {
			return h.probability
		}
	}
	return 0
}

func (o *observation) all(is func(fitmentv1.ReadingReport_Class) bool) bool {
	for _, c := range o.classes {
		if !is(c) {
			return false
		}
	}
	return true
}

// found tells whether a test, each time it was made, showed one and the same thing.
func (o *observation) found(what fitmentv1.LoopTestReport_Finding) bool {
	return !slices.ContainsFunc(o.findings, func(f fitmentv1.LoopTestReport_Finding) bool { return f != what })
}

// numbers counts the readings or tests from 1, as people do.
func (o *observation) numbers() string {
	words := make([]string, len(o.indexes))
	for i, n := range o.indexes {
		words[i] = strconv.Itoa(n + 1)
	}
	return strings.Join(words, " and ")
}

func inside(c fitmentv1.ReadingReport_Class) bool { return c == fitmentv1.ReadingReport_IN_RANGE }

func outside(c fitmentv1.ReadingReport_Class) bool { return !inside(c) }

// unsettledCodes lists the codes that have meanings of which none applies.
func unsettledCodes(codes []readCode) string {
	var open []string
	for _, c := range codes {
		if c.applied == nil && len(c.report.GetMeanings()) > 0 {
			open = append(open, c.code.String())
		}
	}
	return strings.Join(open, ", ")
}
