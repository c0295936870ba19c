package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/store"
)

const (
	// prepareTries is how many listings one call tries to hold, and maxAttempts
	// how many all calls with one request id do.
	prepareTries = 8
	maxAttempts  = 64
	// briefly is how long, in minutes, a listing is held while it is weighed.
	briefly = 5
	// defaultHours and maxHours bound how long a quote is good for.
	defaultHours = 72
	maxHours     = 720
	// room is kept free in a quote's record for number, hold and times.
	room = 8 << 10
)

// PrepareQuote weighs what may be bought, holds the plan's first listing, and
// stores an immutable quote.
func (s *Server) PrepareQuote(ctx context.Context, request *quotev1.PrepareQuoteRequest) (*quotev1.PrepareQuoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	tax, err := checkPrepare(request)
	if err != nil {
		return nil, err
	}
	p := &preparation{s: s, request: request, in: quote.Input{
		Need: request.GetNeed(), Priors: s.priors, Labour: request.GetLabour(), Tax: tax,
		DayCost: request.GetDayCost(), Currency: request.GetCurrencyCode(), Tenant: who.Tenant, Lost: make(map[string]string),
	}}
	if request.GetDryRun() {
		return p.dryRun(ctx)
	}
	var before store.Applied
	p.write, before, err = s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err != nil || before.Replayed {
		return s.prepared(ctx, before, err)
	}
	if err := p.gather(ctx); err != nil {
		return nil, err
	}
	for n := 0; n < maxAttempts && p.chosen < prepareTries; n++ {
		applied, done, err := p.attempt(ctx, n)
		if err != nil || done {
			return s.prepared(ctx, applied, err)
		}
	}
	return nil, p.gaveUp()
}

// gaveUp is the answer of a call that got hold of nothing. A repeat goes on where
// it ended, until the request id's attempts are used up.
func (p *preparation) gaveUp() error {
	if p.chosen >= prepareTries {
		return contended()
	}
	return apierr.New(codes.Aborted, fitmentv1.ErrorInfo_LIMIT_REACHED,
		"%d attempts to hold a listing failed; repeat the request with a new request_id", maxAttempts)
}

// prepared reads the answer of a stored quote, the first time and on a repeat
// alike.
func (s *Server) prepared(ctx context.Context, applied store.Applied, err error) (*quotev1.PrepareQuoteResponse, error) {
	q, place, err := s.closedAnswer(ctx, applied, err)
	if err != nil {
		return nil, err
	}
	return &quotev1.PrepareQuoteResponse{Quote: q, Revision: place}, nil
}

func checkPrepare(request *quotev1.PrepareQuoteRequest) (money.Percent, error) {
	var fields check.Fields
	kind := request.GetNeed().GetKind()
	if _, known := fitmentv1.Part_Kind_name[int32(kind)]; request.GetNeed() == nil {
		fields.Add("need", "is missing", "what the vehicle lacks")
	} else if !known || kind == fitmentv1.Part_KIND_UNSPECIFIED {
		fields.Add("need.kind", "is missing or unknown", "the kind of part, such as BUCKLE_PRETENSIONER")
	}
	if !amount.Known(request.GetCurrencyCode()) {
		fields.Add("currency_code", fmt.Sprintf("%.20q is no currency in use", request.GetCurrencyCode()), "an active code of ISO 4217, such as USD")
	}
	fields.Int("day_cost", request.GetDayCost(), 0, amount.Max)
	tax, err := money.ParsePercent(request.GetTaxPercent())
	if err != nil {
		fields.Add("tax_percent", fmt.Sprintf("%.80s", err.Error()), "a decimal number from 0 to 100, such as 7.25")
	}
	labour := request.GetLabour()
	fields.Int("labour.fit_minutes", int64(labour.GetFitMinutes()), 0, landed.MaxMinutes)
	fields.Int("labour.check_minutes", int64(labour.GetCheckMinutes()), 0, landed.MaxMinutes)
	fields.Int("labour.hourly_rate", labour.GetHourlyRate(), 0, amount.Max)
	fields.Int("valid_hours", int64(request.GetValidHours()), 0, maxHours)
	fields.Text("reference", request.GetReference(), 100, false)
	if !request.GetDryRun() || request.GetRequestId() != "" {
		requests.ID(&fields, request.GetRequestId())
	}
	return tax, fields.Err()
}

