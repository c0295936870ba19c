package repair

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/quote"
)

const (
	maxOhms     = 1e9
	maxWindow   = 1e6
	maxWarranty = 3650
)

// defaultWindow is the window of a loop of which nothing better is known.
func defaultWindow() *fitmentv1.ResistanceWindow {
	return &fitmentv1.ResistanceWindow{
		LowOhms: 1.4, HighOhms: 3.2,
		Source: "default: loop limits of a 2018 trade paper; a vehicle's own service data comes first",
	}
}

// prove records the proof of repair: the lamp came on at key-on, went out after its
// bulb check and stayed out with the engine running, the codes were cleared and
// stayed clear, and every loop reads back inside its window or says why it cannot be
// read. (Common practice, no source; RCW 46.37.660 asks the installer to verify the
// vehicle's self-diagnosis.) A proof that fails is recorded, and the order is to be
// diagnosed again.
func (c *change) prove(s *quotev1.Proof) error {
	read := make(map[loopKey]bool)
	for i, loop := range s.GetLoops() {
		c.loop(fmt.Sprintf("step.proof.loops[%d].", i), loop)
		read[keyOf(loop.GetKind(), loop.GetPosition())] = true
	}
	if len(s.GetLoops()) > maxItems {
		c.fields.Add("step.proof.loops", fmt.Sprintf("has %d loops", len(s.GetLoops())), fmt.Sprintf("at most %d", maxItems))
	}
	if !c.fields.OK() {
		return nil
	}
	var open []string
	for key := range c.replaced() {
		if inLoop(key.kind) && !read[key] {
			open = append(open, key.String())
		}
	}
	if len(open) > 0 {
		slices.Sort(open)
		return refused("the loop of each part that was fitted is read back, or the reason given why it cannot be read; missing: %s", strings.Join(open, ", "))
	}
	c.order.State = quotev1.RepairOrder_PROVEN
	if len(Unproven(c.order, s)) > 0 {
		c.order.State = quotev1.RepairOrder_DIAGNOSED
	}
	return nil
}

// inLoop tells whether the current of a squib's loop runs through a part: the part
// has the squib, or stands between it and the module.
func inLoop(kind fitmentv1.Part_Kind) bool {
	return quote.Pyrotechnic(kind) || kind == fitmentv1.Part_CLOCK_SPRING || kind == fitmentv1.Part_PIGTAIL
}

func (c *change) loop(at string, loop *quotev1.LoopProof) {
	checkPart(loop.GetKind(), loop.GetPosition(), at, &c.fields)
	c.fields.Text(at+"unreadable", loop.GetUnreadable(), maxNote, false)
	switch {
	case loop.Ohms == nil && strings.TrimSpace(loop.GetUnreadable()) == "":
		c.fields.Add(at+"ohms", "is missing", "ohms as the module reports them, or in unreadable why it cannot be read")
	case loop.Ohms != nil && loop.GetUnreadable() != "":
		c.fields.Add(at+"unreadable", "stands beside ohms", "one of the two")
	case loop.Ohms != nil:
		c.fields.Number(at+"ohms", loop.GetOhms(), 0, maxOhms)
	}
	if w := loop.GetWindow(); w != nil {
		c.fields.Number(at+"window.low_ohms", w.GetLowOhms(), 0, maxWindow)
		c.fields.Number(at+"window.high_ohms", w.GetHighOhms(), 0, maxWindow)
		c.fields.Text(at+"window.source", w.GetSource(), maxReason, true)
		if !(w.GetLowOhms() < w.GetHighOhms()) && !math.IsNaN(w.GetLowOhms()) && !math.IsNaN(w.GetHighOhms()) {
			c.fields.Add(at+"window.high_ohms", "is not above low_ohms", "an upper limit above the lower one")
		}
	}
}

// Window is the window that a loop of an order is held against: the one stated with
// the proof, else what the last diagnosis knew of the vehicle, else the default.
func Window(order *quotev1.RepairOrder, loop *quotev1.LoopProof) *fitmentv1.ResistanceWindow {
	if loop.GetWindow() != nil {
		return loop.GetWindow()
	}
	key := keyOf(loop.GetKind(), loop.GetPosition())
	for _, step := range slices.Backward(order.GetSteps()) {
		for _, reading := range step.GetDiagnosis().GetAssessed().GetReadings() {
			if keyOf(reading.GetKind(), reading.GetPosition()) == key && reading.GetWindow() != nil {
				return reading.GetWindow()
			}
		}
	}
	return defaultWindow()
}

// Unproven says what a proof does not show, a sentence each; nothing where the
// repair is proven.
func Unproven(order *quotev1.RepairOrder, s *quotev1.Proof) []string {
	var open []string
	for _, one := range []struct {
		shown bool
		what  string
	}{
		{s.GetLampOnAtKeyOn(), "The lamp did not come on at key-on."},
		{s.GetLampOutAfterCheck(), "The lamp did not go out after its bulb check."},
		{s.GetLampOutRunning(), "The lamp did not stay out with the engine running."},
		{s.GetCodesCleared(), "The codes were not cleared."},
		{s.GetCodesStayedClear(), "The codes did not stay clear."},
	} {
		if !one.shown {
			open = append(open, one.what)
		}
	}
	for _, loop := range s.GetLoops() {
		if loop.Ohms == nil {
			continue
		}
		w := Window(order, loop)
		if ohms := loop.GetOhms(); ohms < w.GetLowOhms() || ohms > w.GetHighOhms() {
			open = append(open, fmt.Sprintf("The loop of the %s reads %g Ω, outside %g to %g Ω (%s).",
				keyOf(loop.GetKind(), loop.GetPosition()), ohms, w.GetLowOhms(), w.GetHighOhms(), w.GetSource()))
		}
	}
	return open
}

// close ends a proven order. What it says of old parts, purchases and returns must
// be complete, since nothing changes afterwards.
func (c *change) close(s *quotev1.Closing) error {
	c.fields.Int("step.closing.warranty_days", int64(s.GetWarrantyDays()), 0, maxWarranty)
	c.fields.Text("step.closing.warranty_terms", s.GetWarrantyTerms(), maxReason, false)
	if open := c.undisposed(); len(open) > 0 {
		return refused("what became of the old part is not recorded, and it may be live: %s", strings.Join(open, ", "))
	}
	if sources := in(c.order, quotev1.Purchase_BOUGHT); len(sources) > 0 {
		return refused("bought and not arrived: %s; record its arrival inspection first", names(sources))
	}
	if sources := in(c.order, quotev1.Purchase_PASSED); len(sources) > 0 {
		return refused("it passed its arrival check and was not fitted: %s; an order with such a part is given up, with the reason", names(sources))
	}
	if sources := in(c.order, quotev1.Purchase_RETURNING); len(sources) > 0 {
		return refused("the return of %s is not settled; where nothing comes back, record that with 0 and a note", names(sources))
	}
	c.end(quotev1.RepairOrder_CLOSED)
	return nil
}

// abandon gives an order up.
func (c *change) abandon(s *quotev1.Abandonment) error {
	c.fields.Text("step.abandonment.reason", s.GetReason(), maxReason, true)
	c.drop()
	c.end(quotev1.RepairOrder_ABANDONED)
	return nil
}

func (c *change) end(state quotev1.RepairOrder_State) {
	c.order.State, c.order.CloseTime = state, timestamppb.New(c.facts.Now)
}
