package repair_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/repair"
)

// Makers, makes, yards and suppliers are invented.
const (
	buckle  = fitmentv1.Part_BUCKLE_PRETENSIONER
	spring  = fitmentv1.Part_CLOCK_SPRING
	firstQ  = "quotes/Q-2026-000001"
	secondQ = "quotes/Q-2026-000002"
	usedA   = "listings/kettlewick.A1"
	usedB   = "listings/saltmarrow.B1"
	fresh   = "offers/farrowtull-works.N1"
	column  = "offers/farrowtull-works.C1"
)

var noon = time.Date(2026, 6, 30, 12, 0, 0, 0, time.UTC)

func car() *fitmentv1.Vehicle {
	return &fitmentv1.Vehicle{Make: "Tarvena", Model: "Solane", ModelYear: 2006}
}

func right() *fitmentv1.Position {
	return &fitmentv1.Position{Row: 1, Side: fitmentv1.Position_RIGHT}
}

func needs() []*fitmentv1.Need {
	return []*fitmentv1.Need{{Vehicle: car(), Kind: buckle, Position: right()}, {Vehicle: car(), Kind: spring}}
}

// option is something that a quote offers: landed cost and refund follow from the
// price.
func option(source string, price int64, place int32) *quotev1.Option {
	o := &quotev1.Option{
		Source: source, Condition: quotev1.Offer_USED, Price: price, Freight: 10_00, FitLabour: 100_00, LandedCost: price + 110_00,
		ReturnLoss: 20_00, PlanPlace: place, WarrantyDays: 30,
		ArrivalChecks: []*fitmentv1.ArrivalCheck{{Check: "Read the label."}, {Check: "Look at it."}},
		OneUse:        []string{"2 × anchor bolt"}, ReplaceWith: []string{"pigtail"},
	}
	if !repair.IsListing(source) {
		o.Condition, o.OneUse, o.ReplaceWith = quotev1.Offer_NEW, nil, nil
	}
	return o
}

// accepted is a quote of two lines, of which those given are accepted: the buckle
// from two yards with a new one behind them, and a new clock spring. The customer
// allowed more than any of it costs.
func accepted(name string, lines ...int) *quotev1.Quote {
	last := option(fresh, 400_00, 0)
	last.Fallback, last.CoreDeposit = true, 50_00
	last.LandedCost += 50_00
	q := &quotev1.Quote{
		Name: name, State: quotev1.Quote_PARTLY_ACCEPTED, CurrencyCode: "USD", Need: needs()[0],
		Authorization: &quotev1.Authorization{By: "C-1", UpTo: 2000_00},
		Lines: []*quotev1.QuoteLine{
			{Need: needs()[0], Options: []*quotev1.Option{option(usedA, 100_00, 1), option(usedB, 120_00, 2), last}},
			{Need: needs()[1], Options: []*quotev1.Option{option(column, 80_00, 1)}},
		},
	}
	for i := range q.GetLines() {
		q.Lines[i].State = quotev1.QuoteLine_DECLINED
		if slices.Contains(lines, i) {
			q.Lines[i].State = quotev1.QuoteLine_ACCEPTED
		}
	}
	if len(lines) == 2 {
		q.State = quotev1.Quote_ACCEPTED
	}
	return q
}

// shop keeps one order as a server would.
type shop struct {
	t      testing.TB
	order  *quotev1.RepairOrder
	opened *quotev1.RepairOrder
	events []repair.Event
	quotes map[string]*quotev1.Quote
	bought []repair.Bought
	asked  []*fitmentv1.Obligation
	now    time.Time
}

func open(tb testing.TB) *shop {
	tb.Helper()
	var fields check.Fields
	order := repair.Open(&quotev1.CreateRepairOrderRequest{Vehicle: car(), Customer: "C-1", Complaint: "The lamp stays on."}, repair.Number("2026", 1), noon, &fields)
	if err := fields.Err(); err != nil {
		tb.Fatal(err)
	}
	return &shop{t: tb, order: order, opened: order, now: noon, quotes: map[string]*quotev1.Quote{firstQ: accepted(firstQ, 0, 1), secondQ: accepted(secondQ, 0, 1)}}
}

