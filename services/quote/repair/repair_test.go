package repair_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/repair"
	"beltwright.example/services/quote/working"
	"beltwright.example/services/quote/working/workingtest"
)

func TestFromComplaintToProof(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_CLOSED)
	if len(s.order.GetSteps()) != 9 || s.order.GetCloseTime() == nil || len(s.order.GetNext()) != 0 {
		t.Errorf("closed as %v", s.order)
	}
	var states []string
	for _, p := range s.order.GetPurchases() {
		states = append(states, p.GetSource()+" "+p.GetState().String())
	}
	if got, want := strings.Join(states, ", "), usedA+" FITTED, "+column+" FITTED"; got != want {
		t.Errorf("purchases %s, want %s", got, want)
	}
	if p := s.order.GetPurchases()[0]; p.GetLine() != 1 || p.GetWarrantyDays() != 30 || len(p.GetArrivalChecks()) != 2 || p.GetCurrencyCode() != "USD" {
		t.Errorf("purchase %v", p)
	}
	for _, step := range s.order.GetSteps() {
		if step.GetBy() == "" || !step.GetTime().AsTime().Equal(noon) {
			t.Errorf("step without hand or time: %v", step)
		}
	}
}

// Every step in every state: it goes through exactly where the table says so.
func TestEveryStepInEveryState(t *testing.T) {
	t.Parallel()
	steps := map[string]func(*shop) *quotev1.RepairStep{
		"diagnosis":          func(*shop) *quotev1.RepairStep { return diagnosis("burnt", needs()...) },
		"quote_made":         func(*shop) *quotev1.RepairStep { return made(secondQ) },
		"order":              func(s *shop) *quotev1.RepairStep { return ordered(s.order.GetQuote()) },
		"arrival_inspection": func(*shop) *quotev1.RepairStep { return inspected(column, true, true) },
		"next_purchase":      func(*shop) *quotev1.RepairStep { return next(usedB) },
		"return_settled":     func(*shop) *quotev1.RepairStep { return settled(usedA, 0) },
		"fitting":            func(*shop) *quotev1.RepairStep { return fitting(usedA, column) },
		"disposal":           func(*shop) *quotev1.RepairStep { return disposal(quotev1.Disposal_FIRED) },
		"proof":              func(*shop) *quotev1.RepairStep { return proof() },
		"closing":            func(*shop) *quotev1.RepairStep { return closing() },
		"abandonment":        func(*shop) *quotev1.RepairStep { return abandoned() },
	}
	// What goes through in each state, with the state that it leads to.
	want := map[quotev1.RepairOrder_State]map[string]quotev1.RepairOrder_State{
		quotev1.RepairOrder_RECEIVED:  {"diagnosis": quotev1.RepairOrder_DIAGNOSED},
		quotev1.RepairOrder_DIAGNOSED: {"diagnosis": quotev1.RepairOrder_DIAGNOSED, "quote_made": quotev1.RepairOrder_QUOTED},
		quotev1.RepairOrder_QUOTED: {
			"diagnosis": quotev1.RepairOrder_DIAGNOSED, "quote_made": quotev1.RepairOrder_QUOTED, "order": quotev1.RepairOrder_ORDERED,
		},
		quotev1.RepairOrder_ORDERED: {"arrival_inspection": quotev1.RepairOrder_ORDERED},
		quotev1.RepairOrder_TO_BUY_NEXT: {
			"diagnosis": quotev1.RepairOrder_DIAGNOSED, "quote_made": quotev1.RepairOrder_QUOTED, "arrival_inspection": quotev1.RepairOrder_TO_BUY_NEXT,
			"next_purchase": quotev1.RepairOrder_ORDERED, "return_settled": quotev1.RepairOrder_TO_BUY_NEXT,
		},
		quotev1.RepairOrder_ARRIVED: {"fitting": quotev1.RepairOrder_FITTED},
		quotev1.RepairOrder_FITTED:  {"disposal": quotev1.RepairOrder_FITTED, "proof": quotev1.RepairOrder_PROVEN},
		quotev1.RepairOrder_PROVEN: {
			"diagnosis": quotev1.RepairOrder_DIAGNOSED, "proof": quotev1.RepairOrder_PROVEN, "closing": quotev1.RepairOrder_CLOSED,
		},
		quotev1.RepairOrder_CLOSED:    {},
		quotev1.RepairOrder_ABANDONED: {},
	}
	for value := range quotev1.RepairOrder_State_name {
		state := quotev1.RepairOrder_State(value)
		if state == quotev1.RepairOrder_STATE_UNSPECIFIED {
			continue
		}
		if want[state] == nil {
			t.Errorf("%v is in no row", state)
		}
		for name, step := range steps {
			s := at(t, state)
			if state == quotev1.RepairOrder_FITTED { // without its disposal yet
				s = at(t, quotev1.RepairOrder_ARRIVED).must(fitting(usedA, column))
			}
			before := proto.Clone(s.order)
			err := s.record(step(s))
			leads, admitted := want[state][name]
			if name == "abandonment" && !repair.Ended(s.opened) && state != quotev1.RepairOrder_CLOSED && state != quotev1.RepairOrder_ABANDONED {
				leads, admitted = quotev1.RepairOrder_ABANDONED, true
			}
			switch {
			case admitted && (err != nil || s.order.GetState() != leads):
				t.Errorf("%s in %v: %v, %v; want %v", name, state, s.order.GetState(), err, leads)
			case !admitted:
				refusal(t, err)
				if !proto.Equal(before, s.order) {
					t.Errorf("%s in %v was refused and changed the order", name, state)
				}
			}
		}
	}
}

