package server_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/store"
)

// job is one repair order of shop-a's.
type job struct {
	*world

	order *quotev1.RepairOrder
}

// openJob opens an order for the usual vehicle.
func (w *world) openJob() *job {
	w.t.Helper()
	answer, err := w.CreateRepairOrder(as(w.t, "shop-a"), &quotev1.CreateRepairOrderRequest{
		Vehicle: need().GetVehicle(), Customer: "C-7", Complaint: "The restraint lamp stays on.", RequestId: uuid.NewString(),
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return &job{w, answer.GetRepairOrder()}
}

func (j *job) request(step *quotev1.RepairStep) *quotev1.RecordRepairStepRequest {
	if step.GetBy() == "" {
		step.By = "Kim"
	}
	return &quotev1.RecordRepairStepRequest{Name: j.order.GetName(), Etag: j.order.GetEtag(), Step: step, RequestId: uuid.NewString()}
}

// try records a step; where it is refused the order is read again.
func (j *job) try(step *quotev1.RepairStep) error {
	return j.send(j.request(step))
}

func (j *job) send(request *quotev1.RecordRepairStepRequest) error {
	answer, err := j.RecordRepairStep(as(j.t, "shop-a"), request)
	if err != nil {
		j.read()
		return err
	}
	j.order = answer.GetRepairOrder()
	return nil
}

func (j *job) do(steps ...*quotev1.RepairStep) *job {
	j.t.Helper()
	for _, step := range steps {
		if err := j.try(step); err != nil {
			j.t.Fatalf("in %v: %v: %v", j.order.GetState(), step, err)
		}
	}
	return j
}

func (j *job) read() {
	j.t.Helper()
	answer, err := j.GetRepairOrder(as(j.t, "shop-a"), &quotev1.GetRepairOrderRequest{Name: j.order.GetName()})
	if err != nil {
		j.t.Fatal(err)
	}
	j.order = answer.GetRepairOrder()
}

// purchases are the order's parts and what became of them.
func (j *job) purchases() string {
	var list []string
	for _, p := range j.order.GetPurchases() {
		list = append(list, strings.TrimPrefix(strings.TrimPrefix(p.GetSource(), "listings/"), "offers/")+" "+p.GetState().String())
	}
	return strings.Join(list, ", ")
}

func (j *job) wantPurchases(want string) {
	j.t.Helper()
	if got := j.purchases(); got != want {
		j.t.Errorf("purchases %s, want %s; next %q", got, want, j.order.GetNext())
	}
}

func readStep() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Diagnosis{Diagnosis: &quotev1.Diagnosis{
		Read:  &fitmentv1.AssessFaultRequest{Readings: []*fitmentv1.Reading{{Kind: buckle, Position: need().GetPosition(), OverRange: true}}},
		Needs: []*fitmentv1.Need{need()},
	}}}
}

func madeStep(q *quotev1.Quote) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_QuoteMade{QuoteMade: &quotev1.QuoteMade{Quote: q.GetName()}}}
}

func orderStep(q *quotev1.Quote) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Order{Order: &quotev1.Order{Quote: q.GetName()}}}
}

// arrives answers the checks that a purchase of the order asks for.
func (j *job) arrives(source string, passed bool) *quotev1.RepairStep {
	inspection := &quotev1.ArrivalInspection{Source: source}
	for _, p := range j.order.GetPurchases() {
		if p.GetSource() != source || p.GetState() != quotev1.Purchase_BOUGHT {
			continue
		}
		for i, c := range p.GetArrivalChecks() {
			inspection.Results = append(inspection.Results, &quotev1.CheckResult{Check: c.GetCheck(), Passed: passed || i > 0, Note: "as seen"})
		}
		break
	}
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_ArrivalInspection{ArrivalInspection: inspection}}
}

func nextStep(source string) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_NextPurchase{NextPurchase: &quotev1.NextPurchase{Source: source}}}
}

func settledStep(source string, refunded int64) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_ReturnSettled{ReturnSettled: &quotev1.ReturnSettled{Source: source, Refunded: refunded}}}
}

func fittingStep(sources ...string) *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Fitting{Fitting: &quotev1.Fitting{Sources: sources, Procedure: "Alder 69-2"}}}
}

func disposalStep() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Disposal{Disposal: &quotev1.Disposal{
		Kind: buckle, Position: need().GetPosition(), Way: quotev1.Disposal_COLLECTED, Papers: "Haulers 12",
	}}}
}

