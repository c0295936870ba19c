package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/revision"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

// preparation is one quote in the making.
type preparation struct {
	s       *Server
	write   write
	tenant  string
	request *quotev1.PrepareQuoteRequest
	at      string // what the names of the request's fields begin with
	// lines are what is weighed, one need each; gathered from the fitment side and
	// the caller's own records at this time.
	lines []quote.Input
	now   time.Time
	// before is the draft that is issued, or the version that is revised; nil
	// where there is none. carried are its holds that still stand, by listing, and
	// extendedBy is under which request id they were extended since, if they were.
	before     *quotev1.Quote
	carried    map[string]*fitmentv1.Hold
	extendedBy map[string]string
	held       map[string]bool   // listings that are held for this quote
	lost       map[string]string // listings that cannot be had, and why
	chosen     int               // how often this call chose what to hold, successfully or not
	extra      []string          // notices about what was left out
	revision   string
}

// preparing starts a preparation; terms are what the request was checked to mean.
func (s *Server) preparing(tenant string, request *quotev1.PrepareQuoteRequest, t terms) *preparation {
	p := &preparation{
		s: s, tenant: tenant, request: request, held: make(map[string]bool), lost: make(map[string]string),
		carried: make(map[string]*fitmentv1.Hold), extendedBy: make(map[string]string),
	}
	for i, further := range quote.Needs(request) {
		in := quote.Input{
			Need: further.GetNeed(), Labour: further.GetLabour(), Priors: s.priors, Tax: t.tax, Pack: t.pack, SuppliesPercent: t.supplies,
			Limits: request.GetLimits(), Parallel: request.GetParallel(), Deadline: request.GetDeadlineDays(), LateCost: request.GetLateCost(),
			DayCost: request.GetDayCost(), Currency: request.GetCurrencyCode(), Tenant: tenant, Held: p.held, Lost: p.lost,
		}
		if i == 0 {
			in.Supplies = request.GetSupplies()
		}
		p.lines = append(p.lines, in)
	}
	return p
}

// gather asks the fitment side and the caller's price lists and outcomes.
func (p *preparation) gather(ctx context.Context) error {
	p.now = p.s.now()
	all, err := p.s.readTallies(ctx, p.tenant)
	if err != nil {
		return err
	}
	for i := range p.lines {
		in := &p.lines[i]
		in.Now, in.Tallies = p.now, all[in.Need.GetKind()]
		if err := p.gatherLine(ctx, in); err != nil {
			return inLine(err, i, len(p.lines))
		}
	}
	if err := p.gatherOffers(ctx); err != nil {
		return err
	}
	return p.carry(ctx)
}

// gatherLine asks the fitment side about one need.
func (p *preparation) gatherLine(ctx context.Context, in *quote.Input) error {
	var err error
	if in.Parts, err = p.s.side.findParts(ctx, in.Need); err != nil {
		return err
	}
	found, err := p.s.side.findDonors(ctx, in.Need, maxDonors/len(p.lines))
	if err != nil {
		return err
	}
	in.Donors = found.found
	if p.revision != "" && p.revision != found.revision {
		found.revision = revision.Digest(store.Place{}, p.revision, found.revision)
	}
	p.revision = found.revision
	if found.more {
		p.extra = append(p.extra, fmt.Sprintf(quote.NoticeListings, len(found.found)))
	}
	return nil
}

// gatherOffers reads the caller's price lists for all lines.
func (p *preparation) gatherOffers(ctx context.Context) error {
	lists := make([]priceList, len(p.lines))
	for i, in := range p.lines {
		lists[i] = newPriceList(in.Need, in.Parts)
	}
	if err := p.s.readPriceLists(ctx, p.tenant, lists); err != nil {
		return err
	}
	for i, list := range lists {
		p.lines[i].Offers = list.offers
		if list.more {
			p.extra = append(p.extra, quote.NoticeOffers)
		}
	}
	return nil
}

// inLine says in which line of several something went wrong.
func inLine(err error, line, lines int) error {
	if lines == 1 {
		return err
	}
	return fmt.Errorf("line %d: %w", line+1, err)
}

// weigh weighs for a quote that is to be stored.
func (p *preparation) weigh(ctx context.Context, choices bool) (quote.Whole, error) {
	whole, err := p.weighed(ctx, choices)
	if err != nil {
		return quote.Whole{}, err
	}
	for i, line := range whole.Lines {
		if len(line.Options) == 0 {
			return quote.Whole{}, nothingToBuy(line, i, len(whole.Lines))
		}
	}
	return whole, nil
}

// weighed weighs. Having nothing to buy is an answer, too.
func (p *preparation) weighed(ctx context.Context, choices bool) (quote.Whole, error) {
	for i := range p.lines {
		p.lines[i].Choices = choices
	}
	limited, cancel := searchTime(ctx, basketTime)
	defer cancel()
	whole, err := quote.WeighAll(p.lines, func() bool { return limited.Err() != nil })
	switch {
	case errors.Is(err, quote.ErrTaken):
		return quote.Whole{}, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY, "%v", err)
	case err != nil:
		return quote.Whole{}, fmt.Errorf("weigh: %w", err)
	}
	return whole, p.checkLabels(whole)
}

