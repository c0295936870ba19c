package server

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/quote/books"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/repair"
	"beltwright.example/services/store"
)

// RecordRepairStep records one step of the work.
//
// The step itself is one change of the store, together with what it counts, books
// and reports. What follows from a failed check lies with others: the yard is told
// that its part comes back, and what the plan tries next is held. Where the fitment
// side does not answer, the step stands and the order says what is still to be
// done; repeating the request, or recording any other step, does it.
func (s *Server) RecordRepairStep(ctx context.Context, request *quotev1.RecordRepairStepRequest) (*quotev1.RecordRepairStepResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	requests.ID(&fields, request.GetRequestId())
	fields.Text("etag", request.GetEtag(), 40, true)
	if err := fields.Err(); err != nil {
		return nil, err
	}
	w, before, err := s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err == nil && !before.Replayed {
		err = s.recordStep(ctx, w, request)
	}
	if err != nil {
		return nil, err
	}
	record, order, err := s.loadOrder(ctx, who.Tenant, request.GetName())
	if err != nil {
		return nil, err
	}
	record, order, _ = s.followed(ctx, who.Tenant, record, order) // the step stands all the same
	place, err := s.placeOf(ctx, record.Version)
	return &quotev1.RecordRepairStepResponse{RepairOrder: order, Revision: place}, err
}

// followed does what is still to follow, as far as it can be done now; the error
// says what kept the rest.
func (s *Server) followed(ctx context.Context, tenant string, record store.Record, order *quotev1.RepairOrder) (store.Record, *quotev1.RepairOrder, error) {
	next, after, err := s.followUp(ctx, tenant, record, order)
	if err != nil {
		s.log.WarnContext(ctx, "what follows from a failed arrival check is not done yet", "order", order.GetName(), "error", err)
	}
	return next, after, err
}

// leaves tells whether a step takes back what is to be bought next. What is held for
// it must be known first, or it would stay held.
func leaves(step *quotev1.RepairStep) bool {
	switch step.GetStep().(type) {
	case *quotev1.RepairStep_Diagnosis, *quotev1.RepairStep_QuoteMade, *quotev1.RepairStep_Abandonment:
		return true
	}
	return false
}

// recordStep tries the step until it goes through or fails for good. What is still
// to follow from an earlier step is done first; the caller's etag is that of the
// order before it.
func (s *Server) recordStep(ctx context.Context, w write, request *quotev1.RecordRepairStepRequest) error {
	known := request.GetEtag()
	for range conflictTries {
		record, order, err := s.loadOrder(ctx, w.tenant, request.GetName())
		if err != nil {
			return err
		}
		if order.GetEtag() != known {
			// a repeat of the call that changed it, overtaken by that call
			if again, err := s.store.Seen(ctx, w.tenant, w.requestID, w.fingerprint); err == nil && again.Replayed {
				return nil
			}
			return staleOrder(order)
		}
		steps := len(order.GetSteps())
		record, order, err = s.followed(ctx, w.tenant, record, order)
		if len(order.GetSteps()) != steps { // what follows adds none: somebody else recorded one meanwhile
			return staleOrder(order)
		}
		known = order.GetEtag()
		if status.Code(err) == codes.Unavailable && leaves(request.GetStep()) {
			return err
		}
		if err := repair.Admit(order, request.GetStep()); err != nil {
			return err
		}
		err = s.stepOnce(ctx, w, record, order, proto.CloneOf(request.GetStep()))
		if !errors.Is(err, store.ErrConflict) {
			return err
		}
	}
	return contended()
}

func staleOrder(order *quotev1.RepairOrder) error {
	return apierr.New(codes.Aborted, fitmentv1.ErrorInfo_ETAG_STALE, "etag: repair order %s has changed since it was read; read it again", order.GetNumber())
}

// recording is a step in the making.
type recording struct {
	s     *Server
	w     write
	order *quotev1.RepairOrder
	step  *quotev1.RepairStep
	facts repair.Facts
	// puts go into the change beside the order.
	puts []store.Put
}

