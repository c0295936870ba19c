package quote

import (
	"fmt"
	"strings"
	"time"

	quotev1 "beltwright.example/proto/beltwright/quote/v1"
	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/landed"
	"beltwright.example/services/quote/money"
)

// Ended tells whether an offer's price does not hold any more, or nobody can
// tell until when it does.
func Ended(offer *quotev1.Offer, now time.Time) bool {
	until, err := endOf(offer.GetValidUntil())
	return err != nil || (!until.IsZero() && !now.Before(until))
}

// Changed says in which of its terms an offer is not what the option of a quote
// in this currency says; empty where it is the same in all.
func Changed(option *quotev1.Option, currency string, offer *quotev1.Offer) string {
	if got := offer.GetCurrencyCode(); got != currency {
		reason, _ := otherCurrency(got, currency)
		return reason
	}
	loss, err := returnLoss(offer)
	if err != nil {
		return "what a return costs cannot be worked out"
	}
	freight, err := landed.Freight{Base: offer.GetFreight(), PerKilogram: offer.GetFreightPerKilogram()}.For(offer.GetWeightGrams())
	if err != nil {
		return "what the freight costs cannot be worked out: " + err.Error()
	}
	var changed []string
	for _, term := range []struct {
		what        string
		quoted, now int64
	}{
		{"price", option.GetPrice(), offer.GetPrice()},
		{"core deposit", option.GetCoreDeposit(), offer.GetCoreDeposit()},
		{"freight", option.GetFreight(), freight},
		{"handling", option.GetHandling(), offer.GetHandling()},
		{"loss on return", option.GetReturnLoss(), loss},
	} {
		if term.quoted != term.now {
			changed = append(changed, fmt.Sprintf("%s %s instead of %s %s",
				term.what, amount.Format(term.now, currency), amount.Format(term.quoted, currency), currency))
		}
	}
	for _, term := range []struct {
		what        string
		quoted, now int32
	}{
		{"", option.GetDays(), offer.GetDays()},
		{" for returning the old part", option.GetCoreDays(), offer.GetCoreDays()},
		{" of warranty", option.GetWarrantyDays(), offer.GetWarrantyDays()},
	} {
		if term.quoted != term.now {
			changed = append(changed, fmt.Sprintf("%d days%s instead of %d", term.now, term.what, term.quoted))
		}
	}
	return strings.Join(changed, ", ")
}

// returnLoss is what an offer's terms keep where the part fails: the restocking
// charge and the freight of the return.
func returnLoss(offer *quotev1.Offer) (int64, error) {
	restocking, err := money.BasisPoints(offer.GetPrice(), offer.GetRestockingBasisPoints())
	if err != nil {
		return 0, fmt.Errorf("restocking: %w", err)
	}
	loss, err := money.Sum(restocking, offer.GetReturnFreight())
	if err != nil {
		return 0, fmt.Errorf("loss on return: %w", err)
	}
	return loss, nil
}