func TestOpening(t *testing.T) {
	t.Parallel()
	for field, request := range map[string]*quotev1.CreateRepairOrderRequest{
		"vehicle":   {Complaint: "x"},
		"complaint": {Vehicle: car()},
		"customer":  {Vehicle: car(), Complaint: "x", Customer: strings.Repeat("x", 101)},
	} {
		var fields check.Fields
		repair.Open(request, "", noon, &fields)
		wrong(t, fields.Err(), field)
	}
	for field, spoil := range map[string]func(*fitmentv1.Vehicle){
		"vehicle.vin":            func(v *fitmentv1.Vehicle) { v.Vin = "1M8GDM9AXKP0427888" },
		"vehicle.make":           func(v *fitmentv1.Vehicle) { v.Make = "Tar\x00vena" },
		"vehicle.model_year":     func(v *fitmentv1.Vehicle) { v.ModelYear = 1979 },
		"vehicle.build_date":     func(v *fitmentv1.Vehicle) { v.BuildDate = "June" },
		"vehicle.doors":          func(v *fitmentv1.Vehicle) { v.Doors = -1 },
		"vehicle.restraint_text": func(v *fitmentv1.Vehicle) { v.RestraintText = strings.Repeat("x", 2001) },
		"vehicle.options":        func(v *fitmentv1.Vehicle) { v.Options = make([]string, 501) },
		"vehicle.drive_side":     func(v *fitmentv1.Vehicle) { v.DriveSide = 7 },
		"vehicle.vehicle_class":  func(v *fitmentv1.Vehicle) { v.VehicleClass = 70 },
	} {
		v := car()
		spoil(v)
		var fields check.Fields
		repair.Open(&quotev1.CreateRepairOrderRequest{Vehicle: v, Complaint: "x"}, "", noon, &fields)
		wrong(t, fields.Err(), field)
	}
	s := open(t)
	wrong(t, s.record(&quotev1.RepairStep{}), "step", "diagnosis")
	_, err := repair.Next(s.order, &quotev1.RepairStep{Step: abandoned().GetStep()}, repair.Facts{})
	wrong(t, err, "step.by")
	wrong(t, s.record(&quotev1.RepairStep{Step: &quotev1.RepairStep_Abandonment{Abandonment: &quotev1.Abandonment{}}}), "step.abandonment.reason")
}

func TestADiagnosisJustifiesWhatIsBought(t *testing.T) {
	t.Parallel()
	suspect := func(component fitmentv1.Suspect_Component, kind fitmentv1.Part_Kind, position *fitmentv1.Position, p float64) *fitmentv1.Suspect {
		return &fitmentv1.Suspect{Component: component, Kind: kind, Position: position, Probability: p}
	}
	assessed := func(purchase fitmentv1.AssessFaultResponse_Purchase, suspects ...*fitmentv1.Suspect) *fitmentv1.AssessFaultResponse {
		return &fitmentv1.AssessFaultResponse{Purchase: purchase, Suspects: suspects}
	}
	left := &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_LEFT}
	const justified, notYet = fitmentv1.AssessFaultResponse_JUSTIFIED, fitmentv1.AssessFaultResponse_NOT_YET
	for name, c := range map[string]struct {
		assessed *fitmentv1.AssessFaultResponse
		want     bool
	}{
		"nothing read":        {nil, false},
		"proven":              {assessed(justified, suspect(fitmentv1.Suspect_PART, buckle, right(), 0.95), suspect(fitmentv1.Suspect_CONNECTOR, buckle, right(), 0.03)), true},
		"not yet":             {assessed(notYet, suspect(fitmentv1.Suspect_PART, buckle, right(), 0.95)), false},
		"another one proven":  {assessed(justified, suspect(fitmentv1.Suspect_PART, buckle, left, 0.93), suspect(fitmentv1.Suspect_PART, buckle, right(), 0.04), suspect(fitmentv1.Suspect_HARNESS, buckle, left, 0.03)), false},
		"both proven":         {assessed(justified, suspect(fitmentv1.Suspect_PART, buckle, left, 0.5), suspect(fitmentv1.Suspect_PART, buckle, right(), 0.45), suspect(fitmentv1.Suspect_MODULE, 0, nil, 0.05)), true},
		"the harness, rather": {assessed(justified, suspect(fitmentv1.Suspect_PART, buckle, right(), 0.3), suspect(fitmentv1.Suspect_HARNESS, buckle, right(), 0.6)), false},
		"no suspects":         {assessed(justified), false},
	} {
		if got := repair.Justified(c.assessed, needs()[0]); got != c.want {
			t.Errorf("%s: %v", name, got)
		}
		step := diagnosis("", needs()[0])
		step.GetDiagnosis().Assessed = c.assessed
		s := open(t)
		err := s.record(step)
		if !c.want {
			wrong(t, err, "step.diagnosis.reason", "buckle pretensioner row 1 right")
			step.GetDiagnosis().Reason = "The webbing is cut."
			err = s.record(step)
		}
		if err != nil || s.order.GetState() != quotev1.RepairOrder_DIAGNOSED || len(s.order.GetNeeds()) != 1 {
			t.Errorf("%s: %v, %v", name, s.order.GetState(), err)
		}
	}
}

