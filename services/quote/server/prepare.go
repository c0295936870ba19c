package server

import (
	"context"
	"errors"
	"fmt"
	"regexp"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/check"
	"beltwright.example/services/platform/requests"
	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/quote"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/store"
)

const (
	// prepareTries is how often one call chooses what to hold, and maxAttempts how
	// often all calls with one request id do.
	prepareTries = 8
	maxAttempts  = 64
	// briefly is how long, in minutes, a listing is held while it is weighed.
	briefly = 5
	// defaultHours and maxHours bound how long a quote is good for.
	defaultHours = 72
	maxHours     = 720
	// room is kept free in a quote's record for number, holds and times, and for
	// what its acceptance adds.
	room = 16 << 10
	// closingRoom of it is for what closes the quote: an authorization, or a reason.
	closingRoom = 8 << 10
)

// PrepareQuote weighs what may be bought, holds the plans' first listings, and
// stores an immutable quote; or it stores a draft, which holds nothing.
func (s *Server) PrepareQuote(ctx context.Context, request *quotev1.PrepareQuoteRequest) (*quotev1.PrepareQuoteResponse, error) {
	who, err := caller(ctx)
	if err != nil {
		return nil, err
	}
	var fields check.Fields
	meant := s.checkTerms(request, "", &fields)
	if !request.GetDryRun() || request.GetRequestId() != "" {
		requests.ID(&fields, request.GetRequestId())
	}
	if request.GetDryRun() && request.GetDraft() {
		fields.Add("draft", "is asked for together with a dry run, which stores nothing", "one of the two")
	}
	if err := fields.Err(); err != nil {
		return nil, err
	}
	p := s.preparing(who.Tenant, request, meant)
	if request.GetDryRun() {
		return p.dryRun(ctx)
	}
	var before store.Applied
	p.write, before, err = s.begin(ctx, who.Tenant, request.GetRequestId(), request)
	if err == nil && !before.Replayed {
		keep := p.issue
		if request.GetDraft() {
			keep = p.draft
		}
		before, err = keep(ctx)
	}
	q, place, err := s.closedAnswer(ctx, before, err)
	if err != nil {
		return nil, err
	}
	return &quotev1.PrepareQuoteResponse{Quote: q, Revision: place}, nil
}

// dryRun weighs only. Having nothing to buy is an answer, too.
func (p *preparation) dryRun(ctx context.Context) (*quotev1.PrepareQuoteResponse, error) {
	if err := p.gather(ctx); err != nil {
		return nil, err
	}
	whole, err := p.weighed(ctx, true)
	if err != nil {
		return nil, err
	}
	q, err := p.quote(whole, quotev1.Quote_DRY_RUN)
	if err != nil {
		return nil, err
	}
	return &quotev1.PrepareQuoteResponse{Quote: q}, nil
}

// draft stores what was weighed, without number and holds, under the request's id.
func (p *preparation) draft(ctx context.Context) (store.Applied, error) {
	if err := p.gather(ctx); err != nil {
		return store.Applied{}, err
	}
	whole, err := p.weigh(ctx, true)
	if err != nil {
		return store.Applied{}, err
	}
	q, err := p.quote(whole, quotev1.Quote_DRAFT)
	if err != nil {
		return store.Applied{}, err
	}
	id := draftPrefix + p.write.requestID
	q.Name = quotePrefix + id
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(q)
	if err != nil {
		return store.Applied{}, fmt.Errorf("keep the draft: %w", err)
	}
	key := store.Key{Tenant: p.tenant, Kind: kindQuote, ID: id}
	applied, err := p.s.apply(ctx, p.write, store.Change{Puts: []store.Put{{Key: key, Expect: store.Absent, Value: raw}}}, raw)
	if errors.Is(err, store.ErrConflict) { // so long ago that the store has forgotten the request; the draft may be issued by now
		err = storeError(store.ErrRequestReused)
	}
	return applied, err
}

