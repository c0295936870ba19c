package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/repair"
	"beltwright.example/services/store"
)

const (
	// nextHold is how long, in minutes, a listing is held that the plan tries next:
	// as long as a quote is good by default.
	nextHold = defaultHours * 60
	// holdTries is how often one listing is held anew for one purchase, each time
	// after the hold before has ended.
	holdTries = 8
)

// followUp does what follows from failed checks: tells yards of parts that come
// back, and finds and holds what is to be bought next. It returns the order as it is
// then, and what could not be done. It may run several times at once and on a
// repeat: everything that it asks for has a request id of the order's own.
func (s *Server) followUp(ctx context.Context, tenant string, record store.Record, order *quotev1.RepairOrder) (store.Record, *quotev1.RepairOrder, error) {
	for range conflictTries {
		bought, err := s.boughtOn(ctx, tenant, order)
		if err != nil {
			return record, order, err
		}
		found, failure := s.follow(ctx, tenant, order, bought)
		next := repair.Follow(order, found)
		if proto.Equal(next, order) || (len(found.Notes) == 0 && found.Empty()) {
			return record, order, failure
		}
		raw, err := encodeOrder(next, 0)
		if err != nil {
			return record, order, err
		}
		applied, err := s.store.Apply(ctx, store.Change{Puts: []store.Put{{Key: record.Key, Expect: record.Version, Value: raw}}})
		if err == nil && len(applied) == 1 {
			err = applied[0].Err
		}
		switch {
		case err == nil && len(applied) == 1:
			record.Version, record.Value = applied[0].Versions[0], raw
			next.Etag = etagOf(record.Version)
			return record, next, failure
		case !errors.Is(err, store.ErrConflict):
			return record, order, errors.Join(failure, fmt.Errorf("keep what followed: %w", err))
		}
		if record, order, err = s.loadOrder(ctx, tenant, order.GetName()); err != nil {
			return record, order, err
		}
		s.releaseUnnamed(ctx, order, found.Next)
	}
	return record, order, contended()
}

// releaseUnnamed gives back what was held for an order that was given up, or went
// another way, meanwhile: nobody else knows of it.
func (s *Server) releaseUnnamed(ctx context.Context, order *quotev1.RepairOrder, found []*quotev1.Purchase) {
	if order.GetState() == quotev1.RepairOrder_TO_BUY_NEXT {
		return // whoever looks for the next part finds the same hold
	}
	for _, p := range found {
		named := slices.ContainsFunc(order.GetPurchases(), func(other *quotev1.Purchase) bool {
			return other.GetSource() == p.GetSource() && other.GetHold().GetFence() == p.GetHold().GetFence()
		})
		if p.GetHold() != nil && !named {
			s.releaseNext(ctx, order, p.GetSource(), p.GetHold())
		}
	}
}

// follow finds out what follows; what it found so far counts where it fails.
func (s *Server) follow(ctx context.Context, tenant string, order *quotev1.RepairOrder, bought []repair.Bought) (repair.Followed, error) {
	var found repair.Followed
	for i, p := range order.GetPurchases() {
		if !repair.Unreported(p) {
			continue
		}
		name, note, err := s.tellYard(ctx, order, p)
		if err != nil {
			return found, err
		}
		if note != "" {
			found.Notes = append(found.Notes, note)
		}
		if found.Returned == nil {
			found.Returned = make(map[int]string)
		}
		found.Returned[i] = name
	}
	if order.GetState() != quotev1.RepairOrder_TO_BUY_NEXT {
		return found, nil
	}
	dropped, err := s.staleNext(ctx, tenant, order, bought, &found)
	if err != nil {
		return found, err
	}
	left := make([]repair.Bought, 0, len(bought))
	for i, b := range bought {
		if !dropped[i] {
			left = append(left, b)
		}
	}
	now := repair.Follow(order, repair.Followed{Dropped: found.Dropped})
	for _, line := range repair.Lacking(now, left) {
		if err := s.findNext(ctx, tenant, now, left, line, &found); err != nil {
			return found, err
		}
	}
	return found, nil
}