func TestNeedsOfADiagnosis(t *testing.T) {
	t.Parallel()
	other := needs()[0]
	other.Vehicle.Model = "Fjord"
	bare := &fitmentv1.Need{Kind: buckle, Position: right()}
	wrong(t, open(t).record(diagnosis("x")), "step.diagnosis.needs")
	wrong(t, open(t).record(diagnosis("x", other)), "step.diagnosis.needs[0].vehicle", "Fjord instead of Solane")
	wrong(t, open(t).record(diagnosis("x", needs()[0], needs()[0])), "step.diagnosis.needs[1].position", "twice")
	wrong(t, open(t).record(diagnosis("x", &fitmentv1.Need{Vehicle: car()})), "step.diagnosis.needs[0].kind")
	wrong(t, open(t).record(diagnosis("x", slices.Repeat(needs(), 11)...)), "step.diagnosis.needs", "22")
	wrong(t, open(t).record(diagnosis("x", &fitmentv1.Need{Kind: buckle, Position: &fitmentv1.Position{Row: 10}})), "step.diagnosis.needs[0].position.row")
	wrong(t, open(t).record(diagnosis("x", &fitmentv1.Need{Kind: buckle, Position: &fitmentv1.Position{Side: 9}})), "step.diagnosis.needs[0].position.side")
	wrong(t, open(t).record(diagnosis("x", &fitmentv1.Need{Kind: buckle, PartNumber: strings.Repeat("x", 101)})), "step.diagnosis.needs[0].part_number")
	s := open(t).must(diagnosis("x", bare))
	if !proto.Equal(s.order.GetNeeds()[0].GetVehicle(), car()) {
		t.Errorf("the need is for %v", s.order.GetNeeds()[0].GetVehicle())
	}
}

func TestVehiclesAreTheSame(t *testing.T) {
	t.Parallel()
	vin := &fitmentv1.Vehicle{Vin: "1M8GDM9AXKP042788"}
	for _, c := range []struct {
		a, b *fitmentv1.Vehicle
		same bool
	}{
		{car(), car(), true},
		{car(), &fitmentv1.Vehicle{Make: " TARVENA ", Model: "solane"}, true},
		{car(), &fitmentv1.Vehicle{Make: "Tarvena", Model: "Solane", ModelYear: 2007}, false},
		{car(), &fitmentv1.Vehicle{Make: "Tarvena"}, false},
		{vin, &fitmentv1.Vehicle{Vin: "1m8gdm9axkp042788", Make: "Calder"}, true},
		{vin, &fitmentv1.Vehicle{Vin: "1M8GDM9AXKP042789"}, false},
		{vin, car(), false},
		{nil, nil, false},
	} {
		if got := repair.OtherVehicle(c.a, c.b); (got == "") != c.same {
			t.Errorf("%v and %v: %q", c.a, c.b, got)
		}
	}
}

func TestTheQuoteSuitsTheOrder(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_DIAGNOSED)
	wrong(t, s.record(made("quotes/none")), "step.quote_made.quote")
	s.quotes[firstQ].Lines[1].Need.Kind = fitmentv1.Part_DRIVER_AIR_BAG
	wrong(t, s.record(made(firstQ)), "step.quote_made.quote", "line 2 is for a driver air bag")
	s.quotes[secondQ].Lines[0].Need.Vehicle.Make = "Oskeld"
	wrong(t, s.record(made(secondQ)), "step.quote_made.quote", "Oskeld instead of Tarvena")
	for _, state := range []quotev1.Quote_State{quotev1.Quote_DRAFT, quotev1.Quote_DECLINED, quotev1.Quote_EXPIRED, quotev1.Quote_SUPERSEDED} {
		s := at(t, quotev1.RepairOrder_DIAGNOSED)
		s.quotes[firstQ].State = state
		refusal(t, s.record(made(firstQ)), strings.ToLower(state.String()))
	}
	s = at(t, quotev1.RepairOrder_DIAGNOSED)
	s.quotes[firstQ].State = quotev1.Quote_OPEN
	s.must(made(firstQ))
	refusal(t, s.record(ordered(firstQ)), "open", "authorisation")
	wrong(t, s.record(ordered(secondQ)), "step.order.quote", firstQ)
	s.quotes[firstQ] = accepted(firstQ, 1)
	s.must(ordered(firstQ))
	if got := s.order.GetPurchases(); len(got) != 1 || got[0].GetSource() != column || got[0].GetLine() != 2 {
		t.Errorf("of a quote accepted in part was bought %v", got)
	}
	single := accepted(firstQ, 0, 1)
	single.Options, single.Lines = single.GetLines()[0].GetOptions(), nil // as earlier builds stored it
	for _, o := range single.GetOptions() {
		o.ArrivalChecks = nil
	}
	s = at(t, quotev1.RepairOrder_QUOTED)
	s.quotes[firstQ] = single
	s.must(ordered(firstQ))
	if got := s.order.GetPurchases(); len(got) != 1 || got[0].GetSource() != usedA || len(got[0].GetArrivalChecks()) == 0 {
		t.Errorf("of a quote without lines was bought %v", got)
	}
}

func TestEveryCheckIsAnsweredOnce(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_ORDERED)
	step := inspected(usedA, true, true)
	step.GetArrivalInspection().Results = step.GetArrivalInspection().GetResults()[:1]
	wrong(t, s.record(step), "step.arrival_inspection.results", `"Look at it." is not answered`)
	step = inspected(usedA, true, true)
	step.GetArrivalInspection().Results[1].Check = "Read the label."
	wrong(t, s.record(step), "step.arrival_inspection.results[1].check", "twice")
	step.GetArrivalInspection().Results[1].Check = "Weigh it."
	wrong(t, s.record(step), "step.arrival_inspection.results[1].check", "none of the checks due")
	step = inspected(usedA, true, true)
	step.GetArrivalInspection().Evidence = []*fitmentv1.Evidence{{Attribute: fitmentv1.Evidence_DAMAGE, Value: "no"}}
	wrong(t, s.record(step), "step.arrival_inspection.evidence")
	refusal(t, s.record(inspected(usedB, true, true)), usedA, column)
	s.must(inspected(usedA, true, true))
	refusal(t, s.record(inspected(usedA, true, true)), column)
	if s.order.GetState() != quotev1.RepairOrder_ORDERED {
		t.Errorf("with one part to come the order is %v", s.order.GetState())
	}
}

