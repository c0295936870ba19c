package repair

import (
	"fmt"
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

// fit records the work on the vehicle: all parts that passed. Once the order is
// diagnosed anew, parts that passed are fitted without those that did not, and parts
// that were fitted before are worked on again.
func (c *change) fit(s *quotev1.Fitting) error {
	const field = "step.fitting."
	from := []quotev1.Purchase_State{quotev1.Purchase_PASSED}
	anew := c.order.GetState() == quotev1.RepairOrder_DIAGNOSED
	if anew {
		from = append(from, quotev1.Purchase_FITTED)
	}
	ready := in(c.order, from...)
	if len(ready) == 0 {
		return refused("order %s has no part that passed its arrival check and is still to be fitted", c.order.GetNumber())
	}
	c.items(field+"sources", s.GetSources())
	c.items(field+"renewed", s.GetRenewed())
	c.items(field+"replaced_together", s.GetReplacedTogether())
	c.fields.Text(field+"procedure", s.GetProcedure(), maxProcedure, true)
	c.fields.Int(field+"minutes_battery_off", int64(s.GetMinutesBatteryOff()), 0, 1440)
	c.fields.Text(field+"reason", s.GetReason(), maxReason, false)
	for i, source := range s.GetSources() {
		if !slices.Contains(ready, source) {
			c.fields.Add(fmt.Sprintf("%ssources[%d]", field, i), fmt.Sprintf("%.80q is no part that passed its arrival check", source), "one of "+names(ready))
		}
	}
	if len(s.GetSources()) == 0 {
		c.fields.Add(field+"sources", "is empty", "the parts that were fitted: "+names(ready))
	}
	var open []string
	for _, p := range c.order.GetPurchases() {
		switch {
		case !slices.Contains(from, p.GetState()):
		case !slices.Contains(s.GetSources(), p.GetSource()):
			if !anew {
				c.fields.Add(field+"sources", "leaves out "+p.GetSource(), "every part that passed its arrival check")
			}
		default:
			open = append(open, missing(p.GetOneUse(), s.GetRenewed())...)
			open = append(open, missing(p.GetReplaceWith(), s.GetReplacedTogether())...)
			p.State = quotev1.Purchase_FITTED
		}
	}
	if len(open) > 0 && strings.TrimSpace(s.GetReason()) == "" {
		c.fields.Add(field+"reason", "is missing, and not renewed or replaced were: "+strings.Join(open, "; "),
			"why they were used again or left, or their names in renewed or replaced_together")
	}
	c.order.State = quotev1.RepairOrder_FITTED
	return nil
}

// missing are the items that are wanted and not named.
func missing(wanted, named []string) []string {
	var open []string
	for _, item := range wanted {
		if !slices.ContainsFunc(named, func(text string) bool { return fold(text) == fold(item) }) {
			open = append(open, item)
		}
	}
	return open
}

// dispose records what became of an old part.
func (c *change) dispose(s *quotev1.Disposal) error {
	const field = "step.disposal."
	replaced := c.replaced()
	if len(replaced) == 0 {
		return refused("order %s has no part fitted yet, so no old one is out", c.order.GetNumber())
	}
	key := keyOf(s.GetKind(), s.GetPosition())
	if replaced[key] == 0 {
		c.fields.Add(field+"kind", "no "+key.String()+" was replaced on this order", "kind and position of an old part: "+keyList(replaced))
		return nil
	}
	out := disposals(c.order)
	if out[key].done >= replaced[key] && (out[key].stored == 0 || s.GetWay() == quotev1.Disposal_STORED) {
		return refused("what became of the old %s is recorded already", key)
	}
	c.way(field, s)
	return nil
}

// way checks what one way asks for, and that nothing belongs to another one.
func (c *change) way(field string, s *quotev1.Disposal) {
	way := s.GetWay()
	carried := way == quotev1.Disposal_CORE_RETURNED || way == quotev1.Disposal_COLLECTED
	if _, known := quotev1.Disposal_Way_name[int32(way)]; !known || way == quotev1.Disposal_WAY_UNSPECIFIED {
		c.fields.Add(field+"way", "is missing or unknown", "FIRED, CORE_RETURNED, COLLECTED, TO_OWNER or STORED")
		return
	}
	c.fields.Text(field+"papers", s.GetPapers(), maxItem, carried)
	switch {
	case way == quotev1.Disposal_CORE_RETURNED:
		at := find(c.order, s.GetCoreOf(), quotev1.Purchase_FITTED)
		if at < 0 || c.facts.Bought[at].Option.GetCoreDeposit() == 0 {
			c.fields.Add(field+"core_of", fmt.Sprintf("%.80q is no fitted part with a deposit on the old one", s.GetCoreOf()), "the listing or offer whose core it is")
		}
	case s.GetCoreOf() != "":
		c.fields.Add(field+"core_of", "is only for CORE_RETURNED", "nothing")
	}
	if way == quotev1.Disposal_STORED {
		c.stored(field, s)
		return
	}
	if s.GetStored() != 0 {
		c.fields.Add(field+"stored", "is only for STORED", "nothing")
	}
	if s.GetStoredSince() != "" {
		c.fields.Add(field+"stored_since", "is only for STORED", "nothing")
	}
}

// replaced counts the parts fitted to each place: as many old ones are out.
func (c *change) replaced() map[loopKey]int {
	count := make(map[loopKey]int)
	for i, p := range c.order.GetPurchases() {
		if p.GetState() == quotev1.Purchase_FITTED {
			need := c.facts.Bought[i].Need
			count[keyOf(need.GetKind(), need.GetPosition())]++
		}
	}
	return count
}

// tally says of how many old parts of one place it is recorded what became of them,
// and how many of those are in store.
type tally struct{ done, stored int }

// disposals counts what is recorded. A part that was stored and then goes another
// way is one part.
func disposals(order *quotev1.RepairOrder) map[loopKey]tally {
	count := make(map[loopKey]tally)
	for _, step := range order.GetSteps() {
		s := step.GetDisposal()
		if s == nil {
			continue
		}
		key := keyOf(s.GetKind(), s.GetPosition())
		t := count[key]
		switch {
		case s.GetWay() == quotev1.Disposal_STORED:
			t.done++
			t.stored++
		case t.stored > 0:
			t.stored--
		default:
			t.done++
		}
		count[key] = t
	}
	return count
}

// undisposed lists old parts that may be live and of which nothing is recorded.
func (c *change) undisposed() []string {
	out := disposals(c.order)
	var open []string
	for key, n := range c.replaced() {
		if quote.Pyrotechnic(key.kind) && out[key].done < n {
			open = append(open, key.String())
		}
	}
	slices.Sort(open)
	return open
}

func keyList(keys map[loopKey]int) string {
	list := make([]string, 0, len(keys))
	for key := range keys {
		list = append(list, key.String())
	}
	slices.Sort(list)
	return strings.Join(list, ", ")
}