// preparation is one quote in the making.
type preparation struct {
	s        *Server
	write    write
	request  *quotev1.PrepareQuoteRequest
	in       quote.Input
	chosen   int      // listings that this call chose, successfully or not
	extra    []string // notices about what was left out
	revision string
}

// gather asks the fitment side and the caller's price lists and outcomes.
func (p *preparation) gather(ctx context.Context) error {
	p.in.Now = p.s.now()
	parts, err := p.s.side.findParts(ctx, p.in.Need)
	if err != nil {
		return err
	}
	found, err := p.s.side.findDonors(ctx, p.in.Need)
	if err != nil {
		return err
	}
	lists, err := p.s.readPriceLists(ctx, p.in.Tenant, p.in.Need, parts)
	if err != nil {
		return err
	}
	p.in.Parts, p.in.Donors, p.in.Offers, p.revision = parts, found.found, lists.offers, found.revision
	if found.more {
		p.extra = append(p.extra, fmt.Sprintf("Further listings that are not proven to fit are not named here: the search ended at %d.", maxDonors))
	}
	if lists.more {
		p.extra = append(p.extra, "Further offers in your price lists, of the same kind but of parts that the catalogue does not name for this need, are not named here.")
	}
	return p.tallies(ctx)
}

// tallies reads the outcomes of every seller of this kind of part: the others'
// records say what to expect of one.
func (p *preparation) tallies(ctx context.Context) error {
	tallies, err := p.s.readTallies(ctx, p.in.Tenant)
	p.in.Tallies = tallies[p.in.Need.GetKind()]
	return err
}

// dryRun weighs only. Having nothing to buy is an answer, too.
func (p *preparation) dryRun(ctx context.Context) (*quotev1.PrepareQuoteResponse, error) {
	if err := p.gather(ctx); err != nil {
		return nil, err
	}
	p.in.Choices = true
	result, err := quote.Weigh(p.in)
	if err != nil {
		return nil, fmt.Errorf("weigh: %w", err)
	}
	q := p.quote(result, p.in.Now.Add(p.validFor(result)))
	q.State = quotev1.Quote_DRY_RUN
	return &quotev1.PrepareQuoteResponse{Quote: q}, nil
}

// weigh weighs for a quote that is to be stored.
func (p *preparation) weigh() (quote.Result, error) {
	result, err := quote.Weigh(p.in)
	switch {
	case err != nil:
		return quote.Result{}, fmt.Errorf("weigh: %w", err)
	case len(result.Options) == 0:
		return quote.Result{}, nothingToBuy(result)
	case proto.Size(p.quote(result, p.in.Now)) > store.MaxValue-room:
		return quote.Result{}, apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_LIMIT_REACHED,
			"there is more on offer than one quote can name; state more of the vehicle, or the number of the part to be replaced")
	}
	return result, nil
}

// nothingToBuy says what is kept out and what would admit it.
func nothingToBuy(result quote.Result) error {
	text := "nothing may be bought for this need: no listing and no offer is on record for it"
	if n := len(result.Excluded); n > 0 {
		nearest := result.Excluded[0]
		text = fmt.Sprintf("nothing may be bought for this need: all %d on offer are kept out; %s %s", n, nearest.GetSource(), nearest.GetReason())
		if nearest.GetRemedy() != "" {
			text += "; what would admit it: " + nearest.GetRemedy()
		}
	}
	return apierr.New(codes.FailedPrecondition, fitmentv1.ErrorInfo_NOTHING_TO_BUY, "%s", text)
}