// checkLabels refuses supplies under words that the law of the places does not
// allow: such a quote could never be printed.
func (p *preparation) checkLabels(whole quote.Whole) error {
	var options []*quotev1.Option
	for _, line := range whole.Lines {
		options = append(options, line.Options...)
	}
	var fields check.Fields
	for i, item := range p.request.GetSupplies() {
		if law := quote.Forbids(options, item.GetLabel()); law != nil {
			fields.Add(fmt.Sprintf("%ssupplies[%d].label", p.at, i), fmt.Sprintf("%q is not allowed by %s", item.GetLabel(), law.GetSource()),
				"what it is, such as thread locker")
		}
	}
	return fields.Err()
}

// nothingToBuy says what is kept out of a line and what would admit it.
func nothingToBuy(result quote.Result, line, lines int) error {
	which := "this need"
	if lines > 1 {
		which = fmt.Sprintf("line %d", line+1)
	}
	text := "nothing may be bought for " + which + ": no listing and no offer is on record for it"
	if n := len(result.Excluded); n > 0 {
		nearest := quote.Nearest(result.Excluded)
		text = fmt.Sprintf("nothing may be bought for %s: all %d on offer are kept out; %s %s", which, n, nearest.GetSource(), nearest.GetReason())
		if nearest.GetRemedy() != "" {
			text += "; what would admit it: " + nearest.GetRemedy()
		}
	}
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY, "%s", text)
}

// validFor is how long the quote is good for: as asked, but not beyond the first
// price that its plans count on, and at least a minute.
func (p *preparation) validFor(whole quote.Whole) time.Duration {
	valid := p.asked()
	if !whole.GoodUntil.IsZero() {
		valid = min(valid, whole.GoodUntil.Sub(p.now).Truncate(time.Minute))
	}
	return max(valid, time.Minute)
}

// asked is how long the quote was asked to be good for.
func (p *preparation) asked() time.Duration {
	return time.Duration(cmp.Or(p.request.GetValidHours(), defaultHours)) * time.Hour
}

// quote puts what was weighed into the form that is stored.
func (p *preparation) quote(whole quote.Whole, state quotev1.Quote_State) (*quotev1.Quote, error) {
	notices := slices.Concat(whole.Notices, p.extra)
	if !whole.GoodUntil.IsZero() && p.validFor(whole) < p.asked() {
		notices = append(notices, fmt.Sprintf("The quote ends sooner than asked, because a price that its plan counts on holds until %s.",
			whole.GoodUntil.AddDate(0, 0, -1).Format(time.DateOnly)))
	}
	r, first := p.request, p.lines[0]
	q := &quotev1.Quote{
		State: state, Need: first.Need, CurrencyCode: first.Currency, DayCost: first.DayCost,
		TaxPercent: first.Tax.String(), Labour: first.Labour, ValidUntil: timestamppb.New(p.now.Add(p.validFor(whole))),
		CreateTime: timestamppb.New(p.now), Reference: r.GetReference(), FitmentRevision: p.revision, Notices: notices,
		Basket: whole.Basket, Customer: r.GetCustomer(), Version: 1, Supplies: r.GetSupplies(), SuppliesPercent: percentText(first.SuppliesPercent),
		TaxPlace: first.Pack.Place, Limits: r.GetLimits(), Total: whole.Total, Workings: quote.WorkingProtos(whole.Workings),
		Parallel: r.GetParallel(), DeadlineDays: r.GetDeadlineDays(), LateCost: r.GetLateCost(), ValidHours: r.GetValidHours(),
	}
	if state == quotev1.Quote_OPEN {
		q.IssueTime = q.GetCreateTime()
	}
	if len(whole.Lines) == 1 {
		line := whole.Lines[0]
		q.Options, q.Excluded, q.Plan, q.TradeOff = line.Options, line.Excluded, line.Plan, line.TradeOff
	} else {
		for i, line := range whole.Lines {
			q.Lines = append(q.Lines, &quotev1.QuoteLine{
				Need: p.lines[i].Need, Labour: p.lines[i].Labour, Options: line.Options, Excluded: line.Excluded,
				Plan: line.Plan, TradeOff: line.TradeOff,
			})
		}
	}
	if quote.Slim(q, store.MaxValue-room); proto.Size(q) > store.MaxValue-room {
		return nil, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"there is more on offer than one quote can name; state more of the vehicle, or the number of the part to be replaced")
	}
	return q, nil
}

func percentText(p money.Percent) string {
	if p.IsZero() {
		return ""
	}
	return p.String()
}

// listed are the sources that are listings.
func listed(sources []string) map[string]int {
	lines := make(map[string]int)
	for line, source := range sources {
		if strings.HasPrefix(source, listingPrefix) {
			lines[source] = line
		}
	}
	return lines
}
