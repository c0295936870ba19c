package quote

import (
	"cmp"
	"fmt"
	"maps"
	"math/big"
	"slices"
	"strings"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/quote/choice"
	"beltwright.example/services/quote/plan"
	"beltwright.example/services/quote/working"
)

// nothingWords is the plan where there is nothing to plan with.
const nothingWords = "There is nothing that may be bought for this need."

// purchase is a plan with what it was chosen from.
type purchase struct {
	plan     *quotev1.PlanPurchaseResponse
	tradeOff *quotev1.TradeOff
	steps    []working.Step // how the numbers of the trade-off came about
	notice   string
	law      lineLaw // of a line of several
}

// tried are the used and remanufactured candidates by their index, so that of
// more than a plan takes those that promise the lowest cost take part.
func (f *field) tried() []*candidate {
	tried := make([]*candidate, 0, len(f.priced))
	for _, c := range f.priced {
		if c.option.GetCondition() != quotev1.Offer_NEW {
			tried = append(tried, c)
		}
	}
	index := make(map[*candidate]*big.Rat, len(tried))
	for _, c := range tried {
		index[c] = plan.Index(c.planOffer(), f.in.DayCost)
	}
	slices.SortFunc(tried, func(a, b *candidate) int {
		return cmp.Or(index[a].Cmp(index[b]), strings.Compare(a.option.GetSource(), b.option.GetSource()))
	})
	return tried
}

// problem is the plan's problem over these candidates.
func (f *field) problem(tried []*candidate) plan.Problem {
	p := plan.Problem{
		Currency: f.in.Currency, DayCost: f.in.DayCost, Parallel: f.in.Parallel, Deadline: f.in.Deadline, LateCost: f.in.LateCost,
	}
	if f.fallback != nil {
		p.Fallback = &plan.Fallback{Price: f.fallback.unfitted(), Days: f.fallback.option.GetDays()}
	}
	repeats := make(map[string]int)
	for _, c := range tried {
		repeats[c.shares()]++
	}
	for _, c := range tried {
		offer := c.planOffer()
		if key := c.shares(); repeats[key] > 1 {
			belief := f.in.beliefs[c.option.GetCondition()][c.seller()]
			if p.Sellers == nil {
				p.Sellers = make(map[string]plan.Belief)
			}
			p.Sellers[key] = plan.Belief{Alpha: belief.Alpha, Beta: belief.Beta}
			offer.Seller = key
		}
		p.Offers = append(p.Offers, offer)
	}
	return p
}

// shares names the uncertain chance that the candidate shares with others: that
// of its seller's parts in its condition.
func (c *candidate) shares() string {
	return c.seller() + " " + strings.ToLower(c.option.GetCondition().String())
}

// purchase plans over the used and remanufactured candidates with the new part
// behind them.
func (f *field) purchase() (purchase, error) {
	tried := f.tried()
	kept := tried[:min(len(tried), plan.MaxOffers)]
	if len(kept) == 0 && f.fallback == nil {
		return purchase{plan: &quotev1.PlanPurchaseResponse{UnrepairedProbability: 1, Words: nothingWords}}, nil
	}
	problem := f.problem(kept)
	answer, err := Plan(problem, f.called, f.fresh())
	if err != nil {
		return purchase{}, err
	}
	for _, c := range tried[len(kept):] {
		answer.NotTried = append(answer.NotTried, c.option.GetSource())
	}
	p := purchase{plan: answer}
	if f.in.Choices || !keeps(answer, f.in.Limits) {
		err = f.choose(&p, problem)
	}
	return p, err
}

// called is what a plan calls the candidate of a source.
func (f *field) called(source string) string {
	for _, c := range f.priced {
		if c.option.GetSource() == source {
			return partWords(c.option) + " " + source
		}
	}
	return source
}

// fresh is what a plan calls the new part; empty where there is none.
func (f *field) fresh() string {
	if f.fallback == nil {
		return ""
	}
	return f.called(f.fallback.option.GetSource())
}

// Plan computes a plan in the form of the wire contract, with its words: names
// says what an id is called, fresh what the fallback is called.
func Plan(problem plan.Problem, names func(id string) string, fresh string) (*quotev1.PlanPurchaseResponse, error) {
	result, err := plan.Purchase(problem)
	if err != nil {
		return nil, fmt.Errorf("plan: %w", err)
	}
	return PlanProto(result, names, fresh), nil
}

// choose adds what may be chosen between, and where the plan breaks a limit takes
// the cheapest policy that keeps them all. A limit filters and weighs nothing.
func (f *field) choose(p *purchase, problem plan.Problem) error {
	limits := f.in.Limits
	trade, err := choice.Front(problem, choice.Limits{
		MaxCost: limits.GetMaxCost(), MaxCVaR: limits.GetMaxCvar(), MaxDays: limits.GetMaxDays(),
	})
	if err != nil {
		return fmt.Errorf("what may be chosen between: %w", err)
	}
	p.tradeOff = TradeOffProto(trade, f.called, f.fresh())
	for n, point := range trade.Points {
		for _, step := range point.Workings {
			step.Number = fmt.Sprintf("choice %d, %s", n+1, step.Number)
			p.steps = append(p.steps, step)
		}
	}
	switch {
	case keeps(p.plan, limits):
	case len(trade.Points) == 0:
		p.notice = noticeLimits
	default:
		given, err := plan.Given(problem, trade.Points[0].Policy)
		if err != nil {
			return fmt.Errorf("plan within the limits: %w", err)
		}
		p.plan = PlanProto(given, f.called, f.fresh())
	}
	return nil
}