// validFor is how long the quote is good for: as asked, but not beyond the first
// price that the plan counts on, and at least a minute.
func (p *preparation) validFor(result quote.Result) time.Duration {
	valid := p.asked()
	if !result.GoodUntil.IsZero() {
		valid = min(valid, result.GoodUntil.Sub(p.in.Now).Truncate(time.Minute))
	}
	return max(valid, time.Minute)
}

// asked is how long the quote was asked to be good for.
func (p *preparation) asked() time.Duration {
	return time.Duration(cmp.Or(p.request.GetValidHours(), defaultHours)) * time.Hour
}

// quote puts a result into the form that is stored.
func (p *preparation) quote(result quote.Result, until time.Time) *quotev1.Quote {
	notices := slices.Concat(result.Notices, p.extra)
	if !result.GoodUntil.IsZero() && p.validFor(result) < p.asked() {
		notices = append(notices, fmt.Sprintf("The quote ends sooner than asked, because a price that its plan counts on holds until %s.",
			result.GoodUntil.AddDate(0, 0, -1).Format(time.DateOnly)))
	}
	return &quotev1.Quote{
		State: quotev1.Quote_OPEN, Need: p.request.GetNeed(), CurrencyCode: p.in.Currency, DayCost: p.in.DayCost,
		TaxPercent: p.in.Tax.String(), Labour: p.request.GetLabour(), Options: result.Options, Excluded: result.Excluded,
		Plan: result.Plan, ValidUntil: timestamppb.New(until), CreateTime: timestamppb.New(p.in.Now),
		Reference: p.request.GetReference(), FitmentRevision: p.revision, Notices: notices,
	}
}

// keep gives the quote its number and stores it. A quote with a hold is good as
// long as the hold, but not longer than the prices that its plan counts on.
func (p *preparation) keep(ctx context.Context, n int, result quote.Result, held *fitmentv1.Listing) (store.Applied, error) {
	q := p.quote(result, p.in.Now.Add(p.validFor(result)))
	if held != nil {
		q.HeldListing, q.Hold, q.ValidUntil = held.GetName(), held.GetHold(), held.GetHold().GetExpireTime()
		if end := result.GoodUntil; !end.IsZero() && end.Before(q.GetValidUntil().AsTime()) {
			q.ValidUntil = timestamppb.New(end)
		}
	}
	for range conflictTries {
		applied, err := p.keepOnce(ctx, n, q)
		switch {
		case errors.Is(err, store.ErrConflict):
			continue
		case errors.Is(err, store.ErrTooLate):
			return applied, apierr.New(codes.Aborted, fitmentv1.ErrorInfo_HOLD_LOST, "the hold or a price ran out while the quote was prepared; repeat the request with a new request_id")
		}
		return applied, err
	}
	return store.Applied{}, contended()
}

func (p *preparation) keepOnce(ctx context.Context, n int, q *quotev1.Quote) (store.Applied, error) {
	year := q.GetCreateTime().AsTime().Format("2006")
	counter, number, err := p.s.count(ctx, p.in.Tenant, kindNumber, year)
	if err != nil {
		return store.Applied{}, err
	}
	q.Number = fmt.Sprintf("Q-%s-%06d", year, number)
	q.Name = quotePrefix + q.GetNumber()
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(q)
	if err != nil {
		return store.Applied{}, fmt.Errorf("keep the quote: %w", err)
	}
	puts := []store.Put{{Key: store.Key{Tenant: p.in.Tenant, Kind: kindQuote, ID: q.GetNumber()}, Expect: store.Absent, Value: raw}, counter}
	if name := q.GetHeldListing(); name != "" {
		put, err := p.s.quoteClaim(ctx, p.write, name, claim{
			Request: p.write.requestID, Attempt: n, Quote: q.GetName(), Until: q.GetHold().GetExpireTime().AsTime(),
		})
		if err != nil {
			return store.Applied{}, fmt.Errorf("%s: %w", name, err)
		}
		puts = append(puts, put)
	}
	return p.s.apply(ctx, p.write, store.Change{Puts: puts, NotAfter: q.GetValidUntil().AsTime()}, raw)
}