// staleNext notes parts that were to be bought next and cannot be any more, or whose
// hold is over. A part that was sold to the business under its hold stays: its
// purchase is to be recorded.
func (s *Server) staleNext(ctx context.Context, tenant string, order *quotev1.RepairOrder, bought []repair.Bought, found *repair.Followed) (map[int]bool, error) {
	dropped := make(map[int]bool)
	for i, p := range order.GetPurchases() {
		if p.GetState() != quotev1.Purchase_NEXT {
			continue
		}
		reason, err := s.nextReason(ctx, tenant, order, p, bought[i])
		if err != nil {
			return dropped, err
		}
		if reason != "" {
			found.Dropped = append(found.Dropped, i)
			dropped[i] = true
		}
	}
	return dropped, nil
}

// nextReason says why a part that was to be bought next cannot be any more; empty
// where it can. A hold on a part that may not be bought is given back.
func (s *Server) nextReason(ctx context.Context, tenant string, order *quotev1.RepairOrder, p *quotev1.Purchase, about repair.Bought) (string, error) {
	if !repair.IsListing(p.GetSource()) {
		return s.offerReason(ctx, tenant, about.Quote, about.Need, about.Option)
	}
	donor, err := s.side.look(ctx, about.Need, p.GetSource())
	if err != nil {
		return "", err
	}
	listing, hold := donor.GetListing(), p.GetHold()
	own := listing.GetHold().GetFence() == hold.GetFence()
	switch {
	case own && listing.GetState() == fitmentv1.Listing_SOLD && listing.GetBuyer() == tenant:
		return "", nil
	case !own || listing.GetState() != fitmentv1.Listing_HELD || !s.now().Before(hold.GetExpireTime().AsTime()):
		return "its hold is over", nil
	}
	reason := s.listingReason(about.Option, about.Quote, about.Need, donor, tenant, true)
	if reason != "" {
		s.releaseNext(ctx, order, p.GetSource(), hold)
	}
	return reason, nil
}

// tellYard sends a listing back to its yard and returns the name under which it
// comes back. The note says what the yard's side did not take of what was seen.
func (s *Server) tellYard(ctx context.Context, order *quotev1.RepairOrder, p *quotev1.Purchase) (name, note string, err error) {
	inspection := inspectionOf(order, p.GetSource())
	failed, noted := repair.Failed(inspection)
	request := &fitmentv1.ReturnListingRequest{
		Name: p.GetSource(), Report: &fitmentv1.ReturnReport{FailedChecks: failed, Note: cut(noted, 1000)},
		Evidence: inspection.GetEvidence(), RequestId: orderStep(order, "return "+p.GetSource()),
	}
	name, err = s.side.sendBack(ctx, request)
	if status.Code(err) == codes.InvalidArgument && len(request.GetEvidence()) > 0 {
		// The part goes back whatever was wrong with what was said of it.
		note = repair.Untold(p.GetSource(), cut(refusalOf(err), 200))
		request.Evidence, request.RequestId = nil, orderStep(order, "return without evidence "+p.GetSource())
		name, err = s.side.sendBack(ctx, request)
	}
	if apierr.ReasonOf(err) != fitmentv1.ErrorInfo_ALREADY_EXISTS {
		return name, note, err
	}
	// It was sent back without this order, or the fitment side has forgotten the request.
	listing, err := s.side.listing(ctx, p.GetSource())
	if err != nil {
		return "", "", err
	}
	return listing.GetReturnedAs(), note, nil
}

// refusalOf is what an answer refuses, in its own words: the first field that it
// names, else its message.
func refusalOf(err error) string {
	if list := apierr.Violations(err); len(list) > 0 {
		return list[0].Field + " " + list[0].Problem
	}
	return status.Convert(err).Message()
}

