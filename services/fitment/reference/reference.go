// Package reference decides a listing for a need a second time, slowly and by
// other means, so that the rules can be held against it. It is no part of the
// program: only tests import it.
//
// It was written from the words of the rules, not from their code, and shares
// nothing with them but the messages: it imports the standard library alone, and
// has its own tables, its own VIN arithmetic and its own way of comparing names.
//
// # Worlds
//
// The rules reckon in three values. The reference lists what may be the case
// instead, the worlds that the statements leave possible, asks a question of two
// values in each, and answers what all worlds agree on: yes where the question
// holds in all, no where it holds in none, unknown where they differ, and unknown
// too where no world is left, since statements that cannot all be true prove
// nothing. Two habits of the trade come before that:
//
//   - what speaks for the part is taken at its word only where it is shown or
//     confirmed; a mere claim leaves the other worlds open. What speaks against the
//     part is always taken at its word.
//   - a vehicle's supersessions and applications are asked in every completion of
//     what is not known of the vehicle.
package reference

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
)

// Answer is what a rule answers.
type Answer = fitmentv1.Finding_Answer

// The answers.
const (
	Yes     = fitmentv1.Finding_YES
	No      = fitmentv1.Finding_NO
	Unknown = fitmentv1.Finding_UNKNOWN
)

// Facts is everything that a decision stands on beside need and listing.
type Facts struct {
	// Parts, Supersessions, Recalls and Vehicles are the catalogue. No two parts
	// share maker and number.
	Parts         []*fitmentv1.Part
	Supersessions []*fitmentv1.Supersession
	Recalls       []*fitmentv1.Recall
	Vehicles      []*fitmentv1.VehicleData
	// RecallDays is the greatest age in days of recall knowledge that counts.
	RecallDays int
	// Places is the law that is known of.
	Places []Place
	// Today is the day of the question.
	Today time.Time
}

// Outcome is what the reference makes of a listing.
type Outcome struct {
	// Rules holds each rule's answer by its id.
	Rules map[string]Answer
	// Fit and Reuse put together the rules that count towards them.
	Fit, Reuse Answer
	// Verdict is both in one word.
	Verdict fitmentv1.Decision_Verdict
}

// advice lists the rules that count towards neither fit nor reuse, reuse those
// that count towards reuse; all others count towards fit.
var (
	advice = map[string]bool{"provenance.pulled_by": true, "cosmetic.blemishes": true, "fitting.one_use": true, "fitting.alone": true}
	reuse  = map[string]bool{
		"connector.shorting_clip": true, "connector.pigtail": true, "electrical.resistance": true,
		"deployment.marks": true, "deployment.loop": true, "deployment.crash_record": true, "deployment.code": true,
		"history.belt_in_use": true, "history.flood": true, "history.fire": true,
		"condition.damage": true, "age.service_life": true, "recall.open": true, "provenance.donor_vin": true,
		"module.programming": true, "maker.donor_parts": true, "jurisdiction.sale": true, "jurisdiction.reuse": true,
	}
)

// Decide decides a listing for a need.
func Decide(need *fitmentv1.Need, listing *fitmentv1.Listing, facts *Facts) Outcome {
	return For(need, facts).Decide(listing)
}

// Decide decides a listing.
func (q *Question) Decide(listing *fitmentv1.Listing) Outcome {
	c := q.of(listing)
	out := Outcome{Rules: c.answers(), Fit: Yes, Reuse: Yes}
	for rule, answer := range out.Rules {
		switch {
		case advice[rule]:
		case reuse[rule]:
			out.Reuse = both(out.Reuse, answer)
		default:
			out.Fit = both(out.Fit, answer)
		}
	}
	switch {
	case out.Reuse == No:
		out.Verdict = fitmentv1.Decision_BARRED
	case out.Fit == No:
		out.Verdict = fitmentv1.Decision_DOES_NOT_FIT
	case out.Fit == Yes && out.Reuse == Yes:
		out.Verdict = fitmentv1.Decision_FITS
	default:
		out.Verdict = fitmentv1.Decision_PROVE_FIRST
	}
	return out
}

// answers asks every rule.
func (c *item) answers() map[string]Answer {
	window, loop := c.readings()
	recalled := c.recall()
	return map[string]Answer{
		"identity.kind":           c.kind(),
		"identity.position":       c.position(),
		"identity.drive_side":     c.driveSide(),
		"identity.restraint_text": c.restraintText(),
		"number.matches":          c.matches(),
		"number.application":      c.application(),
		"years.model_year":        c.modelYear(),
		"years.build_date":        c.buildDate(),
		"connector.interface":     c.feature(aInterface),
		"connector.keying":        c.feature(aKeying),
		"connector.cavities":      c.feature(aCavities),
		"connector.shorting_clip": c.ofSquibs(c.harmless(aClip, yes)),
		"connector.pigtail":       c.pigtail(),
		"electrical.stages":       c.ofSquibs(c.feature(aStages)),
		"electrical.resistance":   c.ofSquibs(window),
		"deployment.marks":        c.harmless(aMarks, no),
		"deployment.loop":         c.ofSquibs(loop),
		"deployment.crash_record": c.afterCrash(c.harmless(aCrash, no)),
		"deployment.code":         c.deploymentCode(),
		"condition.damage":        c.harmless(aDamage, no),
		"cosmetic.blemishes":      c.harmless(aBlemish, no),
		"history.belt_in_use":     c.beltInUse(),
		"history.flood":           c.harmless(aFlood, no),
		"history.fire":            c.harmless(aFire, no),
		"age.service_life":        c.serviceLife(),
		"module.programming":      c.programming(),
		"maker.donor_parts":       c.donorParts(),
		"fitting.one_use":         c.fitting(func(p *fitmentv1.Part) int { return len(p.GetOneUse()) }),
		"fitting.alone":           c.fitting(func(p *fitmentv1.Part) int { return len(p.GetReplaceWith()) }),
		"recall.open":             recalled,
		"jurisdiction.sale":       c.law(true, recalled),
		"jurisdiction.reuse":      c.law(false, recalled),
		"provenance.donor_vin":    c.donorVIN(),
		"provenance.label":        c.legible(),
		"provenance.pulled_by":    c.pulledBy(),
	}
}

// both holds where two things hold that do not depend on each other.
func both(answers ...Answer) Answer {
	result := Yes
	for _, a := range answers {
		switch {
		case a == No:
			return No
		case a != Yes:
			result = Unknown
		}
	}
	return result
}

// truth is a question of two values, answered.
func truth(holds bool) Answer {
	if holds {
		return Yes
	}
	return No
}

// agreed is what all worlds agree on: holds counts those of n in which the
// question holds.
func agreed(holds, n int) Answer {
	switch {
	case n == 0:
		return Unknown
	case holds == n:
		return Yes
	case holds == 0:
		return No
	}
	return Unknown
}

// among asks a question of the values that something may have.
func among(values []string, ask func(string) bool) Answer {
	holds := 0
	for _, v := range values {
		if ask(v) {
			holds++
		}
	}
	return agreed(holds, len(values))
}