func proofStep() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Proof{Proof: &quotev1.Proof{
		LampOnAtKeyOn: true, LampOutAfterCheck: true, LampOutRunning: true, CodesCleared: true, CodesStayedClear: true,
		Loops: []*quotev1.LoopProof{{Kind: buckle, Position: need().GetPosition(), Ohms: new(2.1)}},
	}}}
}

func closingStep() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Closing{Closing: &quotev1.Closing{WarrantyDays: 365}}}
}

func abandonStep() *quotev1.RepairStep {
	return &quotev1.RepairStep{Step: &quotev1.RepairStep_Abandonment{Abandonment: &quotev1.Abandonment{Reason: "The customer sold the car."}}}
}

// orderedJob is an order whose part is bought: of three yards and a new part, the
// cheapest first. The customer allowed more than any of them costs.
func orderedJob(t *testing.T) *job {
	t.Helper()
	w := newWorld(t)
	for i, yard := range []string{"yard-a", "yard-b", "yard-c"} {
		d := decision(yes, yes)
		d.ArrivalChecks = dueChecks()
		w.listDecided(yard, "1", int64(100_00+i*10_00), d)
	}
	w.match("NB-40118", yes, yes)
	w.offer("n", quotev1.Offer_NEW, 400_00)
	q := w.prepare()
	if q.GetHeldListing() != "listings/yard-a.1" {
		t.Fatalf("the quote holds %s", q.GetHeldListing())
	}
	if _, err := w.AcceptQuote(as(t, "shop-a"), &quotev1.AcceptQuoteRequest{
		Name: q.GetName(), RequestId: uuid.NewString(), Authorization: &quotev1.Authorization{
			By: "C-7", Method: quotev1.Authorization_SIGNED, Time: timestamppb.New(w.clock.Now()), UpTo: 5000_00,
		},
	}); err != nil {
		t.Fatal(err)
	}
	return w.openJob().do(readStep(), madeStep(q), orderStep(q))
}

const (
	partA = "listings/yard-a.1"
	partB = "listings/yard-b.1"
	partC = "listings/yard-c.1"
	partN = "offers/northline.n"
)

// chance is what a quote would give the yard, and how many outcomes are missing.
func (w *world) chance(source string) (float64, int32) {
	w.t.Helper()
	answer, err := w.PrepareQuote(as(w.t, "shop-a"), &quotev1.PrepareQuoteRequest{Need: need(), CurrencyCode: "USD", DryRun: true})
	if err != nil {
		w.t.Fatal(err)
	}
	for _, o := range answer.GetQuote().GetOptions() {
		if o.GetSource() == source {
			return o.GetPassProbability(), o.GetUnreported()
		}
	}
	w.t.Fatalf("%s is no option: %v", source, answer.GetQuote().GetExcluded())
	return 0, 0
}

func (w *world) outcomes() []*quotev1.Outcome {
	w.t.Helper()
	answer, err := w.ListOutcomes(as(w.t, "shop-a"), &quotev1.ListOutcomesRequest{})
	if err != nil {
		w.t.Fatal(err)
	}
	return answer.GetOutcomes()
}

