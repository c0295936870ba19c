package quote

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/landed"
)

// Longest texts of an exclusion, in characters; a quote is kept whole.
const (
	maxReason = 300
	maxRemedy = 200
)

// leastValidity is how long a price must still hold to be quoted.
const leastValidity = time.Minute

// candidate is an option that has passed the gate.
type candidate struct {
	option        *quotev1.Option
	costs         landed.Breakdown
	returnFreight int64
	restocking    int32     // hundredths of a percent of the price
	until         time.Time // end of the price, zero where it has none
	// base is the freight whatever the weight, charged once for all parts of the
	// seller; perKilogram is charged for each kilogram or part of one on top of freight,
	// and grams is the weight packed, 0 where it is not stated.
	base, perKilogram, grams int64
	// coreReturn is the lawful freight of sending the old part back.
	coreReturn int64
	// unNumber and inComponent are what is stated of its transport.
	unNumber    string
	inComponent bool
}

// gate sorts what is offered into candidates and exclusions. It never looks at
// what anything costs, except to keep out amounts that cannot be added up.
type gate struct {
	in         Input
	matches    map[string]*fitmentv1.PartMatch
	candidates []*candidate
	excluded   []*quotev1.ExcludedOption
}

func newGate(in Input) *gate {
	g := &gate{in: in, matches: make(map[string]*fitmentv1.PartMatch, len(in.Parts))}
	for _, match := range in.Parts {
		key, readable := partKey(match.GetPart().GetMaker(), match.GetPart().GetNumber())
		if held, twice := g.matches[key]; readable && (!twice || admitted(held)) {
			g.matches[key] = match // of two answers on one part the more cautious counts
		}
	}
	return g
}

// admitted tells whether the fitment side has proven that a part is right for
// the need and free of recalls.
func admitted(match *fitmentv1.PartMatch) bool {
	return match.GetApplication().GetAnswer() == yes && match.GetRecall().GetAnswer() == yes
}

// fits tells whether the fitment side has proven that a listing fits and may be
// used again.
func fits(decision *fitmentv1.Decision) bool {
	return decision.GetFit() == yes && decision.GetReuse() == yes && decision.GetVerdict() == fitmentv1.Decision_FITS
}

func (g *gate) listing(donor *fitmentv1.Donor) {
	listing := donor.GetListing()
	exclude := func(reason, remedy string) {
		g.exclude(listing.GetName(), quotev1.Offer_USED, listing.GetYard(), listing.GetPrice(), reason, remedy)
	}
	terms := listing.GetTerms()
	switch reason, remedy := g.listingAvailable(listing); {
	case !fits(donor.GetDecision()):
		exclude(whyNot(donor.GetDecision()))
	case reason != "":
		exclude(reason, remedy)
	case listing.GetCurrencyCode() != g.in.Currency:
		exclude(otherCurrency(listing.GetCurrencyCode(), g.in.Currency))
	case !plausible(listing.GetPrice(), terms.GetFreight(), terms.GetHandling(), terms.GetReturnFreight(), terms.GetCoreDeposit(),
		terms.GetFreightPerKilogram(), terms.GetWeightGrams(), terms.GetCoreReturnFreight(), int64(terms.GetCoreDays()), int64(terms.GetWarrantyDays())):
		exclude("states an amount that is out of range", "the yard corrects its price and terms")
	default:
		c := &candidate{
			option: &quotev1.Option{
				Source: listing.GetName(), Condition: quotev1.Offer_USED, Seller: listing.GetYard(),
				PartMaker: listing.GetPartMaker(), PartNumber: listing.GetPartNumber(),
				Price: listing.GetPrice(), CoreDeposit: terms.GetCoreDeposit(),
				Freight: terms.GetFreight(), Handling: terms.GetHandling(), Days: terms.GetDays(),
				CoreDays: terms.GetCoreDays(), WarrantyDays: terms.GetWarrantyDays(),
			},
			returnFreight: terms.GetReturnFreight(), restocking: terms.GetRestockingBasisPoints(),
			base: terms.GetFreight(), perKilogram: terms.GetFreightPerKilogram(), grams: terms.GetWeightGrams(), coreReturn: terms.GetCoreReturnFreight(),
			unNumber: terms.GetUnNumber(), inComponent: terms.GetInComponent(),
		}
		describeListing(c.option, donor.GetDecision())
		g.candidates = append(g.candidates, c)
	}
}

// listingAvailable says why a listing cannot be bought now; empty where it can.
func (g *gate) listingAvailable(listing *fitmentv1.Listing) (reason, remedy string) {
	name, hold := listing.GetName(), listing.GetHold()
	lost, refused := g.in.Lost[name]
	switch {
	case refused:
		return lost, ""
	case g.in.Held[name]:
		return "", ""
	}
	switch listing.GetState() {
	case fitmentv1.Listing_AVAILABLE:
		return "", ""
	case fitmentv1.Listing_HELD:
		if end := hold.GetExpireTime(); end.IsValid() && !end.AsTime().After(g.in.Now) {
			return "", ""
		}
		if hold.GetHolder() != "" && hold.GetHolder() == g.in.Tenant {
			return "is already held by your business", "the quote that holds it is declined, or the hold is released"
		}
		return "is held by another business", "its hold is released or runs out"
	case fitmentv1.Listing_SOLD:
		return "is sold", ""
	case fitmentv1.Listing_WITHDRAWN:
		return "is withdrawn by the yard", "the yard lists it again"
	case fitmentv1.Listing_RETURNING:
		return "is on its way back to its yard after a failed arrival check", "the yard lists it again once it has it"
	default:
		return "does not say whether it is on sale", "the yard lists it again"
	}
}