// stepOnce tries the step on the order as it was read.
func (s *Server) stepOnce(ctx context.Context, w write, record store.Record, order *quotev1.RepairOrder, step *quotev1.RepairStep) error {
	r := &recording{s: s, w: w, order: order, step: step, facts: repair.Facts{Now: s.now()}}
	var err error
	if r.facts.Bought, err = s.boughtOn(ctx, w.tenant, order); err != nil {
		return err
	}
	if err := r.look(ctx); err != nil {
		return err
	}
	next, err := repair.Next(order, step, r.facts)
	if err != nil {
		return err
	}
	if err := r.also(ctx, next); err != nil {
		return err
	}
	free := endRoom
	if repair.Ends(step) {
		free = 0
	}
	raw, err := encodeOrder(next, free)
	if err != nil {
		return err
	}
	puts := append([]store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}, r.puts...)
	// No answer is kept: a repeat answers with the order as it is by then.
	if _, err := s.apply(ctx, w, store.Change{Puts: puts}, nil); err != nil {
		return err
	}
	r.giveBack(ctx, next)
	return nil
}

// look asks the fitment side and the store what the step has to be told.
func (r *recording) look(ctx context.Context) error {
	switch step := r.step.GetStep().(type) {
	case *quotev1.RepairStep_Diagnosis:
		if err := r.leavesNothingBought(ctx); err != nil {
			return err
		}
		return r.assess(ctx, step.Diagnosis)
	case *quotev1.RepairStep_QuoteMade:
		if err := r.leavesNothingBought(ctx); err != nil {
			return err
		}
		return r.lookAtQuote(ctx, step.QuoteMade.GetQuote())
	case *quotev1.RepairStep_Abandonment:
		return r.leavesNothingBought(ctx)
	case *quotev1.RepairStep_ArrivalInspection:
		return r.judgeSeen(ctx, step.ArrivalInspection)
	case *quotev1.RepairStep_NextPurchase:
		return r.lookAtNext(ctx, step.NextPurchase)
	case *quotev1.RepairStep_Order:
		if err := r.lookAtQuote(ctx, step.Order.GetQuote()); err != nil || r.facts.Quote == nil {
			return err
		}
		return r.lookAtDues(ctx)
	}
	return nil
}

// leavesNothingBought refuses to take back what was to be bought next where it is
// bought, by a purchase of which the record was lost.
func (r *recording) leavesNothingBought(ctx context.Context) error {
	for _, p := range r.order.GetPurchases() {
		if p.GetState() != quotev1.Purchase_NEXT || p.GetHold() == nil {
			continue
		}
		sold, err := r.s.side.soldTo(ctx, r.w.tenant, p.GetSource(), p.GetHold())
		if err != nil {
			return err
		}
		if sold {
			return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED, "%s is bought already: record that purchase first", p.GetSource())
		}
	}
	return nil
}

// judgeSeen has the fitment side look at what was seen of a listing that goes back,
// so that a wrong value is told at once. Where it does not answer, the inspection
// does not wait for it.
func (r *recording) judgeSeen(ctx context.Context, s *quotev1.ArrivalInspection) error {
	at := repair.Find(r.order, s.GetSource(), quotev1.Purchase_BOUGHT)
	if at < 0 || len(s.GetEvidence()) == 0 || !repair.IsListing(s.GetSource()) {
		return nil
	}
	return apierr.Within("step.arrival_inspection.", r.s.side.judgeSeen(ctx, r.facts.Bought[at].Need, s.GetEvidence()))
}

// assess has the fitment side assess what was read.
func (r *recording) assess(ctx context.Context, d *quotev1.Diagnosis) error {
	d.Assessed = nil
	if d.GetRead() == nil {
		return nil
	}
	if d.GetRead().GetVehicle() == nil {
		d.Read.Vehicle = proto.CloneOf(r.order.GetVehicle())
	} else if difference := repair.OtherVehicle(r.order.GetVehicle(), d.GetRead().GetVehicle()); difference != "" {
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_INVALID, apierr.Violation{
			Field: "step.diagnosis.read.vehicle", Problem: "is another vehicle: " + difference, Expected: "the order's, or nothing",
		})
	}
	assessed, err := r.s.side.assess(ctx, d.GetRead())
	if err != nil {
		return apierr.Within("step.diagnosis.read.", err)
	}
	d.Assessed = assessed
	return nil
}

// lookAtQuote reads the quote that the step names; there may be none.
func (r *recording) lookAtQuote(ctx context.Context, name string) error {
	record, q, err := r.s.loadQuote(ctx, r.w.tenant, name)
	switch apierr.ReasonOf(err) {
	case fitmentv1.ErrorInfo_NOT_FOUND, fitmentv1.ErrorInfo_FIELD_INVALID:
		return nil
	default:
	}
	if err == nil {
		r.facts.Quote = r.s.shown(q, record.Version)
	}
	return err
}