// record records a step as a server would.
func (s *shop) record(step *quotev1.RepairStep) error {
	s.t.Helper()
	if step.GetBy() == "" {
		step.By = "Kim"
	}
	facts := repair.Facts{Now: s.now, Bought: slices.Clone(s.bought), Obligations: s.asked}
	name := step.GetQuoteMade().GetQuote() + step.GetOrder().GetQuote()
	if q := s.quotes[name]; q != nil {
		facts.Quote = proto.CloneOf(q)
	}
	before := proto.Clone(s.order)
	next, err := repair.Next(s.order, step, facts)
	if !proto.Equal(before, s.order) {
		s.t.Fatal("Next changed its argument")
	}
	if err != nil {
		return err
	}
	s.events = append(s.events, repair.Event{Step: proto.CloneOf(step), Facts: facts})
	s.know(next)
	return nil
}

// know finds out what is known of the order's purchases. What was bought on a quote
// before stays bought on it.
func (s *shop) know(next *quotev1.RepairOrder) {
	before, known := s.order.GetPurchases(), s.bought
	s.order, s.bought = next, nil
	q := s.quotes[next.GetQuote()]
	if q == nil {
		q = s.quotes[firstQ]
	}
	for i, p := range next.GetPurchases() {
		if i < len(before) && before[i].GetSource() == p.GetSource() && before[i].GetState() != quotev1.Purchase_NEXT {
			s.bought = append(s.bought, known[i])
			continue
		}
		line := quote.Lines(q)[p.GetLine()-1]
		at := slices.IndexFunc(line.GetOptions(), func(o *quotev1.Option) bool { return o.GetSource() == p.GetSource() })
		s.bought = append(s.bought, repair.Bought{Quote: q, Option: line.GetOptions()[at], Need: line.GetNeed()})
	}
}

func (s *shop) must(steps ...*quotev1.RepairStep) *shop {
	s.t.Helper()
	for _, step := range steps {
		if err := s.record(step); err != nil {
			s.t.Fatalf("in %v: %v: %v", s.order.GetState(), step, err)
		}
	}
	return s
}

// follow lets what follows from a failed check happen.
func (s *shop) follow(f repair.Followed) {
	s.events = append(s.events, repair.Event{Followed: f})
	s.know(repair.Follow(s.order, f))
}

// chooses has what follows after a failed check of a purchase on line 1: the part
// goes back and the next one is held.
func (s *shop) chooses() {
	s.t.Helper()
	f := repair.Followed{Returned: map[int]string{}}
	for i, p := range s.order.GetPurchases() {
		if repair.Unreported(p) {
			f.Returned[i] = p.GetSource() + "-R1"
		}
	}
	for _, line := range repair.Lacking(s.order, s.bought) {
		q := s.quotes[s.order.GetQuote()]
		left := repair.Candidates(s.order, s.bought, q, line)
		if len(left) == 0 {
			f.Notes = append(f.Notes, "Nothing is left.")
			continue
		}
		p := repair.Purchase(q, int(line)-1, left[0], repair.Fitting{}, quotev1.Purchase_NEXT)
		if repair.IsListing(p.GetSource()) {
			p.Hold = &fitmentv1.Hold{Holder: "shop-a", Fence: 3, ExpireTime: timestamppb.New(s.now.Add(72 * time.Hour))}
		}
		f.Next = append(f.Next, p)
	}
	s.follow(f)
}

func diagnosis(reason string, needed ...*fitmentv1.Need) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Diagnosis{Diagnosis: &quotev1.Diagnosis{Needs: needed, Reason: reason}}}
}

func made(name string) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_QuoteMade{QuoteMade: &quotev1.QuoteMade{Quote: name}}}
}

func ordered(name string) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Order{Order: &quotev1.Order{Quote: name}}}
}

// inspected answers the two checks.
func inspected(source string, label, look bool) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_ArrivalInspection{ArrivalInspection: &quotev1.ArrivalInspection{
		Source: source, Results: []*quotev1.CheckResult{{Check: "Read the label.", Passed: label}, {Check: "Look at it.", Passed: look, Note: "as seen"}},
	}}}
}