// The plan of line 1: A, then B, then the new part. Refunds by hand: price 100.00
// less 20.00 of loss; 120.00 less 20.00.
func TestAFailedPartGoesBackAndTheNextIsBought(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_ORDERED).must(inspected(usedA, false, true))
	p := s.order.GetPurchases()[0]
	if s.order.GetState() != quotev1.RepairOrder_TO_BUY_NEXT || p.GetState() != quotev1.Purchase_RETURNING || p.GetRefundDue() != 80_00 || !repair.Unreported(p) {
		t.Errorf("order %v, purchase %v", s.order.GetState(), p)
	}
	if !strings.Contains(strings.Join(s.order.GetNext(), " "), "is not told yet") {
		t.Errorf("next: %q", s.order.GetNext())
	}
	refusal(t, s.record(settled(usedA, 80_00)), "not told yet")
	s.chooses()
	if got := s.order.GetPurchases()[2]; got.GetSource() != usedB || got.GetState() != quotev1.Purchase_NEXT || got.GetHold().GetFence() != 3 || got.GetLine() != 1 {
		t.Errorf("next is %v", got)
	}
	if text := strings.Join(s.order.GetNext(), " "); strings.Contains(text, "not told") || !strings.Contains(text, "Buy "+usedB) || !strings.Contains(text, "80.00 USD are due") {
		t.Errorf("next: %q", text)
	}
	refusal(t, s.record(next(fresh)), usedB)
	s.must(inspected(column, true, true)) // the other line goes on
	if s.order.GetState() != quotev1.RepairOrder_TO_BUY_NEXT {
		t.Errorf("the order is %v", s.order.GetState())
	}
	s.must(next(usedB), settled(usedA, 80_00), inspected(usedB, true, false))
	s.chooses()
	if got := s.order.GetPurchases()[3]; got.GetSource() != fresh || got.GetHold() != nil {
		t.Errorf("behind the plan comes %v", got)
	}
	s.must(next(fresh), inspected(fresh, false, false))
	s.chooses()
	if text := strings.Join(s.order.GetNext(), " "); s.order.GetState() != quotev1.RepairOrder_TO_BUY_NEXT || !strings.Contains(text, "Nothing is left") {
		t.Errorf("with nothing left the order is %v: %q", s.order.GetState(), text)
	}
	refusal(t, s.record(next(fresh)), "no part to be bought next")
	s.must(made(secondQ))
	refusal(t, s.record(made(firstQ)), "ordered already")
}

// A refund of price, deposit and tax less what the terms keep is never below nothing,
// and its working gives it.
func TestRefundsAreTraced(t *testing.T) {
	t.Parallel()
	// 185.00 + 50.00 + 17.04 − (185.00 × 20 % + 38.50) = 176.54, by hand.
	option := &quotev1.Option{Price: 185_00, CoreDeposit: 50_00, Tax: 17_04, ReturnLoss: 75_50}
	if got := repair.Refund(option); got != 176_54 {
		t.Errorf("got %d", got)
	}
	if got := repair.Refund(&quotev1.Option{Price: 10_00, ReturnLoss: 20_00}); got != 0 {
		t.Errorf("got %d", got)
	}
	rapid.Check(t, func(rt *rapid.T) {
		amount := rapid.Int64Range(0, 1_000_000_00)
		option := &quotev1.Option{
			Price: amount.Draw(rt, "price"), CoreDeposit: amount.Draw(rt, "deposit"), Tax: amount.Draw(rt, "tax"), ReturnLoss: amount.Draw(rt, "loss"),
		}
		for _, currency := range []string{"USD", "JPY", "KWD"} {
			workingtest.Check(t, []working.Step{repair.RefundWorking(option, currency)})
		}
	})
}

func TestWhatTheCustomerAllowed(t *testing.T) {
	t.Parallel()
	// By hand: A lands at 210.00 and the clock spring at 190.00, 400.00 in all. A
	// failed: of its 210.00 the fitting (100.00) was not done and 80.00 come back, so
	// 30.00 are lost. B lands at 230.00: 190 + 30 + 230 = 450.00.
	s := at(t, quotev1.RepairOrder_TO_BUY_NEXT)
	s.quotes[firstQ].Authorization = nil
	pays, most, limited := repair.Allowance(s.bought, s.order, 1, s.bought[2].Option, s.quotes[firstQ])
	if pays != 450_00 || most != 400_00 || !limited {
		t.Errorf("pays %d of %d, limited %v", pays, most, limited)
	}
	refusal(t, s.record(next(usedB)), "allowed 400.00") // nobody said that it may cost more than was accepted
	own := proto.CloneOf(s.order)
	own.Customer = ""
	if _, _, limited := repair.Allowance(s.bought, own, 1, s.bought[2].Option, s.quotes[firstQ]); limited {
		t.Error("a business's own money is limited")
	}
	s.quotes[firstQ].Authorization = &quotev1.Authorization{By: "C-1"}
	refusal(t, s.record(next(usedB)), "450.00 USD", "allowed 400.00", "new authorisation")
	s.quotes[firstQ].Authorization.UpTo = 449_99
	refusal(t, s.record(next(usedB)), "449.99")
	s.quotes[firstQ].Authorization.UpTo = 450_00
	s.must(next(usedB))
	s = at(t, quotev1.RepairOrder_TO_BUY_NEXT)
	s.quotes[firstQ].Authorization.UpTo = 0
	for _, o := range quote.Lines(s.quotes[firstQ])[0].GetOptions() { // supplies are needed once: 5.00 more
		o.Supplies, o.LandedCost = 5_00, o.GetLandedCost()+5_00
	}
	if pays, most, _ := repair.Allowance(s.bought, s.order, 1, s.bought[2].Option, s.quotes[firstQ]); pays != 455_00 || most != 405_00 {
		t.Errorf("with supplies: pays %d of %d", pays, most)
	}
	s = at(t, quotev1.RepairOrder_TO_BUY_NEXT)
	s.quotes[firstQ].Authorization.UpTo = 0
	s.quotes[firstQ].Total = &quotev1.QuoteTotal{Total: 395_00} // freight once
	if pays, most, _ := repair.Allowance(s.bought, s.order, 1, s.bought[2].Option, s.quotes[firstQ]); pays != 445_00 || most != 395_00 {
		t.Errorf("by the quote's total: pays %d of %d", pays, most)
	}
}

