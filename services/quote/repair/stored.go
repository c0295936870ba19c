package repair

import (
	"fmt"
	"slices"
	"strings"
	"time"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// Limits on the stock of air-bag waste that a shop may keep: 40 CFR 261.4(j),
// 83 FR 61552 (30 November 2018). The rule speaks of air-bag modules and inflators;
// pretensioners count with them (common practice, no source).
const (
	MaxStored     = 250
	MaxStoredDays = 180
)

// WasteLabel is what 40 CFR 261.4(j) wants on a container of air-bag waste, as
// 83 FR 61552 prints it.
const WasteLabel = "Airbag Waste—Do Not Reuse"

// Storing says how an old part that is stored is kept: by the law of the United
// States where the need is there, or nothing says where (the most cautious), else as
// local law has it.
func Storing(order *quotev1.RepairOrder, s *quotev1.Disposal) string {
	key := keyOf(s.GetKind(), s.GetPosition())
	if !lawOfUS(order, s) {
		return fmt.Sprintf("The old %s is stored: local law (%s) decides how many are kept, for how long and under which label.", key, jurisdiction(order, key))
	}
	return fmt.Sprintf("The old %s is stored: in a container labelled \"%s\", at most %d, for at most %d days (40 CFR 261.4(j), 83 FR 61552).",
		key, WasteLabel, MaxStored, MaxStoredDays)
}

// lawOfUS tells whether the limits of 40 CFR 261.4(j) are held against what is
// stored.
func lawOfUS(order *quotev1.RepairOrder, s *quotev1.Disposal) bool {
	place := strings.ToUpper(jurisdiction(order, keyOf(s.GetKind(), s.GetPosition())))
	return place == "" || place == "US" || strings.HasPrefix(place, "US-")
}

// jurisdiction is where a part is fitted, as the last diagnosis that names it says;
// empty where it does not.
func jurisdiction(order *quotev1.RepairOrder, key loopKey) string {
	for _, step := range slices.Backward(order.GetSteps()) {
		for _, need := range step.GetDiagnosis().GetNeeds() {
			if keyOf(need.GetKind(), need.GetPosition()) == key {
				return strings.TrimSpace(need.GetJurisdiction())
			}
		}
	}
	return ""
}

// stored holds the shop's stock against what the law lets it keep, where that is
// known.
func (c *change) stored(field string, s *quotev1.Disposal) {
	const law = " (40 CFR 261.4(j))"
	limited := lawOfUS(c.order, s)
	expected := "1 or more modules and inflators in the shop, this one included"
	if limited {
		expected = fmt.Sprintf("1 to %d modules and inflators in the shop, this one included%s; more go to a collection facility first", MaxStored, law)
	}
	if n := s.GetStored(); n < 1 || (limited && n > MaxStored) {
		c.fields.Add(field+"stored", fmt.Sprintf("%d is out of range", n), expected)
	}
	before := len(c.fields.Violations())
	c.fields.Date(field+"stored_since", s.GetStoredSince())
	if s.GetStoredSince() == "" {
		c.fields.Add(field+"stored_since", "is missing", "the day since which the oldest one has been stored, YYYY-MM-DD")
	}
	if len(c.fields.Violations()) > before {
		return
	}
	day, err := time.Parse(time.DateOnly, s.GetStoredSince())
	today := c.facts.Now.UTC().Truncate(24 * time.Hour)
	switch days := int(today.Sub(day).Hours() / 24); {
	case err != nil || days < -1: // a day's grace covers the time zones
		c.fields.Add(field+"stored_since", s.GetStoredSince()+" lies in the future", "a day that has begun")
	case limited && days > MaxStoredDays:
		c.fields.Add(field+"stored_since", fmt.Sprintf("the oldest one has been stored for %d days", days), fmt.Sprintf("at most %d days%s; what is older goes to a collection facility first", MaxStoredDays, law))
	}
}