// issue holds what the plans buy first, then stores the quote with its number.
func (p *preparation) issue(ctx context.Context) (store.Applied, error) {
	if err := p.gather(ctx); err != nil {
		return store.Applied{}, err
	}
	for n := 0; n < maxAttempts && p.chosen < prepareTries; n++ {
		applied, done, err := p.attempt(ctx, n)
		if err != nil || done {
			return applied, err
		}
	}
	return store.Applied{}, p.gaveUp()
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

// terms are what a request was checked to mean.
type terms struct {
	tax, supplies money.Percent
	pack          tax.Pack
}

// placeForm is the form of a place, ISO 3166.
var placeForm = regexp.MustCompile(`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`)

// checkTerms checks everything of a request but its id; at is what its fields'
// names begin with.
func (s *Server) checkTerms(request *quotev1.PrepareQuoteRequest, at string, fields *check.Fields) terms {
	checkNeeds(request, at, fields)
	if !amount.Known(request.GetCurrencyCode()) {
		fields.Add(at+"currency_code", fmt.Sprintf("%.20q is no currency in use", request.GetCurrencyCode()), "an active code of ISO 4217, such as USD")
	}
	fields.Int(at+"day_cost", request.GetDayCost(), 0, amount.Max)
	fields.Int(at+"valid_hours", int64(request.GetValidHours()), 0, maxHours)
	fields.Text(at+"reference", request.GetReference(), 100, false)
	fields.Text(at+"customer", request.GetCustomer(), 100, false)
	fields.Int(at+"deadline_days", int64(request.GetDeadlineDays()), 0, plan.MaxDays)
	fields.Int(at+"late_cost", request.GetLateCost(), 0, amount.Max)
	if request.GetLateCost() > 0 && request.GetDeadlineDays() == 0 {
		fields.Add(at+"deadline_days", "is missing, and a cost of being late is stated", "the day by which the vehicle should be ready")
	}
	checkLimits(request.GetLimits(), at+"limits.", fields)
	return s.checkTax(request, at, fields)
}

func checkNeeds(request *quotev1.PrepareQuoteRequest, at string, fields *check.Fields) {
	if request.GetNeed() == nil {
		fields.Add(at+"need", "is missing", "what the vehicle lacks")
		return
	}
	if n := len(request.GetFurtherNeeds()); n >= quote.MaxLines {
		fields.Add(at+"further_needs", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", quote.MaxLines-1))
		return
	}
	for i, further := range quote.Needs(request) {
		in := at
		if i > 0 {
			in = fmt.Sprintf("%sfurther_needs[%d].", at, i-1)
		}
		need := further.GetNeed()
		kind := need.GetKind()
		_, known := fitmentv1.Part_Kind_name[int32(kind)]
		switch {
		case need == nil:
			fields.Add(in+"need", "is missing", "what the vehicle lacks")
		case !known || kind == fitmentv1.Part_KIND_UNSPECIFIED:
			fields.Add(in+"need.kind", "is missing or unknown", "the kind of part, such as BUCKLE_PRETENSIONER")
		case !quote.SameVehicle(request.GetNeed(), need):
			fields.Add(in+"need.vehicle", "is not the vehicle and place of the first need", "the same vehicle and jurisdiction in every need of a quote")
		}
		labour := further.GetLabour()
		fields.Int(in+"labour.fit_minutes", int64(labour.GetFitMinutes()), 0, landed.MaxMinutes)
		fields.Int(in+"labour.check_minutes", int64(labour.GetCheckMinutes()), 0, landed.MaxMinutes)
		fields.Int(in+"labour.hourly_rate", labour.GetHourlyRate(), 0, amount.Max)
	}
}

func checkLimits(limits *quotev1.Limits, at string, fields *check.Fields) {
	fields.Int(at+"max_cost", limits.GetMaxCost(), 0, amount.Max)
	fields.Int(at+"max_cvar", limits.GetMaxCvar(), 0, amount.Max)
	fields.Number(at+"max_days", limits.GetMaxDays(), 0, 1_000_000)
	if bound := limits.GetMinLowerBound(); !(bound >= 0 && bound < 1) {
		fields.Add(at+"min_lower_bound", fmt.Sprintf("%g is out of range", bound), "above 0 and below 1, or 0 for no limit")
	}
}

// checkTax checks what is charged beside parts and labour, by the law of the place.
func (s *Server) checkTax(request *quotev1.PrepareQuoteRequest, at string, fields *check.Fields) terms {
	var t terms
	percent := func(field, text string) money.Percent {
		rate, err := money.ParsePercent(text)
		if err != nil {
			fields.Add(at+field, fmt.Sprintf("%.80s", err.Error()), "a decimal number from 0 to 100, such as 7.25")
		}
		return rate
	}
	t.tax = percent("tax_percent", request.GetTaxPercent())
	t.supplies = percent("supplies_percent", request.GetSuppliesPercent())
	place := request.GetTaxPlace()
	if place != "" && !placeForm.MatchString(place) {
		fields.Add(at+"tax_place", fmt.Sprintf("%.20q is no place", place), "a code of ISO 3166, such as US-WA")
	}
	if place == "" {
		place = request.GetNeed().GetJurisdiction()
	}
	t.pack, _ = s.packs.For(place)
	items := make([]landed.Supply, 0, len(request.GetSupplies()))
	if n := len(request.GetSupplies()); n > landed.MaxSupplies {
		fields.Add(at+"supplies", fmt.Sprintf("has %d items", n), fmt.Sprintf("at most %d", landed.MaxSupplies))
		return t
	}
	for i, item := range request.GetSupplies() {
		in := fmt.Sprintf("%ssupplies[%d].", at, i)
		fields.Text(in+"label", item.GetLabel(), 100, true)
		fields.Int(in+"amount", item.GetAmount(), 0, amount.Max)
		items = append(items, landed.Supply{Label: item.GetLabel(), Amount: item.GetAmount()})
	}
	if err := landed.CheckSupplies(landed.Supplies{Items: items, Percent: t.supplies}, t.pack); err != nil {
		fields.Add(at+"supplies_percent", err.Error(), "items in supplies, each with a label and an amount")
	}
	return t
}