// C.R.S. 42-9-109.5 asks for the customer's written consent before a salvaged
// restraint is fitted: the consent to the part that failed must cover the next one.
func TestTheConsentThatTheLawAsksFor(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_TO_BUY_NEXT)
	s.asked = []*fitmentv1.Obligation{
		{Type: fitmentv1.Obligation_KEEP, Text: "Keep the papers for three years."},
		{Type: fitmentv1.Obligation_CONSENT, Text: "Have the customer's written authorization.", Source: "C.R.S. 42-9-109.5"},
	}
	s.quotes[firstQ].Authorization, s.order.Customer = nil, "" // no customer, no limit, and no consent
	refusal(t, s.record(next(usedB)), "42-9-109.5", "new quote")
	for _, a := range []*quotev1.Authorization{
		{By: "C-1", UpTo: 1000_00, Method: quotev1.Authorization_SIGNED}, {By: "C-1", UpTo: 1000_00, Method: quotev1.Authorization_SPOKEN, UsedPart: true},
	} {
		s.quotes[firstQ].Authorization = a
		refusal(t, s.record(next(usedB)), "42-9-109.5")
	}
	s.quotes[firstQ].Authorization = &quotev1.Authorization{By: "C-1", UpTo: 1000_00, Method: quotev1.Authorization_SIGNED, UsedPart: true}
	s.must(next(usedB))
}

func TestFitting(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_ARRIVED)
	for field, spoil := range map[string]func(*quotev1.Fitting){
		"step.fitting.sources":             func(f *quotev1.Fitting) { f.Sources = f.GetSources()[:1] },
		"step.fitting.sources[0]":          func(f *quotev1.Fitting) { f.Sources[0] = usedB },
		"step.fitting.sources[1]":          func(f *quotev1.Fitting) { f.Sources[1] = f.GetSources()[0] },
		"step.fitting.procedure":           func(f *quotev1.Fitting) { f.Procedure = "" },
		"step.fitting.minutes_battery_off": func(f *quotev1.Fitting) { f.MinutesBatteryOff = 1441 },
		"step.fitting.reason":              func(f *quotev1.Fitting) { f.Renewed = nil },
		"step.fitting.renewed[0]":          func(f *quotev1.Fitting) { f.Renewed = []string{""} },
	} {
		step := fitting(usedA, column)
		spoil(step.GetFitting())
		wrong(t, s.record(step), field)
	}
	step := fitting(usedA, column)
	step.GetFitting().ReplacedTogether = nil
	wrong(t, s.record(step), "step.fitting.reason", "pigtail")
	step.GetFitting().Reason = "The pigtail was replaced last month."
	s.must(step)
	if text := strings.Join(s.order.GetNext(), " "); !strings.Contains(text, "lamp on at key-on") || !strings.Contains(text, "what became of each old part") {
		t.Errorf("next: %q", text)
	}
}

// The numbers are those of 40 CFR 261.4(j), 83 FR 61552 (30 November 2018): at most
// 250 modules or inflators, for at most 180 days. 2026-01-01 is 180 days before
// 2026-06-30.
func TestDisposal(t *testing.T) {
	t.Parallel()
	alter := func(change func(*quotev1.Disposal)) func(*quotev1.Disposal) { return change }
	for name, c := range map[string]struct {
		way   quotev1.Disposal_Way
		alter func(*quotev1.Disposal)
		field string
	}{
		"fired":                  {quotev1.Disposal_FIRED, nil, ""},
		"to the owner":           {quotev1.Disposal_TO_OWNER, nil, ""},
		"collected":              {quotev1.Disposal_COLLECTED, nil, ""},
		"collected, no papers":   {quotev1.Disposal_COLLECTED, alter(func(d *quotev1.Disposal) { d.Papers = "" }), "step.disposal.papers"},
		"stored":                 {quotev1.Disposal_STORED, nil, ""},
		"250 stored":             {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.Stored = 250 }), ""},
		"251 stored":             {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.Stored = 251 }), "step.disposal.stored"},
		"none stored":            {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.Stored = 0 }), "step.disposal.stored"},
		"180 days":               {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.StoredSince = "2026-01-01" }), ""},
		"181 days":               {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.StoredSince = "2025-12-31" }), "step.disposal.stored_since"},
		"in the future":          {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.StoredSince = "2026-07-02" }), "step.disposal.stored_since"},
		"no day":                 {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.StoredSince = "" }), "step.disposal.stored_since"},
		"no date":                {quotev1.Disposal_STORED, alter(func(d *quotev1.Disposal) { d.StoredSince = "June" }), "step.disposal.stored_since"},
		"stock of one collected": {quotev1.Disposal_COLLECTED, alter(func(d *quotev1.Disposal) { d.Stored = 3 }), "step.disposal.stored"},
		"a core of none":         {quotev1.Disposal_COLLECTED, alter(func(d *quotev1.Disposal) { d.CoreOf = usedA }), "step.disposal.core_of"},
		"no deposit":             {quotev1.Disposal_CORE_RETURNED, alter(func(d *quotev1.Disposal) { d.CoreOf, d.Papers = usedA, "UN3268 1" }), "step.disposal.core_of"},
		"no way":                 {quotev1.Disposal_WAY_UNSPECIFIED, nil, "step.disposal.way"},
		"another part":           {quotev1.Disposal_FIRED, alter(func(d *quotev1.Disposal) { d.Position.Side = fitmentv1.Position_LEFT }), "step.disposal.kind"},
	} {
		s := at(t, quotev1.RepairOrder_ARRIVED).must(fitting(usedA, column))
		step := disposal(c.way)
		if c.alter != nil {
			c.alter(step.GetDisposal())
		}
		err := s.record(step)
		if c.field != "" {
			wrong(t, err, c.field)
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		refusal(t, s.record(disposal(quotev1.Disposal_STORED)), "recorded already")
		again := s.record(disposal(quotev1.Disposal_COLLECTED))
		if c.way == quotev1.Disposal_STORED {
			if again != nil {
				t.Errorf("%s: what was stored cannot be collected: %v", name, again)
			}
			again = s.record(disposal(quotev1.Disposal_COLLECTED))
		}
		refusal(t, again, "recorded already")
		s.must(proof(), closing())
	}
}