// inspectionOf is the inspection in which a listing failed, which is bought once.
func inspectionOf(order *quotev1.RepairOrder, source string) *quotev1.ArrivalInspection {
	for _, step := range order.GetSteps() {
		if s := step.GetArrivalInspection(); s.GetSource() == source {
			return s
		}
	}
	return nil
}

// findNext looks for what the plan of a line tries next: each candidate is decided
// again, and a listing is held.
func (s *Server) findNext(ctx context.Context, tenant string, order *quotev1.RepairOrder, bought []repair.Bought, line int32, found *repair.Followed) error {
	var q *quotev1.Quote
	after := 0 // place of the purchase that failed last
	for i, p := range order.GetPurchases() {
		if p.GetLine() == line && bought[i].Quote.GetName() == order.GetQuote() {
			q, after = bought[i].Quote, i
		}
	}
	need := quote.Lines(q)[line-1].GetNeed()
	for _, option := range repair.Candidates(order, bought, q, line) {
		p, reason, err := s.tryNext(ctx, tenant, order, q, need, option, strconv.Itoa(after))
		if err != nil {
			return err
		}
		if reason != "" {
			found.Notes = append(found.Notes, fmt.Sprintf("Passed over: %s %s.", option.GetSource(), strings.TrimRight(reason, ".")))
			continue
		}
		p.Line = line
		found.Next = append(found.Next, p)
		return nil
	}
	found.Notes = append(found.Notes, fmt.Sprintf("Nothing is left on the plan of line %d of %s.", line, q.GetName()))
	return nil
}

// tryNext tries one candidate; the reason is why it cannot be had.
func (s *Server) tryNext(
	ctx context.Context, tenant string, order *quotev1.RepairOrder, q *quotev1.Quote, need *fitmentv1.Need, option *quotev1.Option, after string,
) (*quotev1.Purchase, string, error) {
	if repair.IsListing(option.GetSource()) {
		donor, hold, reason, err := s.holdNext(ctx, tenant, order, q, need, option, after)
		if err != nil || reason != "" {
			return nil, reason, err
		}
		decision := donor.GetDecision()
		p := repair.Purchase(q, 0, option, repair.Fitting{
			Checks: decision.GetArrivalChecks(), OneUse: quote.OneUseWords(decision.GetOneUse()), ReplaceWith: quote.RelatedWords(decision.GetReplaceWith()),
		}, quotev1.Purchase_NEXT)
		p.Hold = hold
		return p, "", nil
	}
	reason, err := s.offerReason(ctx, tenant, q, need, option)
	if err != nil || reason != "" {
		return nil, reason, err
	}
	var due repair.Fitting
	if len(option.GetArrivalChecks()) == 0 {
		due, err = s.due(ctx, need, option.GetSource())
	}
	return repair.Purchase(q, 0, option, due, quotev1.Purchase_NEXT), "", err
}

// offerReason says why an offer cannot be bought on the quoted terms now.
func (s *Server) offerReason(ctx context.Context, tenant string, q *quotev1.Quote, need *fitmentv1.Need, option *quotev1.Option) (string, error) {
	offer, err := s.offerNow(ctx, tenant, option.GetSource())
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return "", err
	}
	parts, err := s.side.findParts(ctx, need)
	if err != nil {
		return "", err
	}
	return quote.OfferNow(option, q.GetCurrencyCode(), need, parts, offer, s.now()), nil
}

