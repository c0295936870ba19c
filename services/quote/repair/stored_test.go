package repair_test

import (
	"strings"
	"testing"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// The limits of 40 CFR 261.4(j) and the label "Airbag Waste—Do Not Reuse" (83 FR
// 61552, 30 November 2018) are law in the United States; elsewhere local law decides.
func TestTheLawOfWhatIsStored(t *testing.T) {
	t.Parallel()
	const label = "Airbag Waste—Do Not Reuse"
	for place, limited := range map[string]bool{"": true, "US": true, "US-WA": true, "us-co": true, "CA-ON": false, "DE": false, "USK": false} {
		needed := needs()
		for _, need := range needed {
			need.Jurisdiction = place
		}
		s := open(t).must(diagnosis("burnt", needed...), made(firstQ), ordered(firstQ), inspected(usedA, true, true), inspected(column, true, true), fitting(usedA, column))
		many := func(d *quotev1.Disposal) { d.Stored = 251 }
		long := func(d *quotev1.Disposal) { d.StoredSince = "2025-12-31" }
		none := func(d *quotev1.Disposal) { d.Stored = 0 }
		wrong(t, s.record(disposal(quotev1.Disposal_STORED, none)), "step.disposal.stored")
		if limited {
			wrong(t, s.record(disposal(quotev1.Disposal_STORED, many)), "step.disposal.stored", "261.4(j)")
			wrong(t, s.record(disposal(quotev1.Disposal_STORED, long)), "step.disposal.stored_since", "261.4(j)")
			s.must(disposal(quotev1.Disposal_STORED))
		} else {
			s.must(disposal(quotev1.Disposal_STORED, many, long))
		}
		said := strings.Join(s.order.GetNext(), " ")
		if strings.Contains(said, label) != limited || strings.Contains(said, "local law ("+place+") decides") == limited {
			t.Errorf("in %q: next %q", place, said)
		}
		s.must(disposal(quotev1.Disposal_COLLECTED))
		if said := strings.Join(s.order.GetNext(), " "); strings.Contains(said, "is stored") {
			t.Errorf("in %q, once it is collected: next %q", place, said)
		}
	}
}

// Who gives an order up still has the parts that he paid for.
func TestWhatIsLeftOfAnOrderGivenUp(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		s    *shop
		says []string
	}{
		"one arrived, one not": {at(t, quotev1.RepairOrder_ORDERED).must(inspected(usedA, true, true)), []string{
			usedA + " is paid for, may be live, and is neither fitted nor returned: return it by the seller's terms", column + " is paid for, may be live, and has not arrived",
		}},
		"one on its way back": {at(t, quotev1.RepairOrder_TO_BUY_NEXT), []string{usedA + " is paid for, may be live, and is on its way back", column + " is paid for"}},
		"all fitted":          {at(t, quotev1.RepairOrder_PROVEN), nil},
		"nothing bought":      {at(t, quotev1.RepairOrder_QUOTED), nil},
	} {
		c.s.must(abandoned())
		if len(c.s.order.GetNext()) != len(c.says) {
			t.Errorf("%s: next %q", name, c.s.order.GetNext())
			continue
		}
		for i, text := range c.says {
			if !strings.Contains(c.s.order.GetNext()[i], text) {
				t.Errorf("%s: %q does not say %q", name, c.s.order.GetNext()[i], text)
			}
		}
	}
}

// The lamp returns after the proof and before the order is closed.
func TestFromProvenBackToWork(t *testing.T) {
	t.Parallel()
	dark := func(p *quotev1.Proof) { p.LampOutRunning = false }
	s := at(t, quotev1.RepairOrder_PROVEN).must(proof(dark))
	if s.order.GetState() != quotev1.RepairOrder_DIAGNOSED {
		t.Errorf("after a proof that failed the order is %v", s.order.GetState())
	}
	refusal(t, s.record(closing()), "the closing can be recorded only while it is proven")
	s.must(fitting(usedA), proof(), closing())

	s = at(t, quotev1.RepairOrder_PROVEN).must(diagnosis("a plug was loose", &fitmentv1.Need{Kind: buckle, Position: right()}))
	refusal(t, s.record(closing()))
	s.must(fitting(usedA), proof(), closing())
}

// What is said to people names no field of the interface.
func TestSentencesNameNoFields(t *testing.T) {
	t.Parallel()
	for value := range quotev1.RepairOrder_State_name {
		if state := quotev1.RepairOrder_State(value); state != quotev1.RepairOrder_STATE_UNSPECIFIED {
			s := at(t, state)
			said := strings.Join(s.order.GetNext(), " ")
			if err := s.record(closing()); err != nil {
				said += err.Error()
			}
			if strings.Contains(said, "_") || strings.Contains(said, "belongs to") {
				t.Errorf("%v: %q", state, said)
			}
		}
	}
}
