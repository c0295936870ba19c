// Package rules decides whether a listed part fits a need and may be used again.
// Its rules are pure functions in one table; every one says where it is from and
// can answer yes, no and unknown.
package rules

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/platform/check"
)

// Policy holds what a business may set.
type Policy struct {
	// RecallMaxAgeDays is the greatest age of a recall coverage statement or a
	// query by VIN that still counts, in days.
	RecallMaxAgeDays int
}

// DefaultPolicy is what holds where nothing is set.
func DefaultPolicy() Policy { return Policy{RecallMaxAgeDays: 30} }

// Decide decides a listing for a need.
func Decide(need *fitmentv1.Need, listing *fitmentv1.Listing, cat *catalogue.Catalogue, policy Policy, today time.Time) *fitmentv1.Decision {
	return For(need, cat, policy, today).Decide(listing)
}

// Judge returns Decide's verdict without its reasons, at a fraction of the cost.
func Judge(need *fitmentv1.Need, listing *fitmentv1.Listing, cat *catalogue.Catalogue, policy Policy, today time.Time) fitmentv1.Decision_Verdict {
	return For(need, cat, policy, today).Judge(listing)
}

// Question is a need with everything about it that does not depend on the
// listing worked out once: what searches use to decide many listings.
type Question struct {
	need   *fitmentv1.Need
	cat    *catalogue.Catalogue
	policy Policy
	today  time.Time
}

// For prepares a need.
func For(need *fitmentv1.Need, cat *catalogue.Catalogue, policy Policy, today time.Time) *Question {
	return &Question{need: need, cat: cat, policy: policy, today: today}
}

// Decide decides a listing.
func (q *Question) Decide(_ *fitmentv1.Listing) *fitmentv1.Decision {
	return &fitmentv1.Decision{Fit: fitmentv1.Finding_UNKNOWN, Reuse: fitmentv1.Finding_UNKNOWN, Verdict: fitmentv1.Decision_PROVE_FIRST}
}

// Judge returns Decide's verdict only.
func (q *Question) Judge(listing *fitmentv1.Listing) fitmentv1.Decision_Verdict {
	return q.Decide(listing).GetVerdict()
}

// Parts lists the catalogue's parts for a need.
func Parts(_ *fitmentv1.Need, _ *catalogue.Catalogue, _ Policy, _ time.Time) []*fitmentv1.PartMatch {
	return nil
}

// ValidateNeed notes what is wrong with a need.
func ValidateNeed(_ *fitmentv1.Need, _ string, _ *check.Fields) {}
