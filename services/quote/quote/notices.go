package quote

import (
	"fmt"
	"slices"
	"strings"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// maxNotices bounds the sentences of a quote.
const maxNotices = 60

// The sentences that stand on every quote. That a used part is disclosed, in
// offers, on invoices and on the packaging, is asked for by 16 CFR 20.1(b).
const (
	noticeUsed    = "Used parts: an option marked USED was removed from another vehicle. Say so in the offer, on the invoice and on the packaging (16 CFR 20.1)."
	noticeMade    = "Remanufactured parts: an option marked REMANUFACTURED was rebuilt by its supplier's account. Say so in the offer, on the invoice, on the packaging and on the part (16 CFR 20.1)."
	noticeWork    = "The vehicle maker's own procedure, local codes and licensed practice come first. No part is fitted before it has passed its arrival check."
	noticeLive    = "A replaced part that has not fired is live: handle, store, ship and dispose of it by the rules for explosive and dangerous goods. Never throw it away or post it."
	noticeFit     = "The plan's costs leave out the labour of fitting and supplies, which are the same on every way; each option's landed cost contains them."
	noticeCore    = "A deposit on the old part counts as cost where nothing is expected back after the freight of sending the old part, or where that freight is not stated."
	noticeBack    = "A deposit that is expected back with the old part lowers the plan's costs, less the lawful freight of sending it; it is paid first all the same, and comes back only if the old part does in time."
	noticeRest    = "Not counted: further parts that a deployment makes due, programming of modules, and charges that no price list or listing states."
	noticeBeta    = "Chances of passing come from a documented prior moved by the outcomes that your business recorded; they are estimates, and no evidence of fit."
	noticeSame    = "Parts from one seller share the seller's unknown chance: the plan counts that each one that fails makes the next one from that seller likelier to fail."
	noticeMany    = "The plan buys several parts at once to begin with. The quote holds only the first of them, and accepting it buys only that one; hold and buy the others by themselves."
	noticeLate    = "The deadline and what being late costs move the plan only; they are no promise of anybody."
	noticeLimits  = "No way to buy keeps all the limits that were set; the plan is the one of least expected cost. How near one comes stands beside the trade-off."
	noticeLine    = "The plan of a line does not keep the limits that were set, which count for each line: its first purchase was chosen together with the other lines'."
	noticeChoices = "What may be chosen between is not listed for more than four lines where several parts may be bought at once; ask for a line by itself."
	noticeTime    = "What may be chosen between is not listed for every line: the time for it was up; ask for the others by themselves."
	noticeBasket  = "The sellers of all lines were chosen together, since each charges its freight once. Accepting only some lines may change what they cost; itemised supplies are charged with whichever lines are accepted."
	noticeNew     = "The plan takes a new part to pass its check. Check it on arrival all the same."
)

// What the search for a quote adds of things that it leaves out.
const (
	// NoticeListings is of listings, and takes their number.
	NoticeListings = "Further listings that are not proven to fit are not named here: the search ended at %d."
	// NoticeOffers is of offers.
	NoticeOffers = "Further offers in your price lists, of the same kind but of parts that the catalogue does not name for this need, are not named here."
)

const (
	onArrival = "On arrival: "
	askAge    = " Ask for its date of manufacture."
)

// customerWords are the notices that are the shop's own, each as the customer is
// told of it; empty where it only tells the shop what to do.
var customerWords = map[string]string{ //nolint:gochecknoglobals // a table that nothing changes
	noticeUsed:    "Parts that were removed from another vehicle are named as such wherever they are offered here (16 CFR 20.1).",
	noticeMade:    "Parts that were rebuilt, by their supplier's account, are named as such wherever they are offered here (16 CFR 20.1).",
	noticeRest:    "Not counted: further parts that a deployment makes due, programming of modules, and charges that no seller states.",
	noticeBeta:    "Chances of passing are estimates from what is known of such parts and their sellers, and no evidence of fit.",
	noticeMany:    "The plan buys several parts at once to begin with; this quote is about the first of them only.",
	noticeChoices: "",
	noticeTime:    "",
	noticeNew:     "The plan takes a new part to pass its check; it is checked on arrival all the same.",
	noticeSlim:    "Workings, and what must be known of an option, are left out for those that are far down in the plan or not tried.",
	noticeLight:   "Transport and what the law asks are told of the first options only.",
	NoticeOffers:  "",
}

// ForCustomer are a quote's notices as its customer reads them: without those that
// only tell the shop what to do, or how the program works, and the rest of the
// shop's own in the customer's words. Whatever is not known to be the shop's stays.
func ForCustomer(notices []string) []string {
	kept := make([]string, 0, len(notices))
	searched, _, _ := strings.Cut(NoticeListings, "%d")
	for _, notice := range notices {
		words, own := customerWords[notice]
		switch {
		case strings.HasPrefix(notice, onArrival), strings.HasPrefix(notice, searched), Says(notice, []string{"pack", "packs"}):
			continue
		case !own:
			words = strings.TrimSuffix(notice, askAge)
		}
		if words != "" {
			kept = append(kept, words)
		}
	}
	return kept
}

// notices collects the cautions and disclosures of a result.
func notices(in Input, result Result) []string {
	var all []string
	has := func(condition quotev1.Offer_Condition) bool {
		return slices.ContainsFunc(result.Options, func(o *quotev1.Option) bool { return o.GetCondition() == condition })
	}
	if has(quotev1.Offer_USED) {
		all = append(all, noticeUsed)
	}
	if has(quotev1.Offer_REMANUFACTURED) {
		all = append(all, noticeMade)
	}
	all = append(all, noticeWork, noticeLive)
	if len(result.Options) > 0 {
		all = append(all, noticeFit, noticeRest, noticeBeta)
		all = append(all, in.Pack.Sentences()...)
	}
	if slices.ContainsFunc(result.Options, func(o *quotev1.Option) bool { return o.GetCoreDeposit() > 0 && o.GetCoreRefund() == 0 }) {
		all = append(all, noticeCore)
	}
	if slices.ContainsFunc(result.Options, func(o *quotev1.Option) bool { return o.GetCoreRefund() > 0 }) {
		all = append(all, noticeBack)
	}
	if has(quotev1.Offer_NEW) {
		all = append(all, noticeNew)
	}
	if repeats(result.Options) {
		all = append(all, noticeSame)
	}
	if batches := result.Plan.GetBatches(); len(batches) > 0 && len(batches[0].GetIds()) > 1 {
		all = append(all, noticeMany)
	}
	if in.LateCost > 0 {
		all = append(all, noticeLate)
	}
	all = append(all, oldStock(in, result.Options)...)
	all = append(all, planned(in, result.Options)...)
	return unique(all, maxNotices)
}

// repeats tells whether the plan tries two options of one seller.
func repeats(options []*quotev1.Option) bool {
	seen := make(map[string]bool)
	for _, option := range options {
		if option.GetPlanPlace() == 0 {
			continue
		}
		if seen[option.GetSeller()] {
			return true
		}
		seen[option.GetSeller()] = true
	}
	return false
}

// oldStock warns of new parts that their maker does not make any more.
func oldStock(in Input, options []*quotev1.Option) []string {
	var all []string
	g := newGate(in)
	for _, option := range options {
		key, _ := partKey(option.GetPartMaker(), option.GetPartNumber())
		match := g.matches[key]
		if option.GetCondition() == quotev1.Offer_NEW && match.GetPart().GetDiscontinued() {
			all = append(all, option.GetSource()+": the maker has discontinued this part, so a new one is old stock."+askAge)
		}
		if years := match.GetPart().GetServiceLifeYears(); years > 0 && (option.GetPlanPlace() > 0 || option.GetFallback()) {
			all = append(all, fmt.Sprintf("%s: the maker sets a service life of %d years from manufacture.", option.GetSource(), years))
		}
	}
	return all
}

// planned repeats the cautions and arrival checks that the decisions give for
// the listings that the plan tries.
func planned(in Input, options []*quotev1.Option) []string {
	tried := make(map[string]bool)
	for _, option := range options {
		if option.GetPlanPlace() > 0 {
			tried[option.GetSource()] = true
		}
	}
	var cautions, checks []string
	for _, donor := range in.Donors {
		if !tried[donor.GetListing().GetName()] {
			continue
		}
		cautions = append(cautions, donor.GetDecision().GetCautions()...)
		for _, arrival := range donor.GetDecision().GetArrivalChecks() {
			checks = append(checks, checkWords(arrival))
		}
	}
	return append(cautions, checks...)
}

func checkWords(arrival *fitmentv1.ArrivalCheck) string {
	if arrival.GetPass() == "" {
		return onArrival + arrival.GetCheck()
	}
	return onArrival + arrival.GetCheck() + " It passes if: " + arrival.GetPass()
}

// unique keeps the first of equal sentences, at most limit of them.
func unique(sentences []string, limit int) []string {
	seen := make(map[string]bool, len(sentences))
	kept := make([]string, 0, min(len(sentences), limit))
	for _, sentence := range sentences {
		sentence = shorten(sentence, 500)
		if sentence != "" && !seen[sentence] && len(kept) < limit {
			seen[sentence] = true
			kept = append(kept, sentence)
		}
	}
	return kept
}