// keeps tells whether a plan keeps the limits.
func keeps(p *quotev1.PlanPurchaseResponse, limits *quotev1.Limits) bool {
	return (limits.GetMaxCost() == 0 || p.GetExpectedCost() <= limits.GetMaxCost()) &&
		(limits.GetMaxCvar() == 0 || p.GetCvar95() <= limits.GetMaxCvar()) &&
		(limits.GetMaxDays() == 0 || p.GetExpectedDays() <= limits.GetMaxDays())
}

// purchaseFrom plans with the first purchase settled: the rest is the plan of what
// is left once it has failed. The first purchase does not pay what is waived.
// Without one, or where a new part is first, there is nothing to settle.
func (f *field) purchaseFrom(first *candidate, waived int64) (purchase, error) {
	if first == nil {
		return f.purchase()
	}
	if first.option.GetCondition() == quotev1.Offer_NEW {
		f.fallback = first
	}
	tried := f.tried()
	kept := slices.Clone(tried[:min(len(tried), plan.MaxOffers)])
	if at := slices.Index(tried, first); at >= len(kept) {
		kept[len(kept)-1] = first
	}
	problem := f.problem(kept)
	policy, rest, err := policyFrom(problem, slices.Index(kept, first))
	if err != nil {
		return purchase{}, err
	}
	if at := slices.Index(kept, first); at >= 0 {
		problem.Offers[at].Sunk -= waived
	} else if problem.Fallback != nil {
		problem.Fallback.Price -= waived
	}
	given, err := plan.Given(problem, policy)
	if err != nil {
		return purchase{}, fmt.Errorf("plan: %w", err)
	}
	given.Method, given.Limited = rest.Method, rest.Limited
	p := purchase{plan: PlanProto(given, f.called, f.fresh())}
	if p.law, err = f.lawOf(problem, policy, kept); err != nil {
		return purchase{}, err
	}
	for _, c := range tried {
		if !slices.Contains(kept, c) {
			p.plan.NotTried = append(p.plan.NotTried, c.option.GetSource())
		}
	}
	return p, f.weighAlternatives(&p, problem)
}

// policyFrom is the policy that buys offer first, then follows the plan of what is
// left; a first below 0 is the fallback, bought at once.
func policyFrom(p plan.Problem, first int) (plan.Policy, plan.Result, error) {
	if first < 0 {
		return plan.Policy{Fallback: true}, plan.Result{Method: plan.MethodIndex}, nil
	}
	rest, places := afterFailure(p, first)
	policy := plan.Policy{Batches: [][]int{{first}}, Fallback: p.Fallback != nil}
	if len(rest.Offers) == 0 {
		return policy, plan.Result{Method: plan.MethodIndex}, nil
	}
	result, err := plan.Purchase(rest)
	if err != nil {
		return plan.Policy{}, plan.Result{}, fmt.Errorf("plan after the first purchase: %w", err)
	}
	for _, batch := range result.Batches {
		var then []int
		for _, id := range batch {
			then = append(then, places[id])
		}
		policy.Batches = append(policy.Batches, then)
	}
	return policy, result, nil
}

// afterFailure is the problem that is left once an offer has failed: its seller's
// next part is the likelier to fail, its days are gone, and a deadline that has
// passed with them changes nothing any more. (One that ends the very day is taken to
// have passed: what takes no days at all would still be in time.) Places are by id in
// the problem before.
func afterFailure(p plan.Problem, failed int) (rest plan.Problem, places map[string]int) {
	gone := p.Offers[failed]
	rest = p
	rest.Offers, rest.Sellers, places = nil, maps.Clone(p.Sellers), make(map[string]int)
	if belief, shared := rest.Sellers[gone.Seller]; shared {
		belief.Beta = min(belief.Beta+1, plan.MaxWeight)
		rest.Sellers[gone.Seller] = belief
	}
	for i, offer := range p.Offers {
		if i == failed {
			continue
		}
		if belief, shared := rest.Sellers[offer.Seller]; shared {
			offer.Pass = belief.Alpha / (belief.Alpha + belief.Beta)
		}
		rest.Offers = append(rest.Offers, offer)
		places[offer.ID] = i
	}
	if rest.Deadline > 0 {
		if rest.Deadline -= gone.Days; rest.Deadline <= 0 {
			rest.Deadline, rest.LateCost = 0, 0
		}
	}
	return rest, places
}

// weighAlternatives adds what may be chosen between for a line of several, whose
// plan it leaves alone.
func (f *field) weighAlternatives(p *purchase, problem plan.Problem) error {
	settled := p.plan
	var err error
	if f.in.Choices {
		err = f.choose(p, problem)
	}
	p.plan, p.notice = settled, ""
	if !keeps(settled, f.in.Limits) {
		p.notice = noticeLine
	}
	return err
}