func TestACoreGoesBackToItsSeller(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_TO_BUY_NEXT).must(inspected(column, true, true), next(usedB), settled(usedA, 0), inspected(usedB, false, true))
	s.chooses()
	s.must(next(fresh), settled(usedB, 1), inspected(fresh, true, true), fitting(column, fresh))
	core := func(d *quotev1.Disposal) { d.CoreOf, d.Papers = fresh, "UN3268, carrier 7" }
	s.must(disposal(quotev1.Disposal_CORE_RETURNED, core), proof(), closing())
}

func TestProof(t *testing.T) {
	t.Parallel()
	loop := func(change func(*quotev1.LoopProof)) func(*quotev1.Proof) {
		return func(p *quotev1.Proof) { change(p.GetLoops()[0]) }
	}
	ready := func() *shop { return at(t, quotev1.RepairOrder_ARRIVED).must(fitting(usedA, column)) }
	// The default window is 1.4 to 3.2 ohms (loop limits of a 2018 trade paper).
	for name, alter := range map[string]func(*quotev1.Proof){
		"all six":    func(*quotev1.Proof) {},
		"lowest":     loop(func(l *quotev1.LoopProof) { l.Ohms = new(1.4) }),
		"highest":    loop(func(l *quotev1.LoopProof) { l.Ohms = new(3.2) }),
		"unreadable": loop(func(l *quotev1.LoopProof) { l.Ohms, l.Unreadable = nil, "The module reports no values." }),
		"window of its own": loop(func(l *quotev1.LoopProof) {
			l.Ohms, l.Window = new(1.0), &fitmentv1.ResistanceWindow{LowOhms: 0.9, HighOhms: 1.1, Source: "service data"}
		}),
	} {
		if s := ready().must(proof(alter)); s.order.GetState() != quotev1.RepairOrder_PROVEN {
			t.Errorf("%s: %v", name, s.order.GetState())
		}
	}
	for says, alter := range map[string]func(*quotev1.Proof){
		"come on at key-on":        func(p *quotev1.Proof) { p.LampOnAtKeyOn = false },
		"out after its bulb check": func(p *quotev1.Proof) { p.LampOutAfterCheck = false },
		"engine running":           func(p *quotev1.Proof) { p.LampOutRunning = false },
		"were not cleared":         func(p *quotev1.Proof) { p.CodesCleared = false },
		"stay clear":               func(p *quotev1.Proof) { p.CodesStayedClear = false },
		"1.39 Ω, outside 1.4":      loop(func(l *quotev1.LoopProof) { l.Ohms = new(1.39) }),
		"3.21 Ω, outside 1.4":      loop(func(l *quotev1.LoopProof) { l.Ohms = new(3.21) }),
		"outside 0.9 to 1.1": loop(func(l *quotev1.LoopProof) {
			l.Window = &fitmentv1.ResistanceWindow{LowOhms: 0.9, HighOhms: 1.1, Source: "service data"}
		}),
	} {
		s := ready().must(proof(alter))
		if text := strings.Join(s.order.GetNext(), " "); s.order.GetState() != quotev1.RepairOrder_DIAGNOSED || !strings.Contains(text, says) {
			t.Errorf("%s: %v, next %q", says, s.order.GetState(), text)
		}
		refusal(t, s.record(closing()))
		if n := len(s.order.GetSteps()); s.order.GetSteps()[n-1].GetProof() == nil {
			t.Errorf("%s: the failed proof is not on record", says)
		}
		s.must(fitting(usedA), proof(), disposal(quotev1.Disposal_FIRED), closing()) // worked on once more
	}
	for field, alter := range map[string]func(*quotev1.Proof){
		"step.proof.loops[0].ohms":       loop(func(l *quotev1.LoopProof) { l.Ohms = nil }),
		"step.proof.loops[0].unreadable": loop(func(l *quotev1.LoopProof) { l.Unreadable = "x" }),
		"step.proof.loops[0].kind":       loop(func(l *quotev1.LoopProof) { l.Kind = 0 }),
		"step.proof.loops[0].window.high_ohms": loop(func(l *quotev1.LoopProof) {
			l.Window = &fitmentv1.ResistanceWindow{LowOhms: 2, HighOhms: 2, Source: "x"}
		}),
		"step.proof.loops[0].window.source": loop(func(l *quotev1.LoopProof) { l.Window = &fitmentv1.ResistanceWindow{LowOhms: 1, HighOhms: 2} }),
	} {
		wrong(t, ready().record(proof(alter)), field)
	}
	for _, bad := range []float64{math.NaN(), math.Inf(1), -0.1, 1e10} {
		wrong(t, ready().record(proof(loop(func(l *quotev1.LoopProof) { l.Ohms = &bad }))), "step.proof.loops[0].ohms")
	}
	refusal(t, ready().record(proof(func(p *quotev1.Proof) { p.Loops = nil })), "buckle pretensioner row 1 right", "clock spring")
	// A clock spring stands in the loop of the bag before it.
	refusal(t, ready().record(proof(func(p *quotev1.Proof) { p.Loops = p.GetLoops()[:1] })), "missing: clock spring")
}