// lookAtNext asks what the law asks before a part is bought next: of a listing as it
// is decided now, of a supplier's item as of its part in the catalogue.
func (r *recording) lookAtNext(ctx context.Context, s *quotev1.NextPurchase) error {
	at := repair.Find(r.order, s.GetSource(), quotev1.Purchase_NEXT)
	if at < 0 {
		return nil
	}
	about := r.facts.Bought[at]
	if repair.IsListing(s.GetSource()) {
		donor, err := r.s.side.look(ctx, about.Need, s.GetSource())
		r.facts.Obligations = donor.GetDecision().GetObligations()
		return err
	}
	parts, err := r.s.side.findParts(ctx, about.Need)
	for _, match := range parts {
		if quote.Named([]*fitmentv1.PartMatch{match})(about.Option.GetPartMaker(), about.Option.GetPartNumber()) {
			r.facts.Obligations = match.GetObligations()
		}
	}
	return err
}

// lookAtDues asks what is due with the parts of a quote that does not say so: one
// of an earlier build, or one that was too long to say everything.
func (r *recording) lookAtDues(ctx context.Context) error {
	q := r.facts.Quote
	r.facts.Fitting = make(map[string]repair.Fitting)
	lines := quote.Lines(q)
	for _, place := range quote.Accepted(q) {
		option := quote.FirstBuy(lines[place].GetOptions())
		if option == nil || len(option.GetArrivalChecks()) > 0 {
			continue
		}
		due, err := r.s.due(ctx, lines[place].GetNeed(), option.GetSource())
		if err != nil {
			return err
		}
		r.facts.Fitting[option.GetSource()] = due
	}
	return nil
}

// due asks the fitment side what is due with a part: of a listing as it is decided,
// of another part by its kind.
func (s *Server) due(ctx context.Context, need *fitmentv1.Need, source string) (repair.Fitting, error) {
	decision, err := s.side.dues(ctx, need, source)
	if err != nil {
		return repair.Fitting{}, err
	}
	due := repair.Fitting{Checks: decision.GetArrivalChecks()}
	if repair.IsListing(source) {
		due.OneUse, due.ReplaceWith = quote.OneUseWords(decision.GetOneUse()), quote.RelatedWords(decision.GetReplaceWith())
	}
	return due, nil
}

// also adds to the change what the step counts, books, reports and buys.
func (r *recording) also(ctx context.Context, next *quotev1.RepairOrder) error {
	switch step := r.step.GetStep().(type) {
	case *quotev1.RepairStep_Order:
		return r.countOrder(ctx)
	case *quotev1.RepairStep_ArrivalInspection:
		return r.report(ctx, step.ArrivalInspection, next)
	case *quotev1.RepairStep_NextPurchase:
		return r.buy(ctx, step.NextPurchase)
	case *quotev1.RepairStep_ReturnSettled:
		return r.bookRefund(ctx, step.ReturnSettled)
	}
	return nil
}

// countOrder notes which order a quote's parts are ordered on, since a quote has
// one, and counts the parts where its acceptance did not: one by an earlier build.
func (r *recording) countOrder(ctx context.Context) error {
	q := r.facts.Quote
	key := store.Key{Tenant: r.w.tenant, Kind: kindRepairQuote, ID: q.GetName()[len(quotePrefix):]}
	switch record, err := r.s.store.Get(ctx, key); {
	case err == nil:
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED,
			"the parts of quote %s are ordered already, on %s", q.GetName(), record.Value)
	case !errors.Is(err, store.ErrNotFound):
		return fmt.Errorf("read the quote's order: %w", err)
	}
	counted, err := r.s.countBought(ctx, r.w.tenant, q.GetName(), firstBuys(q, quote.Accepted(q)))
	r.puts = append(r.puts, store.Put{Key: key, Expect: store.Absent, Value: []byte(r.order.GetName())})
	r.puts = append(r.puts, counted...)
	return err
}