// holdNext holds a listing and decides it again. The hold comes first, under a
// request id of the order's own, so that several runs at once find the same hold and
// none holds a second listing. After a hold that has ended, the listing is held
// anew.
func (s *Server) holdNext(
	ctx context.Context, tenant string, order *quotev1.RepairOrder, q *quotev1.Quote, need *fitmentv1.Need, option *quotev1.Option, after string,
) (*fitmentv1.Donor, *fitmentv1.Hold, string, error) {
	name := option.GetSource()
	seen, err := s.side.look(ctx, need, name)
	if err != nil {
		return nil, nil, "", err
	}
	if reason := s.listingReason(option, q, need, seen, tenant, true); reason != "" {
		return nil, nil, reason, nil
	}
	for try := range holdTries {
		hold, err := s.side.hold(ctx, tenant, name, nextHold, 0, orderStep(order, fmt.Sprintf("hold %s after %s, %d", name, after, try)))
		if over(err) {
			return nil, nil, cmp.Or(s.listingReason(option, q, need, seen, tenant, false), "was held by somebody else a moment ago"), nil
		}
		if err != nil {
			return nil, nil, "", err
		}
		donor, err := s.side.look(ctx, need, name)
		if err != nil {
			return nil, nil, "", err
		}
		listing := donor.GetListing()
		ours := listing.GetState() == fitmentv1.Listing_HELD && listing.GetHold().GetHolder() == tenant &&
			listing.GetHold().GetFence() == hold.GetFence() && s.now().Before(hold.GetExpireTime().AsTime())
		if !ours {
			if listing.GetState() == fitmentv1.Listing_AVAILABLE {
				continue // the hold of this request id has ended
			}
			return nil, nil, s.listingReason(option, q, need, donor, tenant, false), nil
		}
		if reason := s.listingReason(option, q, need, donor, tenant, true); reason != "" {
			s.releaseNext(ctx, order, name, hold)
			return nil, nil, reason, nil
		}
		return donor, hold, "", nil
	}
	return nil, nil, fmt.Sprintf("was held %d times for this order already", holdTries), nil
}

// listingReason says why a listing cannot be bought on the quoted terms now; whose
// hold it is under does not count where it is held for this order.
func (s *Server) listingReason(option *quotev1.Option, q *quotev1.Quote, need *fitmentv1.Need, donor *fitmentv1.Donor, tenant string, held bool) string {
	return quote.ListingNow(option, q.GetCurrencyCode(), need, donor, tenant, held, s.now())
}

// releaseNext gives a hold of an order's back.
func (s *Server) releaseNext(ctx context.Context, order *quotev1.RepairOrder, name string, hold *fitmentv1.Hold) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.side.timeout)
	defer cancel()
	err := s.side.release(ctx, name, hold.GetFence(), orderStep(order, fmt.Sprintf("release %s %d", name, hold.GetFence())))
	if err != nil && !over(err) {
		s.log.WarnContext(ctx, "a hold stays until it ends by itself", "listing", name, "error", err)
	}
}

// buy buys what is to be bought next: a listing is sold to the business under the
// hold, once it is decided again; an offer must still be what was quoted. The sale's
// request id is the order's own, so that a half-done purchase is completed by the
// next one.
func (r *recording) buy(ctx context.Context, s *quotev1.NextPurchase) error {
	at := repair.Find(r.order, s.GetSource(), quotev1.Purchase_NEXT)
	p, about := r.order.GetPurchases()[at], r.facts.Bought[at]
	if err := r.sell(ctx, p, about); err != nil {
		return err
	}
	puts, err := r.s.countNext(ctx, r.w.tenant, about.Quote.GetName(), bought{p.GetSource(), about.Option.GetCondition(), about.Need.GetKind()})
	r.puts = append(r.puts, puts...)
	return err
}