// The window that a diagnosis knew of the vehicle is held against.
func TestTheWindowOfTheDiagnosis(t *testing.T) {
	t.Parallel()
	s := open(t)
	step := diagnosis("x", needs()...)
	step.GetDiagnosis().Assessed = &fitmentv1.AssessFaultResponse{Readings: []*fitmentv1.ReadingReport{{
		Kind: buckle, Position: right(), Window: &fitmentv1.ResistanceWindow{LowOhms: 0.9, HighOhms: 1.1, Source: "catalogue"},
	}}}
	s.must(step, made(firstQ), ordered(firstQ), inspected(usedA, true, true), inspected(column, true, true), fitting(usedA, column), proof())
	if s.order.GetState() != quotev1.RepairOrder_DIAGNOSED {
		t.Errorf("2.1 ohms in a window up to 1.1: %v", s.order.GetState())
	}
}

func TestClosingLeavesNothingOpen(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_ARRIVED).must(fitting(usedA, column), proof())
	refusal(t, s.record(closing()), "it may be live", "buckle pretensioner row 1 right")
	s.must(disposal(quotev1.Disposal_FIRED))
	step := closing()
	step.GetClosing().WarrantyDays = 3651
	wrong(t, s.record(step), "step.closing.warranty_days")
	s = at(t, quotev1.RepairOrder_TO_BUY_NEXT).must(
		inspected(column, true, true), next(usedB), inspected(usedB, true, true), fitting(column, usedB), disposal(quotev1.Disposal_FIRED), proof())
	refusal(t, s.record(closing()), "return of "+usedA)
	s.must(settled(usedA, 0), closing())
}

// A part that is given up keeps nobody from fitting, proving and closing the rest.
func TestARepairGoesOnWithoutWhatFailed(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_TO_BUY_NEXT).must(diagnosis("only the spring after all", needs()[1]), inspected(column, true, true))
	if s.order.GetState() != quotev1.RepairOrder_DIAGNOSED {
		t.Fatalf("the order is %v", s.order.GetState())
	}
	wrong(t, s.record(fitting(usedA)), "step.fitting.sources[0]", column)
	s.must(fitting(column), proof(), settled(usedA, 0), closing())

	// What arrives after the rest was worked on once more is still checked.
	late := func() *shop {
		return at(t, quotev1.RepairOrder_ARRIVED).must(
			fitting(usedA, column), disposal(quotev1.Disposal_FIRED), proof(func(p *quotev1.Proof) { p.CodesStayedClear = false }),
			diagnosis("the code came back", needs()...), made(secondQ), ordered(secondQ), inspected(usedA, false, true),
			diagnosis("a plug was loose", needs()...), fitting(usedA), proof(),
		)
	}
	s = late()
	refusal(t, s.record(closing()), "not arrived: "+column)
	s.must(inspected(column, true, true))
	refusal(t, s.record(closing()), "not fitted: "+column)
	s.must(abandoned())
	s = late().must(inspected(column, false, true))
	if s.order.GetState() != quotev1.RepairOrder_PROVEN {
		t.Errorf("a late part moved the order to %v", s.order.GetState())
	}
	s.chooses()
	s.must(settled(usedA, 0), settled(column, 0), closing())
}

func TestANewQuoteForWhatIsLeft(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_TO_BUY_NEXT).must(made(secondQ))
	if len(s.order.GetPurchases()) != 2 {
		t.Errorf("what was to be bought next is still there: %v", s.order.GetPurchases())
	}
	s = at(t, quotev1.RepairOrder_TO_BUY_NEXT).must(diagnosis("x", needs()...))
	if len(s.order.GetPurchases()) != 2 || s.order.GetQuote() != "" {
		t.Errorf("purchases %v, quote %q", s.order.GetPurchases(), s.order.GetQuote())
	}
	s = at(t, quotev1.RepairOrder_TO_BUY_NEXT).must(abandoned())
	if len(s.order.GetPurchases()) != 2 || s.order.GetCloseTime() == nil {
		t.Errorf("given up with %v", s.order.GetPurchases())
	}
}

func TestAnOrderHasAnEnd(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_DIAGNOSED)
	s.order.Steps = slices.Repeat(s.order.GetSteps(), repair.MaxSteps-11)
	s.must(diagnosis("x", needs()...))
	refusal(t, s.record(diagnosis("x", needs()...)), "290 steps")
	s.must(abandoned())
}