func next(source string) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_NextPurchase{NextPurchase: &quotev1.NextPurchase{Source: source}}}
}

func settled(source string, refunded int64) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_ReturnSettled{ReturnSettled: &quotev1.ReturnSettled{Source: source, Refunded: refunded}}}
}

func fitting(sources ...string) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Fitting{Fitting: &quotev1.Fitting{
		Sources: sources, Renewed: []string{"2 × anchor bolt"}, ReplacedTogether: []string{"Pigtail"}, Procedure: "Tarvena 69-2-1", MinutesBatteryOff: 15,
	}}}
}

func disposal(way quotev1.Disposal_Way, alter ...func(*quotev1.Disposal)) *quotev1.RepairStep {
	d := &quotev1.Disposal{Kind: buckle, Position: right(), Way: way}
	switch way {
	case quotev1.Disposal_COLLECTED:
		d.Papers = "Haulers 12"
	case quotev1.Disposal_STORED:
		d.Stored, d.StoredSince = 12, "2026-06-01"
	default:
	}
	for _, a := range alter {
		a(d)
	}
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Disposal{Disposal: d}}
}

func proof(alter ...func(*quotev1.Proof)) *quotev1.RepairStep {
	p := &quotev1.Proof{
		LampOnAtKeyOn: true, LampOutAfterCheck: true, LampOutRunning: true, CodesCleared: true, CodesStayedClear: true,
		Loops: []*quotev1.LoopProof{{Kind: buckle, Position: right(), Ohms: new(2.1)}, {Kind: spring, Ohms: new(2.2)}},
	}
	for _, a := range alter {
		a(p)
	}
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Proof{Proof: p}}
}

func closing() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Closing{Closing: &quotev1.Closing{WarrantyDays: 365, WarrantyTerms: "parts and labour"}}}
}

func abandoned() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Abandonment{Abandonment: &quotev1.Abandonment{Reason: "The customer sold the car."}}}
}

// at brings a new order into a state. QUOTED and later have two lines, TO_BUY_NEXT
// the first part failed and the second one held.
func at(tb testing.TB, state quotev1.RepairOrder_State) *shop {
	tb.Helper()
	s := open(tb)
	steps := []*quotev1.RepairStep{
		diagnosis("burnt", needs()...), made(firstQ), ordered(firstQ), inspected(usedA, true, true), inspected(column, true, true),
		fitting(usedA, column), disposal(quotev1.Disposal_COLLECTED), proof(), closing(),
	}
	switch state {
	case quotev1.RepairOrder_TO_BUY_NEXT:
		s.must(steps[:3]...).must(inspected(usedA, true, false))
		s.chooses()
	case quotev1.RepairOrder_ABANDONED:
		s.must(abandoned())
	default:
		for s.order.GetState() != state {
			s.must(steps[0])
			steps = steps[1:]
		}
	}
	if s.order.GetState() != state {
		tb.Fatalf("the order is %v, wanted %v", s.order.GetState(), state)
	}
	return s
}

// refusal demands a refusal that says all of these.
func refusal(t *testing.T, err error, says ...string) {
	t.Helper()
	if status.Code(err) != codes.FailedPrecondition || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_STEP_REFUSED {
		t.Errorf("got %v (%s), want a refusal", err, apierr.ReasonOf(err))
		return
	}
	for _, text := range says {
		if !strings.Contains(err.Error(), text) {
			t.Errorf("%v does not say %q", err, text)
		}
	}
}

// wrong demands an error naming this field, and saying so.
func wrong(t *testing.T, err error, field string, says ...string) {
	t.Helper()
	list := apierr.Violations(err)
	if len(list) == 0 || !slices.ContainsFunc(list, func(v apierr.Violation) bool { return v.Field == field }) {
		t.Errorf("got %v, want an error of %s", err, field)
		return
	}
	for _, text := range says {
		if !strings.Contains(fmt.Sprint(list), text) {
			t.Errorf("%v does not say %q", list, text)
		}
	}
}
