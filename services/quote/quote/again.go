package quote

import (
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	quotev1 "beltwright.example/proto/beltwright/quote/v1"
)

// ListingNow says why a listing that a quote in this currency offers as an option
// may not be bought on its terms now; empty where it may. Donor is the listing as it
// is and as it is decided now; held says that the business holds it for this
// purchase.
func ListingNow(option *quotev1.Option, currency string, need *fitmentv1.Need, donor *fitmentv1.Donor, tenant string, held bool, now time.Time) string {
	in := Input{Need: need, Currency: currency, Tenant: tenant, Now: now}
	listing := donor.GetListing()
	if held {
		in.Held = map[string]bool{listing.GetName(): true}
	}
	g := newGate(in)
	g.listing(donor)
	if len(g.excluded) > 0 {
		return g.excluded[0].GetReason()
	}
	if changed := Changed(option, currency, asOffer(listing)); changed != "" {
		return "is not offered on the quoted terms any more: " + changed
	}
	return ""
}

// ConsentMissing says which consent of the customer's the law asks for before an
// option is bought that an authorization does not give; empty where it gives all.
func ConsentMissing(option *quotev1.Option, a *quotev1.Authorization) string {
	for _, c := range consents([]*quotev1.Option{option}) {
		switch {
		case a == nil, c.used && !a.GetUsedPart(), c.written && a.GetMethod() == quotev1.Authorization_SPOKEN:
			return c.words()
		}
	}
	return ""
}

// asOffer is a listing's bargain in the form of an offer.
func asOffer(l *fitmentv1.Listing) *quotev1.Offer {
	terms := l.GetTerms()
	return &quotev1.Offer{
		CurrencyCode: l.GetCurrencyCode(), Price: l.GetPrice(), CoreDeposit: terms.GetCoreDeposit(),
		Freight: terms.GetFreight(), FreightPerKilogram: terms.GetFreightPerKilogram(), WeightGrams: terms.GetWeightGrams(),
		Handling: terms.GetHandling(), ReturnFreight: terms.GetReturnFreight(), RestockingBasisPoints: terms.GetRestockingBasisPoints(),
		Days: terms.GetDays(), CoreDays: terms.GetCoreDays(), WarrantyDays: terms.GetWarrantyDays(),
	}
}

// OfferNow says why an offer may not be bought on the option's terms now; empty
// where it may. Parts are what the fitment side names for the need now; a nil offer
// is one that the price list does not have any more.
func OfferNow(option *quotev1.Option, currency string, need *fitmentv1.Need, parts []*fitmentv1.PartMatch, offer *quotev1.Offer, now time.Time) string {
	switch {
	case offer == nil || !offer.GetAvailable() || !SamePart(option, offer):
		return "is not in the supplier's price list any more"
	case Ended(offer, now):
		return "had its price until " + offer.GetValidUntil()
	}
	if changed := Changed(option, currency, offer); changed != "" {
		return "is not offered on the quoted terms any more: " + changed
	}
	return Admits(need, parts, offer)
}