// whyNot puts a decision that does not admit its listing into words.
func whyNot(decision *fitmentv1.Decision) (reason, remedy string) {
	failing := map[fitmentv1.Finding_Severity][]*fitmentv1.Finding{}
	var open []*fitmentv1.Finding
	for _, finding := range decision.GetFindings() {
		severity := finding.GetSeverity()
		switch {
		case severity != fitmentv1.Finding_FIT && severity != fitmentv1.Finding_REUSE, finding.GetAnswer() == yes:
		case finding.GetAnswer() == no:
			failing[severity] = append(failing[severity], finding)
		default:
			open = append(open, finding)
		}
	}
	misfit, barred := failing[fitmentv1.Finding_FIT], failing[fitmentv1.Finding_REUSE]
	switch {
	case decision.GetReuse() == no && len(misfit) > 0:
		return words("may not be used again: ", barred) + words("; and does not fit: ", misfit), ""
	case decision.GetReuse() == no:
		return words("may not be used again: ", barred), firstRemedy(barred)
	case decision.GetFit() == no:
		return words("does not fit: ", misfit), firstRemedy(misfit)
	}
	for _, missing := range decision.GetMissingEvidence() {
		if missing.GetAsk() != "" {
			return words("is not proven yet: ", open), missing.GetAsk()
		}
	}
	return words("is not proven yet: ", open), firstRemedy(open)
}

// WhyNot says why a decision does not admit its listing, and what would change
// that; remedy is empty where nothing would.
func WhyNot(decision *fitmentv1.Decision) (reason, remedy string) { return whyNot(decision) }

// words joins the findings' reasons, each behind the name of its rule
// ("connector.keying" as "connector, keying").
func words(lead string, findings []*fitmentv1.Finding) string {
	reasons := make([]string, 0, len(findings))
	for _, finding := range findings {
		reason := strings.TrimRight(finding.GetReason(), ". ")
		if reason == "" {
			continue
		}
		if rule := strings.ReplaceAll(finding.GetRule(), ".", ", "); rule != "" {
			reason = rule + ": " + reason
		}
		reasons = append(reasons, reason)
	}
	if len(reasons) == 0 {
		reasons = append(reasons, "the decision gives no reason")
	}
	return lead + strings.Join(reasons, "; ")
}

func firstRemedy(findings []*fitmentv1.Finding) string {
	for _, finding := range findings {
		if remedy := finding.GetRemedy(); remedy != "" {
			return remedy
		}
	}
	return ""
}

func (g *gate) offer(offer *quotev1.Offer) {
	exclude := func(reason, remedy string) {
		g.exclude(offer.GetName(), offer.GetCondition(), offer.GetSupplier(), offer.GetPrice(), reason, remedy)
	}
	key, _ := partKey(offer.GetPartMaker(), offer.GetPartNumber())
	match := g.matches[key]
	if reason, remedy := g.proven(offer, match); reason != "" {
		exclude(reason, remedy)
		return
	}
	until, err := endOf(offer.GetValidUntil())
	switch {
	case !offer.GetAvailable():
		exclude("the supplier cannot deliver it", "the supplier's price list says that it is available again")
	case err != nil:
		exclude("its last day of validity cannot be read", "the supplier's price list is imported again")
	case !until.IsZero() && until.Sub(g.in.Now) < leastValidity: // a quote is good for that long at least
		exclude("its price held until "+offer.GetValidUntil(), "a price list that is still valid is imported")
	case offer.GetCurrencyCode() != g.in.Currency:
		exclude(otherCurrency(offer.GetCurrencyCode(), g.in.Currency))
	case offer.GetDays() < 0 || offer.GetRestockingBasisPoints() < 0 || offer.GetRestockingBasisPoints() > 100_00 ||
		!plausible(offer.GetPrice(), offer.GetFreight(), offer.GetHandling(), offer.GetReturnFreight(), offer.GetCoreDeposit(),
			offer.GetFreightPerKilogram(), offer.GetWeightGrams(), offer.GetCoreReturnFreight(), int64(offer.GetCoreDays()), int64(offer.GetWarrantyDays())):
		exclude("states an amount that is out of range", "the supplier's price list is corrected")
	default:
		c := &candidate{
			option: &quotev1.Option{
				Source: offer.GetName(), Condition: offer.GetCondition(), Seller: offer.GetSupplier(),
				PartMaker: match.GetPart().GetMaker(), PartNumber: match.GetPart().GetNumber(),
				Price: offer.GetPrice(), CoreDeposit: offer.GetCoreDeposit(),
				Freight: offer.GetFreight(), Handling: offer.GetHandling(), Days: offer.GetDays(),
				CoreDays: offer.GetCoreDays(), WarrantyDays: offer.GetWarrantyDays(),
			},
			returnFreight: offer.GetReturnFreight(), restocking: offer.GetRestockingBasisPoints(), until: until,
			base: offer.GetFreight(), perKilogram: offer.GetFreightPerKilogram(), grams: offer.GetWeightGrams(), coreReturn: offer.GetCoreReturnFreight(),
			unNumber: offer.GetUnNumber(), inComponent: offer.GetInComponent(),
		}
		describeOffer(c.option, match)
		g.candidates = append(g.candidates, c)
	}
}

