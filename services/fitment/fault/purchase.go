package fault

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// purchase says whether buying is justified. It is where parts are proven by
// readings and are together probable enough; not where what was read speaks
// against every part; in between the next test comes first.
func (s *scene) purchase(reports []*fitmentv1.ReadingReport, codes []readCode) (fitmentv1.AssessFaultResponse_Purchase, string) {
	answer, reason := s.weighPurchase(reports)
	if open := unsettledCodes(codes); open != "" && answer != fitmentv1.AssessFaultResponse_JUSTIFIED {
		reason += " State what " + open + " means on this vehicle: it may concern a part that was not read."
	}
	if i := slices.IndexFunc(codes, func(c readCode) bool { return c.applied != nil && c.applied.deployed }); i >= 0 {
		reason += " " + codes[i].code.String() + " says that deployment was commanded: every restraint part must then be inspected or replaced by the maker's procedure."
	}
	return answer, reason
}

func (s *scene) weighPurchase(reports []*fitmentv1.ReadingReport) (fitmentv1.AssessFaultResponse_Purchase, string) {
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
	switch usable := s.usable(); {
	case len(proven) > 0 && together >= s.model.Justified:
		return fitmentv1.AssessFaultResponse_JUSTIFIED, fmt.Sprintf("Proven to be at fault: %s (%s).%s", strings.Join(proven, "; "), strings.Join(proofs, "; "), rest)
	case !usable && len(reports) > 0:
		return fitmentv1.AssessFaultResponse_NOT_YET, "No reading is usable, so nothing is proven; each one says why."
	case !usable:
		return fitmentv1.AssessFaultResponse_NOT_YET, "Codes name a circuit, not the part in it: nothing is proven before the loop is read."
	case all <= s.model.Cleared:
		return fitmentv1.AssessFaultResponse_NOT_JUSTIFIED, "What was read speaks against a faulty part." + rest
	case len(proven) > 0:
		return fitmentv1.AssessFaultResponse_NOT_YET, fmt.Sprintf("The readings point at %s, but leave too much room for something else (%.2f of %.2f needed).%s", strings.Join(proven, "; "), together, s.model.Justified, rest)
	}
	return fitmentv1.AssessFaultResponse_NOT_YET, "No part is proven to be at fault yet." + rest
}

// proof says what proves a loop's part to be at fault, or nothing. Either every
// usable reading at the part's own connector is out of its window; or the loop
// is out of it with the part and in range with a substitute load in its place.
func (s *scene) proof(at int) string {
	own := s.find(at, fitmentv1.Reading_METER_AT_COMPONENT)
	if own != nil {
		if own.all(outside) {
			return "reading " + own.numbers() + " at the part's own connector is out of the window"
		}
		return ""
	}
	load, loaded := s.find(at, fitmentv1.Reading_SUBSTITUTE_LOAD), s.find(at, fitmentv1.Reading_MODULE_REPORTED)
	if load == nil || !load.all(inside) {
		return ""
	}
	if loaded != nil && loaded.all(outside) {
		return fmt.Sprintf("the loop is out of the window with the part (reading %s) and in range with a substitute load (reading %s)", loaded.numbers(), load.numbers())
	}
	if c := s.statedCode(at); c != "" && loaded == nil {
		return fmt.Sprintf("%s reports its loop, which is in range with a substitute load (reading %s)", c, load.numbers())
	}
	return ""
}

// cleared tells whether a part is in order by its own reading, or because the
// loop stays out of the window without it.
func (s *scene) cleared(at int) bool {
	if own := s.find(at, fitmentv1.Reading_METER_AT_COMPONENT); own != nil {
		return own.all(inside)
	}
	load := s.find(at, fitmentv1.Reading_SUBSTITUTE_LOAD)
	return load != nil && load.all(outside)
}

// statedCode returns a code that the user says reports this very loop.
func (s *scene) statedCode(at int) string {
	for _, o := range s.observations {
		if o.code != nil && o.code.stated && len(o.loops) == 1 && o.loops[0] == at {
			return o.code.code.String()
		}
	}
	return ""
}

func (s *scene) usable() bool {
	for _, o := range s.observations {
		if o.table == nil {
			return true
		}
	}
	return false
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

// numbers counts the readings from 1, as people do.
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