// Any history of steps that went through makes the same order again, and on the way
// there nothing is fitted that did not pass, nothing closed that is not proven.
func TestAnOrderFollowsFromItsSteps(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		s := open(t)
		for range rapid.IntRange(1, 40).Draw(rt, "steps") {
			draw(rt, s)
			invariants(rt, s)
		}
		again, err := repair.Replay(s.opened, s.events)
		if err != nil {
			rt.Fatal(err)
		}
		if diff := cmp.Diff(s.order, again, protocmp.Transform()); diff != "" {
			rt.Errorf("replayed otherwise:\n%s", diff)
		}
	})
}

// draw tries some step that may suit, or one that does not.
func draw(rt *rapid.T, s *shop) {
	source := rapid.SampledFrom([]string{usedA, usedB, fresh, column}).Draw(rt, "source")
	yes := func(label string) bool { return rapid.IntRange(0, 3).Draw(rt, label) > 0 }
	steps := []func() *quotev1.RepairStep{
		func() *quotev1.RepairStep { return diagnosis("x", needs()...) },
		func() *quotev1.RepairStep { return made(firstQ) },
		func() *quotev1.RepairStep { return ordered(firstQ) },
		func() *quotev1.RepairStep { return inspected(source, yes("label"), yes("look")) },
		func() *quotev1.RepairStep { return next(source) },
		func() *quotev1.RepairStep { return settled(source, 5) },
		func() *quotev1.RepairStep {
			var passed []string
			for _, p := range s.order.GetPurchases() {
				if p.GetState() == quotev1.Purchase_PASSED || (s.order.GetState() == quotev1.RepairOrder_DIAGNOSED && p.GetState() == quotev1.Purchase_FITTED) {
					passed = append(passed, p.GetSource())
				}
			}
			return fitting(passed...)
		},
		func() *quotev1.RepairStep {
			return disposal(quotev1.Disposal_Way(rapid.IntRange(0, 5).Draw(rt, "way")))
		},
		func() *quotev1.RepairStep { return proof(func(p *quotev1.Proof) { p.CodesStayedClear = yes("clear") }) },
		closing,
		func() *quotev1.RepairStep {
			if rapid.IntRange(0, 20).Draw(rt, "give up") == 0 {
				return abandoned()
			}
			return proof()
		},
	}
	if rapid.IntRange(0, 3).Draw(rt, "follow") == 0 {
		s.chooses()
		return
	}
	err := s.record(rapid.SampledFrom(steps).Draw(rt, "step")())
	if code := status.Code(err); code != codes.OK && code != codes.FailedPrecondition && code != codes.InvalidArgument {
		rt.Fatal(err)
	}
}

func invariants(rt *rapid.T, s *shop) {
	passed := make(map[string]int)
	var proven bool
	for _, step := range s.order.GetSteps() {
		if i := step.GetArrivalInspection(); i != nil {
			if failed, _ := repair.Failed(i); len(failed) == 0 {
				passed[i.GetSource()]++
			}
		}
		if p := step.GetProof(); p != nil {
			proven = len(repair.Unproven(s.order, p)) == 0
		}
	}
	for _, p := range s.order.GetPurchases() {
		if (p.GetState() == quotev1.Purchase_FITTED || p.GetState() == quotev1.Purchase_PASSED) && passed[p.GetSource()] == 0 {
			rt.Errorf("%s is %v without having passed", p.GetSource(), p.GetState())
		}
	}
	if s.order.GetState() == quotev1.RepairOrder_CLOSED && !proven {
		rt.Error("closed without proof")
	}
	if s.order.GetState() == quotev1.RepairOrder_CLOSED && slices.ContainsFunc(s.order.GetPurchases(), func(p *quotev1.Purchase) bool {
		return p.GetState() != quotev1.Purchase_FITTED && p.GetState() != quotev1.Purchase_RETURNED
	}) {
		rt.Errorf("closed with %v", s.order.GetPurchases())
	}
}

func TestCandidatesFollowThePlan(t *testing.T) {
	t.Parallel()
	q := accepted(firstQ, 0, 1)
	order := &quotev1.RepairOrder{Purchases: []*quotev1.Purchase{{Source: usedB}, {Source: fresh}}}
	had := []repair.Bought{{Quote: accepted(secondQ)}, {Quote: accepted(secondQ)}} // the listing is gone, the offer may be bought again
	var got []string
	for _, o := range repair.Candidates(order, had, q, 1) {
		got = append(got, o.GetSource())
	}
	if want := []string{usedA, fresh}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	quote.Lines(q)[0].Options[0].PlanPlace = 0 // the plan does not try it
	if got := repair.Candidates(order, had, q, 1); len(got) != 1 || got[0].GetSource() != fresh {
		t.Errorf("got %v", got)
	}
	had[1].Quote = q
	if got := repair.Candidates(order, had, q, 1); len(got) != 0 {
		t.Errorf("bought on this quote already: %v", got)
	}
	for _, line := range []int32{-1, 0, 3} {
		if got := repair.Candidates(order, had, q, line); got != nil {
			t.Errorf("line %d: %v", line, got)
		}
	}
}

func TestAHoldThatEndedIsDropped(t *testing.T) {
	t.Parallel()
	s := at(t, quotev1.RepairOrder_TO_BUY_NEXT)
	s.follow(repair.Followed{Dropped: []int{2}, Notes: []string{"Passed over: it was sold."}})
	if len(s.order.GetPurchases()) != 2 || !slices.Contains(s.order.GetNext(), "Passed over: it was sold.") {
		t.Errorf("purchases %v, next %q", s.order.GetPurchases(), s.order.GetNext())
	}
	s.now = s.now.Add(time.Hour)
	s.chooses()
	if got := s.order.GetPurchases(); len(got) != 3 || got[2].GetSource() != usedB {
		t.Errorf("chosen anew: %v", got)
	}
}