func TestTheClosedLoop(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	if j.order.GetNumber() != "R-2026-000001" || j.order.GetName() != "repairOrders/R-2026-000001" || j.order.GetState() != quotev1.RepairOrder_ORDERED {
		t.Errorf("order %v", j.order)
	}
	if d := j.order.GetSteps()[0].GetDiagnosis(); d.GetAssessed().GetPurchase() != fitmentv1.AssessFaultResponse_JUSTIFIED || !proto.Equal(d.GetRead().GetVehicle(), need().GetVehicle()) {
		t.Errorf("diagnosis %v", d)
	}
	another := j.list("yard-a", "2", 105_00)
	before, unreported := j.chance(another)
	if unreported != 1 {
		t.Errorf("of what was bought %d outcomes are missing, want 1", unreported)
	}
	j.do(j.arrives(partA, false))
	j.wantPurchases("yard-a.1 RETURNING, yard-b.1 NEXT")
	if p := j.order.GetPurchases()[0]; p.GetReturnedAs() != partA+"-R1" || p.GetRefundDue() != 100_00 {
		t.Errorf("it comes back as %q for %d", p.GetReturnedAs(), p.GetRefundDue())
	}
	if l := j.fake.listing(partB); l.GetState() != fitmentv1.Listing_HELD || l.GetHold().GetFence() != j.order.GetPurchases()[1].GetHold().GetFence() {
		t.Errorf("the next one is %v", l)
	}
	after, unreported := j.chance(another)
	if !(after < before) || unreported != 0 {
		t.Errorf("the yard's chance was %g and is %g after a failure, %d unreported", before, after, unreported)
	}
	if got := j.outcomes(); len(got) != 1 || got[0].GetResult() != quotev1.Outcome_FAILED || got[0].GetQuote() != j.order.GetQuote() || !strings.Contains(got[0].GetNote(), "Read the label.") {
		t.Errorf("outcomes %v", got)
	}
	paid := func() error {
		_, err := j.RecordEntry(as(t, "shop-a"), booking(&quotev1.Quote{Name: j.order.GetQuote()}, quotev1.Entry_PAID, 1, partB))
		return err
	}
	if err := paid(); fieldsIn(err) == nil || !strings.Contains(fmt.Sprint(status.Convert(err).Details()), "what was bought: "+partA) {
		t.Errorf("paid for before it is bought: %v", err)
	}
	j.do(nextStep(partB))
	if err := paid(); err != nil {
		t.Errorf("paid for the next part: %v", err)
	}
	if l := j.fake.listing(partB); l.GetState() != fitmentv1.Listing_SOLD || l.GetBuyer() != "shop-a" {
		t.Errorf("the next one is %v", l)
	}
	if _, unreported := j.chance(j.list("yard-b", "2", 105_00)); unreported != 1 {
		t.Errorf("of the second yard %d outcomes are missing, want 1", unreported)
	}
	refused(t, j.try(settledStep(partA, 90_00)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED) // nothing is booked as paid
	j.book(&quotev1.RecordEntryRequest{RequestId: uuid.NewString(), Entry: &quotev1.Entry{
		Kind: quotev1.Entry_PAID, Quote: j.order.GetQuote(), Source: partA, Amount: 110_00, Day: "2026-03-10",
	}})
	j.do(settledStep(partA, 90_00), j.arrives(partB, true), fittingStep(partB), disposalStep(), proofStep(), closingStep())
	j.wantPurchases("yard-a.1 RETURNED, yard-b.1 FITTED")
	if j.order.GetState() != quotev1.RepairOrder_CLOSED || len(j.order.GetNext()) != 0 {
		t.Errorf("closed as %v, next %q", j.order.GetState(), j.order.GetNext())
	}
	refused(t, j.try(abandonStep()), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	if got := j.outcomes(); len(got) != 2 || got[1].GetResult() != quotev1.Outcome_PASSED {
		t.Errorf("outcomes %v", got)
	}
	entries, err := j.ListEntries(as(t, "shop-a"), &quotev1.ListEntriesRequest{Quote: j.order.GetQuote()})
	if err != nil {
		t.Fatal(err)
	}
	if got := entries.GetEntries(); len(got) != 3 || got[2].GetKind() != quotev1.Entry_REFUNDED || got[2].GetAmount() != 90_00 || got[2].GetSource() != partA {
		t.Errorf("the books say %v", got)
	}
}

// What is lost on the way to the fitment side: the inspection stands, and what
// follows from it is done by repeating the request, or by any other step.
func TestAFitmentSideThatIsDownInTheMiddle(t *testing.T) {
	t.Parallel()
	down := func(string) error { return status.Error(codes.Unavailable, "down") }
	for _, method := range []string{"ReturnListing", "HoldListing", "Decide", "GetListing"} {
		for _, when := range []string{"before", "after"} {
			for _, by := range []string{"the same request", "another step"} {
				j := orderedJob(t)
				fail := map[string]map[string]func(string) error{"before": j.fake.before, "after": j.fake.after}[when]
				j.fake.set(func() { fail[method] = down })
				inspection := j.request(j.arrives(partA, false))
				if err := j.send(inspection); err != nil {
					t.Fatalf("%s %s: %v", when, method, err)
				}
				if p := j.order.GetPurchases(); len(p) != 1 || p[0].GetState() != quotev1.Purchase_RETURNING || j.order.GetState() != quotev1.RepairOrder_TO_BUY_NEXT {
					t.Errorf("%s %s: %v", when, method, j.order)
				}
				if text := strings.Join(j.order.GetNext(), " "); (j.order.GetPurchases()[0].GetReturnedAs() == "") != strings.Contains(text, "not told yet") {
					t.Errorf("%s %s: next %q", when, method, text)
				}
				if n := len(j.outcomes()); n != 1 {
					t.Errorf("%s %s: %d outcomes", when, method, n)
				}
				j.fake.set(func() { delete(fail, method) })
				if by == "the same request" {
					if err := j.send(inspection); err != nil {
						t.Fatal(err)
					}
				} else {
					refused(t, j.try(nextStep("listings/yard-z.1")), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
				}
				j.wantPurchases("yard-a.1 RETURNING, yard-b.1 NEXT")
				if got := j.order.GetPurchases()[0].GetReturnedAs(); got != partA+"-R1" {
					t.Errorf("%s %s: came back as %q", when, method, got)
				}
				if n := len(j.outcomes()); n != 1 {
					t.Errorf("%s %s: %d outcomes after the repeat", when, method, n)
				}
				if held := j.held(); len(held) != 1 || held[0] != partB {
					t.Errorf("%s %s: held are %v", when, method, held)
				}
			}
		}
	}
}

// held are the listings that the shop holds.
func (w *world) held() []string {
	var names []string
	w.fake.set(func() {
		for name, d := range w.fake.donors {
			if w.fake.state(d.GetListing()) == fitmentv1.Listing_HELD {
				names = append(names, name)
			}
		}
	})
	slices.Sort(names)
	return names
}

func TestADiagnosisNeedsTheFitmentSide(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	j := w.openJob()
	w.fake.set(func() {
		w.fake.before["AssessFault"] = func(string) error { return status.Error(codes.Unavailable, "down") }
	})
	refused(t, j.try(readStep()), codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	if j.order.GetState() != quotev1.RepairOrder_RECEIVED || len(j.order.GetSteps()) != 0 {
		t.Errorf("something was recorded: %v", j.order)
	}
	w.fake.set(func() { delete(w.fake.before, "AssessFault") })
	empty := readStep()
	empty.GetDiagnosis().Read.Readings = nil
	err := j.try(empty)
	if v := apierr.Violations(err); len(v) != 1 || v[0].Field != "step.diagnosis.read.codes" {
		t.Errorf("got %v", err)
	}
	other := readStep()
	other.GetDiagnosis().Read.Vehicle = &fitmentv1.Vehicle{Make: "Alder", Model: "Merlin"}
	err = j.try(other)
	if v := apierr.Violations(err); len(v) != 1 || v[0].Field != "step.diagnosis.read.vehicle" {
		t.Errorf("got %v", err)
	}
	bare := readStep()
	bare.GetDiagnosis().Read = nil
	err = j.try(bare)
	if v := apierr.Violations(err); len(v) != 1 || v[0].Field != "step.diagnosis.reason" {
		t.Errorf("got %v", err)
	}
	bare.GetDiagnosis().Reason = "The buckle does not latch."
	j.do(bare)
	if n := w.fake.count("AssessFault"); n != 2 {
		t.Errorf("the fitment side was asked %d times", n)
	}
}

// Of two clients that record at once, one gets through, and it counts once.
func TestTwoClientsAtOnce(t *testing.T) {
	t.Parallel()
	for _, same := range []bool{false, true} {
		j := orderedJob(t)
		errs := make([]error, 8)
		one := j.request(j.arrives(partA, false))
		var running sync.WaitGroup
		for i := range errs {
			request := proto.CloneOf(one)
			if !same {
				request.RequestId = uuid.NewString()
			}
			running.Go(func() { _, errs[i] = j.RecordRepairStep(as(t, "shop-a"), request) })
		}
		running.Wait()
		through := 0
		for _, err := range errs {
			if err == nil {
				through++
			} else {
				refused(t, err, codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE)
			}
		}
		if want := map[bool]int{false: 1, true: len(errs)}[same]; through != want {
			t.Errorf("same request %v: %d went through, want %d", same, through, want)
		}
		j.read()
		j.wantPurchases("yard-a.1 RETURNING, yard-b.1 NEXT")
		if n := len(j.outcomes()); n != 1 || len(j.order.GetSteps()) != 4 {
			t.Errorf("%d outcomes, %d steps", n, len(j.order.GetSteps()))
		}
		if held := j.held(); len(held) != 1 || held[0] != partB {
			t.Errorf("held are %v", held)
		}
	}
}

// A store that does not say whether it stored: the sale is made once, and repeating
// the request completes the purchase.
func TestAHalfDonePurchaseIsCompleted(t *testing.T) {
	t.Parallel()
	for _, before := range []bool{true, false} {
		for _, wait := range []time.Duration{0, 100 * time.Hour} { // the hold has run out by then
			j := orderedJob(t)
			j.do(j.arrives(partA, false))
			j.store.failWith(func(changes []store.Change) (bool, error) {
				for _, change := range changes {
					if strings.Contains(change.Puts[0].Key.Kind, "repair-order") {
						return before, errors.New("a broken disk")
					}
				}
				return false, nil
			})
			request := j.request(nextStep(partB))
			_, err := j.RecordRepairStep(as(t, "shop-a"), request)
			refused(t, err, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
			if l := j.fake.listing(partB); l.GetState() != fitmentv1.Listing_SOLD {
				t.Fatalf("the listing is %v", l.GetState())
			}
			j.store.failWith(nil)
			j.clock.Advance(wait)
			err = j.send(request)
			if forgotten := !before && wait > store.RequestIDTTL; forgotten { // it was stored, and reading again shows so
				refused(t, err, codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE)
			} else if err != nil {
				t.Fatalf("stored %v, after %v: %v", !before, wait, err)
			}
			j.wantPurchases("yard-a.1 RETURNING, yard-b.1 BOUGHT")
			if n := j.fake.count("SellListing"); before && n > 4 {
				t.Errorf("sold %d times", n)
			}
		}
	}
}

func TestAHoldThatRanOutIsTakenAnew(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	j.do(j.arrives(partA, false))
	fence := j.order.GetPurchases()[1].GetHold().GetFence()
	j.clock.Advance(73 * time.Hour)
	j.do(nextStep(partB))
	j.wantPurchases("yard-a.1 RETURNING, yard-b.1 BOUGHT")
	if got := j.fake.listing(partB).GetHold().GetFence(); got <= fence {
		t.Errorf("bought under fence %d, after %d", got, fence)
	}
}

// What cannot be had any more is passed over, and the order says why.
func TestWhatThePlanPassesOver(t *testing.T) {
	t.Parallel()
	for says, spoil := range map[string]func(*job){
		"does not fit: a.fit: fit reason": func(j *job) { j.fake.donors[partB].Decision = decision(no, yes) },
		"is sold": func(j *job) {
			j.fake.donors[partB].Listing.State, j.fake.donors[partB].Listing.Buyer = fitmentv1.Listing_SOLD, "shop-b"
		},
		"held by another business": func(j *job) { j.fake.holdFor(j.fake.donors[partB].GetListing(), "shop-b", time.Hour) },
		"price 110.01 instead":     func(j *job) { j.fake.donors[partB].Listing.Price = 110_01 },
	} {
		j := orderedJob(t)
		j.fake.set(func() { spoil(j) })
		j.do(j.arrives(partA, false))
		j.wantPurchases("yard-a.1 RETURNING, yard-c.1 NEXT")
		if text := strings.Join(j.order.GetNext(), " "); !strings.Contains(text, "Passed over: "+partB) || !strings.Contains(strings.ReplaceAll(text, "a, fit", "a.fit"), says) {
			t.Errorf("%s: next %q", says, text)
		}
		if held := j.held(); slices.Contains(held, partB) && says != "held by another business" {
			t.Errorf("%s: held are %v", says, held)
		}
	}
}

// What was held and cannot be bought any more makes room for what comes after it.
func TestWhatWasHeldAndIsLost(t *testing.T) {
	t.Parallel()
	for name, spoil := range map[string]func(*job){
		"a recall came": func(j *job) { j.fake.donors[partB].Decision = decision(yes, no) },
		"somebody let go": func(j *job) {
			j.fake.donors[partB].Listing.State = fitmentv1.Listing_AVAILABLE
			j.fake.holdFor(j.fake.donors[partB].GetListing(), "shop-b", time.Hour)
		},
		"the yard sold it": func(j *job) {
			j.fake.donors[partB].Listing.State, j.fake.donors[partB].Listing.Buyer = fitmentv1.Listing_SOLD, "shop-b"
		},
	} {
		j := orderedJob(t)
		j.do(j.arrives(partA, false))
		j.fake.set(func() { spoil(j) })
		refused(t, j.try(nextStep(partB)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
		j.wantPurchases("yard-a.1 RETURNING, yard-c.1 NEXT")
		if held := j.held(); slices.Contains(held, partB) != (name == "somebody let go") || !slices.Contains(held, partC) {
			t.Errorf("%s: held are %v", name, held)
		}
		j.do(nextStep(partC))
	}
}

// A part whose purchase was not stored is not lost by giving the order up.
func TestGivingUpLosesNothingBought(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	j.do(j.arrives(partA, false))
	j.store.failWith(func(changes []store.Change) (bool, error) {
		if strings.Contains(changes[0].Puts[0].Key.Kind, "repair-order") {
			return true, errors.New("a broken disk")
		}
		return false, nil
	})
	refused(t, j.try(nextStep(partB)), codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN)
	j.store.failWith(nil)
	for _, step := range []*quotev1.RepairStep{abandonStep(), readStep(), madeStep(j.get(j.order.GetQuote()))} {
		refused(t, j.try(step), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	}
	j.do(nextStep(partB), abandonStep())
	j.wantPurchases("yard-a.1 RETURNING, yard-b.1 BOUGHT")
}

func TestWhenNothingIsLeft(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	j.do(j.arrives(partA, false), nextStep(partB))
	j.do(j.arrives(partB, false), nextStep(partC))
	j.do(j.arrives(partC, false))
	j.wantPurchases("yard-a.1 RETURNING, yard-b.1 RETURNING, yard-c.1 RETURNING, northline.n NEXT")
	// 16 CCR 3353: the customer's word is asked for a new part, too. (Without a customer
	// nothing bounds what is spent.)
	record, q := j.stored(j.order.GetQuote())
	q.Authorization = nil
	j.keep(record, q)
	j.rewrite(func(order *quotev1.RepairOrder) { order.Customer = "" })
	j.read()
	ask := func(asked ...*fitmentv1.Obligation) {
		j.fake.set(func() {
			for _, part := range j.fake.parts {
				part.Obligations = asked
			}
		})
	}
	ask(&fitmentv1.Obligation{Type: fitmentv1.Obligation_CONSENT, Text: "The customer authorizes the work.", Source: "16 CCR 3353"})
	refused(t, j.try(nextStep(partN)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	ask()
	j.do(nextStep(partN))
	j.do(j.arrives(partN, false))
	if text := strings.Join(j.order.GetNext(), " "); j.order.GetState() != quotev1.RepairOrder_TO_BUY_NEXT || !strings.Contains(text, "Nothing is left on the plan of line 1") {
		t.Errorf("%v, next %q", j.order.GetState(), text)
	}
	if n := len(j.outcomes()); n != 4 {
		t.Errorf("%d outcomes", n)
	}
	// A new quote goes on: the same supplier's item may be bought again.
	j.list("yard-d", "1", 90_00)
	second := j.prepare()
	if _, err := j.accept(second); err != nil {
		t.Fatal(err)
	}
	j.do(madeStep(second), orderStep(second))
	j.do(j.arrives("listings/yard-d.1", false), nextStep(partN))
	j.do(j.arrives(partN, true), settledStep(partN, 0))
	var names []string
	for _, o := range j.outcomes() {
		names = append(names, o.GetName()+" "+o.GetResult().String())
	}
	for _, want := range []string{"outcomes/offers.northline.n.Q-2026-000001 FAILED", "outcomes/offers.northline.n.Q-2026-000002 PASSED", "outcomes/listings.yard-d.1 FAILED"} {
		if !slices.Contains(names, want) {
			t.Errorf("no %s in %v", want, names)
		}
	}
	j.do(settledStep(partA, 0), settledStep(partB, 0), settledStep(partC, 0), settledStep("listings/yard-d.1", 0))
	j.do(fittingStep(partN), disposalStep(), proofStep(), closingStep())
}

func TestWhatTheCustomerAllowedBindsThePlan(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	j.do(j.arrives(partA, false))
	record, q := j.stored(j.order.GetQuote())
	q.Authorization = &quotev1.Authorization{By: "C-7", UpTo: 110_00}
	j.keep(record, q)
	refused(t, j.try(nextStep(partB)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	record, q = j.stored(j.order.GetQuote())
	q.Authorization = nil // a customer who is not asked allowed what was accepted, and no more
	j.keep(record, q)
	refused(t, j.try(nextStep(partB)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	if l := j.fake.listing(partB); l.GetState() != fitmentv1.Listing_HELD {
		t.Errorf("beyond what was allowed the listing became %v", l.GetState())
	}
	q.Authorization = &quotev1.Authorization{By: "C-7", UpTo: 1000_00}
	record, _ = j.stored(j.order.GetQuote())
	j.keep(record, q)
	j.do(nextStep(partB))
}

// stored is a quote as it is stored.
func (w *world) stored(name string) (store.Record, *quotev1.Quote) {
	w.t.Helper()
	record, err := w.store.Get(w.t.Context(), store.Key{Tenant: "shop-a", Kind: "quote", ID: strings.TrimPrefix(name, "quotes/")})
	if err != nil {
		w.t.Fatal(err)
	}
	q := &quotev1.Quote{}
	if err := proto.Unmarshal(record.Value, q); err != nil {
		w.t.Fatal(err)
	}
	return record, q
}

func (w *world) keep(record store.Record, q *quotev1.Quote) {
	w.t.Helper()
	raw, err := proto.Marshal(q)
	if err != nil {
		w.t.Fatal(err)
	}
	applied, err := w.store.Apply(w.t.Context(), store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}})
	if err != nil || applied[0].Err != nil {
		w.t.Fatal(err, applied)
	}
}

// A quote that an earlier build stored names no checks, and nobody counted what it
// bought.
func TestAQuoteOfAnEarlierBuild(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	d := decision(yes, yes)
	d.ArrivalChecks = dueChecks()
	d.OneUse = []*fitmentv1.Part_OneUse{{Text: "anchor bolt", Quantity: 1}}
	w.listDecided("yard-a", "1", 100_00, d)
	q := w.prepare()
	if _, err := w.accept(q); err != nil {
		t.Fatal(err)
	}
	record, old := w.stored(q.GetName())
	for _, o := range old.GetOptions() {
		o.ArrivalChecks, o.OneUse, o.ReplaceWith, o.WarrantyDays = nil, nil, nil, 0
	}
	old.Total, old.Version, old.Workings = nil, 0, nil
	w.keep(record, old)
	j := w.openJob().do(readStep(), madeStep(q), orderStep(q))
	p := j.order.GetPurchases()[0]
	if diff := cmp.Diff(dueChecks(), p.GetArrivalChecks(), protocmp.Transform()); diff != "" || !slices.Equal(p.GetOneUse(), []string{"1 × anchor bolt"}) {
		t.Errorf("one use %q, checks:\n%s", p.GetOneUse(), diff)
	}
	j.do(j.arrives(partA, true))
	if j.order.GetState() != quotev1.RepairOrder_ARRIVED {
		t.Errorf("the order is %v", j.order.GetState())
	}
}

func TestAQuoteIsOrderedOnce(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	q := j.get(j.order.GetQuote())
	other := j.openJob().do(readStep(), madeStep(q))
	refused(t, other.try(orderStep(q)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	if other.order.GetNumber() != "R-2026-000002" || len(other.order.GetPurchases()) != 0 {
		t.Errorf("order %v", other.order)
	}
	err := other.try(madeStep(&quotev1.Quote{Name: "quotes/nothing"}))
	if v := apierr.Violations(err); len(v) != 1 || v[0].Field != "step.quote_made.quote" {
		t.Errorf("got %v", err)
	}
}

func TestAnOutcomeThatIsOnRecord(t *testing.T) {
	t.Parallel()
	report := func(j *job, result quotev1.Outcome_Result) {
		t.Helper()
		_, err := j.RecordOutcome(as(t, "shop-a"), &quotev1.RecordOutcomeRequest{RequestId: uuid.NewString(), Outcome: &quotev1.Outcome{
			Source: partA, Condition: quotev1.Offer_USED, Kind: buckle, Result: result, Quote: j.order.GetQuote(),
		}})
		if err != nil {
			t.Fatal(err)
		}
	}
	j := orderedJob(t)
	report(j, quotev1.Outcome_FAILED)
	refused(t, j.try(j.arrives(partA, true)), codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED)
	j.do(j.arrives(partA, false))
	if n := len(j.outcomes()); n != 1 {
		t.Errorf("%d outcomes", n)
	}
	if _, unreported := j.chance(j.list("yard-a", "2", 105_00)); unreported != 0 {
		t.Errorf("%d unreported", unreported)
	}
}

func TestGivingUpReleasesWhatIsHeld(t *testing.T) {
	t.Parallel()
	j := orderedJob(t)
	j.do(j.arrives(partA, false))
	j.do(abandonStep())
	j.wantPurchases("yard-a.1 RETURNING")
	if held := j.held(); len(held) != 0 {
		t.Errorf("held are %v", held)
	}
	// A hold that cannot be released ends by itself.
	j = orderedJob(t)
	j.do(j.arrives(partA, false))
	j.fake.set(func() {
		j.fake.before["ReleaseListing"] = func(string) error { return status.Error(codes.Unavailable, "down") }
	})
	j.do(abandonStep())
	j.clock.Advance(72 * time.Hour)
	if held := j.held(); len(held) != 0 {
		t.Errorf("held are %v", held)
	}
}

func TestOrdersAreListedAndFound(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i := range 7 {
		j := w.openJob()
		if i%2 == 0 {
			j.do(abandonStep())
		}
	}
	var got []string
	request := &quotev1.ListRepairOrdersRequest{PageSize: 3, State: quotev1.RepairOrder_ABANDONED}
	for {
		answer, err := w.ListRepairOrders(as(t, "shop-a"), request)
		if err != nil {
			t.Fatal(err)
		}
		for _, order := range answer.GetRepairOrders() {
			got = append(got, order.GetNumber())
			if order.GetEtag() == "" {
				t.Error("no etag")
			}
		}
		if request.PageToken = answer.GetNextPageToken(); request.GetPageToken() == "" {
			break
		}
	}
	if want := []string{"R-2026-000001", "R-2026-000003", "R-2026-000005", "R-2026-000007"}; !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
	all, err := w.ListRepairOrders(as(t, "shop-a"), &quotev1.ListRepairOrdersRequest{})
	if err != nil || len(all.GetRepairOrders()) != 7 {
		t.Errorf("%d orders, %v", len(all.GetRepairOrders()), err)
	}
	theirs, err := w.ListRepairOrders(as(t, "shop-b"), &quotev1.ListRepairOrdersRequest{})
	if err != nil || len(theirs.GetRepairOrders()) != 0 {
		t.Errorf("another business sees %v, %v", theirs.GetRepairOrders(), err)
	}
	_, err = w.GetRepairOrder(as(t, "shop-b"), &quotev1.GetRepairOrderRequest{Name: "repairOrders/R-2026-000001"})
	refused(t, err, codes.NotFound, fitmentv1.ErrorInfo_NOT_FOUND)
	_, err = w.GetRepairOrder(as(t, "shop-a"), &quotev1.GetRepairOrderRequest{Name: "orders/1"})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	_, err = w.ListRepairOrders(as(t, "shop-a"), &quotev1.ListRepairOrdersRequest{State: 99})
	refused(t, err, codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
}

func TestWritesOfOrdersAreSafeToRepeat(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	create := &quotev1.CreateRepairOrderRequest{Vehicle: need().GetVehicle(), Complaint: "x", RequestId: uuid.NewString()}
	first, err := w.CreateRepairOrder(as(t, "shop-a"), create)
	if err != nil {
		t.Fatal(err)
	}
	again, err := w.CreateRepairOrder(as(t, "shop-a"), create)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first, again, protocmp.Transform()); diff != "" {
		t.Error(diff)
	}
	create.Complaint = "y"
	_, err = w.CreateRepairOrder(as(t, "shop-a"), create)
	refused(t, err, codes.FailedPrecondition, fitmentv1.ErrorInfo_REQUEST_ID_REUSED)
	_, err = w.CreateRepairOrder(as(t, "shop-a"), &quotev1.CreateRepairOrderRequest{RequestId: "x"})
	if got := fmt.Sprint(len(apierr.Violations(err))); got != "3" {
		t.Errorf("%s fields: %v", got, err)
	}
	j := &job{w, first.GetRepairOrder()}
	request := j.request(readStep())
	if err := j.send(request); err != nil {
		t.Fatal(err)
	}
	etag := j.order.GetEtag()
	if err := j.send(request); err != nil || j.order.GetEtag() != etag || len(j.order.GetSteps()) != 1 {
		t.Errorf("the repeat: %v, %v", err, j.order)
	}
	request.RequestId = uuid.NewString()
	refused(t, j.send(request), codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE)
	request.Etag = ""
	refused(t, j.send(request), codes.InvalidArgument, fitmentv1.ErrorInfo_FIELD_INVALID)
	if _, err := w.CreateRepairOrder(t.Context(), create); status.Code(err) != codes.Unauthenticated {
		t.Errorf("nobody in particular: %v", err)
	}
}

// Numbers have no gaps, however many are opened at once and however often a store
// does not say whether it stored.
func TestNumbersOfOrdersHaveNoGaps(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var running sync.WaitGroup
	for range 20 {
		running.Go(func() {
			_, err := w.CreateRepairOrder(as(t, "shop-a"), &quotev1.CreateRepairOrderRequest{Vehicle: need().GetVehicle(), Complaint: "x", RequestId: uuid.NewString()})
			if err != nil {
				t.Error(err)
			}
		})
	}
	running.Wait()
	all, err := w.ListRepairOrders(as(t, "shop-a"), &quotev1.ListRepairOrdersRequest{PageSize: 100})
	if err != nil {
		t.Fatal(err)
	}
	for i, order := range all.GetRepairOrders() {
		if want := fmt.Sprintf("R-2026-%06d", i+1); order.GetNumber() != want {
			t.Errorf("got %s, want %s", order.GetNumber(), want)
		}
	}
}
