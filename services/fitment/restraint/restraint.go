// Package restraint compares what makers file about a vehicle's restraints in
// free text. It only reads what a text says outright: "without side air bags" is
// a no, "side air bags" a yes, and everything else, above all silence, is
// unknown. Two vehicles contradict each other only where one says yes and the
// other no.
package restraint

import (
	"regexp"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Subject is a kind of restraint that a text can affirm or deny.
type Subject int

// Subjects, the general one first.
const (
	AirBags Subject = iota
	SideAirBags
	CurtainAirBags
	KneeAirBags
	Pretensioners
	subjects
)

// String names a subject as a sentence would.
func (s Subject) String() string {
	if s < 0 || s >= subjects {
		return "restraints"
	}
	return [subjects]string{"air bags", "side air bags", "curtain air bags", "knee air bags", "pretensioners"}[s]
}

// Statement says what a text affirms (YES), denies (NO) or leaves open (UNKNOWN).
type Statement [subjects]fitmentv1.Finding_Answer

// bag are the ways in which makers write "air bag".
const bag = `(?:(?:air ?|a/)?bags?|inflatable restraints?|ab|sir|srs)`

var (
	clauses = regexp.MustCompile(`[.;,\n]|/[ \n]| /| - | but `)
	spaces  = regexp.MustCompile(`[ \t\r]+`)
	// doubt marks a clause that says neither yes nor no outright.
	doubt = regexp.MustCompile(`\b(?:if|option(?:s|al)?|available|may|some|or|except|not|certain|depending|prior|until|when|switch|sensors?|code|designation)\b`)
	// denial marks a clause that denies something.
	denial = regexp.MustCompile(`\b(?:no|non|none|without|neither)\b|\bw/ ?o\b`)
	// nothing is a text that denies every restraint.
	nothing = regexp.MustCompile(`^(?:restraint (?:system|type)s?: ?)?(?:none|no (?:safety )?restraints?(?: sys?tems?)?(?: installed)?)$`)
	// place limits a statement to some seats, so that it denies nothing as a whole.
	place = regexp.MustCompile(`\b(?:rows?|front|frt|rear|rr|mid|cent(?:er|re)|passenger|pass|driver|dr|outer|outboard|inboard|left|right|seats?|positions?)\b`)

	affirms = [subjects]*regexp.Regexp{
		AirBags:        regexp.MustCompile(`\b(?:air ?bags?|a/bags?|inflatable restraints?|ab|sir|srs)\b`),
		SideAirBags:    regexp.MustCompile(`\bside (?:impact )?(?:air ?bags?|a/bags?|inflatable restraints?|ab)\b|\b(?:thorax|pelvis)\b.*\bair ?bags?\b`),
		CurtainAirBags: regexp.MustCompile(`\b(?:curtains?|window air ?bags?|roof side air ?bags?)\b`),
		KneeAirBags:    regexp.MustCompile(`\bknee ` + bag + `\b`),
		Pretensioners:  regexp.MustCompile(`\bpre-?tensioners?\b`),
	}

	denies = [subjects]*regexp.Regexp{
		AirBags:        regexp.MustCompile(`\b(?:no|without|w/ ?o) (?:supplemental )?` + bag + `\b|^` + bag + `: ?(?:no|none)$`),
		SideAirBags:    regexp.MustCompile(`\b(?:no|without|w/ ?o) side ` + bag + `\b|^side ` + bag + `: ?(?:no|none)$`),
		CurtainAirBags: regexp.MustCompile(`\b(?:no|without|w/ ?o) (?:side )?curtains?\b|^(?:side )?curtain ` + bag + `: ?(?:no|none)$`),
		KneeAirBags:    regexp.MustCompile(`\b(?:no|without|w/ ?o) knee ` + bag + `\b|^knee ` + bag + `: ?(?:no|none)$`),
		Pretensioners:  regexp.MustCompile(`\b(?:no|without|w/ ?o) pre-?tensioners?\b|^pre-?tensioners?: ?(?:no|none)$`),
	}
)

// Parse reads a text. It never guesses: a clause that is limited, optional or
// unclear says nothing, and a text that says both yes and no says neither.
func Parse(text string) Statement {
	text = spaces.ReplaceAllString(strings.ToLower(text), " ")
	var yes, no [subjects]bool
	if nothing.MatchString(strings.Trim(text, " .\n")) {
		for s := range no {
			no[s] = true
		}
	}
	for _, clause := range clauses.Split(text, -1) {
		read(strings.TrimSpace(clause), &yes, &no)
	}
	// A bag of one kind is a bag; no bags at all are none of any kind, unless the
	// text itself says otherwise.
	yes[AirBags] = yes[AirBags] || yes[SideAirBags] || yes[CurtainAirBags] || yes[KneeAirBags]
	if no[AirBags] {
		for _, kind := range []Subject{SideAirBags, CurtainAirBags, KneeAirBags} {
			no[kind], yes[kind] = true, yes[AirBags]
		}
	}
	var statement Statement
	for s := range statement {
		switch {
		case yes[s] && !no[s]:
			statement[s] = fitmentv1.Finding_YES
		case no[s] && !yes[s]:
			statement[s] = fitmentv1.Finding_NO
		default:
			statement[s] = fitmentv1.Finding_UNKNOWN
		}
	}
	return statement
}

func read(clause string, yes, no *[subjects]bool) {
	switch {
	case doubt.MatchString(clause):
	case denial.MatchString(clause) && place.MatchString(clause):
	case denial.MatchString(clause):
		for s, pattern := range denies {
			no[s] = no[s] || pattern.MatchString(clause)
		}
	default:
		for s, pattern := range affirms {
			yes[s] = yes[s] || pattern.MatchString(clause)
		}
	}
}

// Contradictions are the subjects on which two texts say opposite things
// outright, the general ones first.
func Contradictions(a, b string) []Subject {
	return Parse(a).Against(Parse(b))
}

// Against lists the subjects on which two texts that have been read say opposite
// things outright, the general ones first.
func (first Statement) Against(second Statement) []Subject {
	var list []Subject
	for s := range first {
		if opposite(first[s], second[s]) || opposite(second[s], first[s]) {
			list = append(list, Subject(s))
		}
	}
	return list
}

// Silent tells whether a text says nothing outright.
func (first Statement) Silent() bool {
	for _, said := range first {
		if said != fitmentv1.Finding_UNKNOWN {
			return false
		}
	}
	return true
}

func opposite(a, b fitmentv1.Finding_Answer) bool {
	return a == fitmentv1.Finding_YES && b == fitmentv1.Finding_NO
}

// About is the subject that decides about a kind of part, if there is one. A
// front air bag has none of its own: its vehicle has air bags, or has none.
func About(kind fitmentv1.Part_Kind) (Subject, bool) {
	switch kind {
	case fitmentv1.Part_DRIVER_AIR_BAG, fitmentv1.Part_PASSENGER_AIR_BAG:
		return AirBags, true
	case fitmentv1.Part_SIDE_AIR_BAG:
		return SideAirBags, true
	case fitmentv1.Part_CURTAIN_AIR_BAG:
		return CurtainAirBags, true
	case fitmentv1.Part_KNEE_AIR_BAG:
		return KneeAirBags, true
	case fitmentv1.Part_BUCKLE_PRETENSIONER, fitmentv1.Part_RETRACTOR_PRETENSIONER, fitmentv1.Part_LAP_PRETENSIONER:
		return Pretensioners, true
	default:
		return 0, false
	}
}