// proven says why an offer's part is not proven to be right; empty where it is.
func (g *gate) proven(offer *quotev1.Offer, match *fitmentv1.PartMatch) (reason, remedy string) {
	needed := g.in.Need.GetKind()
	application, recall := match.GetApplication(), match.GetRecall()
	switch {
	case offer.GetKind() != needed:
		return "is of the kind " + kindWords(offer.GetKind()) + "; needed is " + kindWords(needed), ""
	case offer.GetCondition() != quotev1.Offer_NEW && offer.GetCondition() != quotev1.Offer_REMANUFACTURED:
		return "is stated neither as new nor as remanufactured", "the supplier's price list says which"
	case match == nil:
		return "the catalogue does not show that part " + offer.GetPartNumber() + " is right for this vehicle and position",
			"the part's application is in the catalogue"
	case match.GetPart().GetKind() != needed:
		return "the catalogue lists part " + offer.GetPartNumber() + " under the kind " + kindWords(match.GetPart().GetKind()) + "; needed is " + kindWords(needed), ""
	case application.GetAnswer() == no:
		return words("does not fit: ", []*fitmentv1.Finding{application}), application.GetRemedy()
	case recall.GetAnswer() == no:
		return words("is under recall: ", []*fitmentv1.Finding{recall}), recall.GetRemedy()
	case application.GetAnswer() != yes:
		return words("is not proven to fit: ", []*fitmentv1.Finding{application}), application.GetRemedy()
	case recall.GetAnswer() != yes:
		return words("is not proven to be free of recalls: ", []*fitmentv1.Finding{recall}), recall.GetRemedy()
	}
	return "", ""
}

func (g *gate) exclude(source string, condition quotev1.Offer_Condition, seller string, price int64, reason, remedy string) {
	g.excluded = append(g.excluded, &quotev1.ExcludedOption{
		Source: source, Condition: condition, Seller: seller, Price: price,
		Reason: shorten(reason, maxReason), Remedy: shorten(remedy, maxRemedy),
	})
}

func otherCurrency(got, want string) (reason, remedy string) {
	return fmt.Sprintf("is priced in %.10s, not in %s", got, want), "a price in " + want
}

func plausible(amounts ...int64) bool {
	for _, value := range amounts {
		if value < 0 || value > amount.Max {
			return false
		}
	}
	return true
}

// endOf is the end of a day (UTC), the zero time where no day is given.
func endOf(day string) (time.Time, error) {
	if day == "" {
		return time.Time{}, nil
	}
	start, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return time.Time{}, fmt.Errorf("last day of validity: %w", err)
	}
	return start.AddDate(0, 0, 1), nil
}

// shorten cuts a text at a number of characters and says so with an ellipsis.
func shorten(text string, longest int) string {
	if utf8.RuneCountInString(text) <= longest {
		return text
	}
	return string([]rune(text)[:longest-1]) + "…"
}

func kindWords(kind fitmentv1.Part_Kind) string {
	return strings.ToLower(strings.ReplaceAll(kind.String(), "_", " "))
}

// Named returns a test of whether the fitment side's answer names a part.
func Named(parts []*fitmentv1.PartMatch) func(maker, number string) bool {
	names := make(map[string]bool, len(parts))
	for _, match := range parts {
		if key, readable := partKey(match.GetPart().GetMaker(), match.GetPart().GetNumber()); readable {
			names[key] = true
		}
	}
	return func(maker, number string) bool {
		key, readable := partKey(maker, number)
		return readable && names[key]
	}
}

// Admits says why a part may not be bought for the need any more; empty where
// it may.
func Admits(need *fitmentv1.Need, parts []*fitmentv1.PartMatch, offer *quotev1.Offer) string {
	g := newGate(Input{Need: need, Parts: parts})
	key, _ := partKey(offer.GetPartMaker(), offer.GetPartNumber())
	reason, _ := g.proven(offer, g.matches[key])
	return reason
}

// SamePart tells whether an offer still sells the part that a quote names, in
// the condition that it names.
func SamePart(option *quotev1.Option, offer *quotev1.Offer) bool {
	quoted, readable := partKey(option.GetPartMaker(), option.GetPartNumber())
	now, _ := partKey(offer.GetPartMaker(), offer.GetPartNumber())
	return readable && quoted == now && option.GetCondition() == offer.GetCondition()
}