// report records the outcome of a part that arrived. Where somebody has reported
// one for it already, it must be the same.
func (r *recording) report(ctx context.Context, s *quotev1.ArrivalInspection, next *quotev1.RepairOrder) error {
	at := repair.Find(r.order, s.GetSource(), quotev1.Purchase_BOUGHT)
	about := r.facts.Bought[at]
	failed, note := repair.Failed(s)
	seller, err := quote.SellerOf(s.GetSource())
	if err != nil {
		return fmt.Errorf("report the outcome: %w", err)
	}
	outcome := &quotev1.Outcome{
		Name:   quote.OutcomeName(s.GetSource(), about.Quote.GetName(), r.nth(at)),
		Source: s.GetSource(), Seller: seller, Condition: about.Option.GetCondition(), Kind: about.Need.GetKind(),
		Result: quotev1.Outcome_PASSED, Quote: about.Quote.GetName(), Note: "Repair order " + next.GetNumber() + ".", CreateTime: timestamppb.New(r.facts.Now),
	}
	if len(failed) > 0 {
		outcome.Result = quotev1.Outcome_FAILED
		outcome.Note = cut(fmt.Sprintf("%s Failed: %s %s", outcome.GetNote(), joined(failed), note), 1000)
	}
	record, err := r.s.store.Get(ctx, outcomeKey(r.w.tenant, outcome.GetName()))
	if errors.Is(err, store.ErrNotFound) {
		puts, err := r.s.outcomePuts(ctx, r.w.tenant, outcome)
		r.puts = append(r.puts, puts...)
		return err
	}
	stored := &quotev1.Outcome{}
	if err == nil {
		err = proto.Unmarshal(record.Value, stored)
	}
	if err != nil {
		return fmt.Errorf("read the outcome of %s: %w", s.GetSource(), err)
	}
	if stored.GetResult() != outcome.GetResult() {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED, "it is on record already that %s %s its arrival check (%s)",
			s.GetSource(), resultWords(stored.GetResult()), stored.GetName())
	}
	return nil
}

// nth counts the purchases of one source on one quote up to a place, from 1.
func (r *recording) nth(at int) int {
	n := 0
	for i, p := range r.order.GetPurchases()[:at+1] {
		if p.GetSource() == r.order.GetPurchases()[at].GetSource() && r.facts.Bought[i].Quote.GetName() == r.facts.Bought[at].Quote.GetName() {
			n++
		}
	}
	return n
}

// bookRefund books what the seller paid back.
func (r *recording) bookRefund(ctx context.Context, s *quotev1.ReturnSettled) error {
	if s.GetRefunded() == 0 {
		return nil
	}
	about := r.facts.Bought[repair.Find(r.order, s.GetSource(), quotev1.Purchase_RETURNING)]
	note := s.GetNote()
	if note == "" {
		note = "Return on repair order " + r.order.GetNumber()
	}
	var fields check.Fields
	entry := books.Clean(&quotev1.Entry{
		Kind: quotev1.Entry_REFUNDED, Quote: about.Quote.GetName(), Source: s.GetSource(), Amount: s.GetRefunded(),
		CurrencyCode: about.Quote.GetCurrencyCode(), Day: r.facts.Now.UTC().Format("2006-01-02"), Note: note,
	}, r.facts.Now, &fields)
	if err := fields.Err(); err != nil {
		return err
	}
	puts, err := r.s.book(ctx, r.w.tenant, about.Quote, entry)
	if fault := apierr.Violations(err); len(fault) > 0 {
		return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_STEP_REFUSED,
			"the refund cannot be booked: %s; expected: %s", fault[0].Problem, fault[0].Expected)
	}
	r.puts = append(r.puts, puts...)
	return err
}

// giveBack releases the holds on parts that were to be bought next and are not any
// more. One that cannot be released ends by itself.
func (r *recording) giveBack(ctx context.Context, next *quotev1.RepairOrder) {
	for _, p := range r.order.GetPurchases() {
		kept := slices.ContainsFunc(next.GetPurchases(), func(other *quotev1.Purchase) bool { return other.GetSource() == p.GetSource() })
		if p.GetState() != quotev1.Purchase_NEXT || p.GetHold() == nil || kept {
			continue
		}
		r.s.releaseNext(ctx, r.order, p.GetSource(), p.GetHold())
	}
}

// orderStep is the request id of a step that belongs to an order rather than to one
// request: whoever does it repeats the same step.
func orderStep(order *quotev1.RepairOrder, what string) string {
	return requests.Derive(order.GetName()+" "+order.GetCreateTime().AsTime().Format("2006-01-02T15:04:05.999999999"), what)
}

// etagOf is the etag of a record's version.
func etagOf(version int64) string { return revision.ETag(version) }