func (r *recording) sell(ctx context.Context, p *quotev1.Purchase, about repair.Bought) error {
	tenant, name, fence := r.w.tenant, p.GetSource(), p.GetHold().GetFence()
	if !repair.IsListing(name) {
		reason, err := r.s.offerReason(ctx, tenant, about.Quote, about.Need, about.Option)
		if err == nil && reason != "" {
			err = notBought(name, reason)
		}
		return err
	}
	err := r.s.side.sell(ctx, name, fence, about.Need, orderStep(r.order, fmt.Sprintf("sell %s %d", name, fence)))
	if !over(err) {
		return err
	}
	// The sale may have been made, and the fitment side have forgotten its request.
	sold, soldErr := r.s.side.soldTo(ctx, tenant, name, p.GetHold())
	if soldErr != nil || !sold {
		return errors.Join(soldErr, err)
	}
	donor, err := r.s.side.look(ctx, about.Need, name)
	if err == nil && donor.GetDecision().GetVerdict() != fitmentv1.Decision_FITS {
		err = notBought(name, "was bought, but is not decided to fit this need any more")
	}
	return err
}

func notBought(name, reason string) error {
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_GATE_SHUT, "%s %s", name, reason)
}

// boughtOn is what is known of an order's purchases, from the quotes that it bought
// on. Which of several quotes an item was bought on is noted with each purchase.
func (s *Server) boughtOn(ctx context.Context, tenant string, order *quotev1.RepairOrder) ([]repair.Bought, error) {
	var quotes []*quotev1.Quote
	for _, step := range order.GetSteps() {
		if step.GetOrder() == nil {
			continue
		}
		record, q, err := s.loadQuote(ctx, tenant, step.GetOrder().GetQuote())
		if err != nil {
			return nil, err
		}
		quotes = append(quotes, s.shown(q, record.Version))
	}
	owners := make(map[string][]*quotev1.Quote) // by source: the quote of each purchase of it
	all := make([]repair.Bought, 0, len(order.GetPurchases()))
	seen := make(map[string]int)
	for _, p := range order.GetPurchases() {
		source := p.GetSource()
		if _, known := owners[source]; !known {
			var err error
			if owners[source], err = s.owners(ctx, tenant, source, quotes); err != nil {
				return nil, err
			}
		}
		var q *quotev1.Quote
		if len(quotes) > 0 {
			q = quotes[len(quotes)-1]
		}
		if p.GetState() != quotev1.Purchase_NEXT && seen[source] < len(owners[source]) {
			q = owners[source][seen[source]]
			seen[source]++
		}
		about, err := aboutPurchase(order, p, q)
		if err != nil {
			return nil, err
		}
		all = append(all, about)
	}
	return all, nil
}

// owners are the quotes on which a source was bought, one for each purchase, in
// the order in which the quotes were ordered.
func (s *Server) owners(ctx context.Context, tenant, source string, quotes []*quotev1.Quote) ([]*quotev1.Quote, error) {
	var list []*quotev1.Quote
	for _, q := range quotes {
		n, err := s.timesBought(ctx, tenant, source, q.GetName())
		if err != nil {
			return nil, err
		}
		for range n {
			list = append(list, q)
		}
	}
	return list, nil
}

func aboutPurchase(order *quotev1.RepairOrder, p *quotev1.Purchase, q *quotev1.Quote) (repair.Bought, error) {
	lines := quote.Lines(q)
	if p.GetLine() >= 1 && int(p.GetLine()) <= len(lines) {
		line := lines[p.GetLine()-1]
		for _, option := range line.GetOptions() {
			if option.GetSource() == p.GetSource() {
				return repair.Bought{Quote: q, Option: option, Need: line.GetNeed()}, nil
			}
		}
	}
	return repair.Bought{}, fmt.Errorf("%s: %s is no option of line %d of %s", order.GetName(), p.GetSource(), p.GetLine(), q.GetName())
}

// joined are checks as one text.
func joined(checks []string) string { return strings.Join(checks, " ") }

// cut shortens a text to a number of characters.
func cut(text string, longest int) string {
	text = strings.TrimSpace(text)
	if utf8.RuneCountInString(text) <= longest {
		return text
	}
	return string([]rune(text)[:longest-1]) + "…"
}

func resultWords(result quotev1.Outcome_Result) string { return strings.ToLower(result.String()) }
