// Package landed adds up what an offered part costs until it is fitted, and
// splits that the way a buying plan needs it.
package landed

import (
	"fmt"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/money"
)

// Limits of an Input; its amounts are at most amount.Max minor units.
const (
	// MaxMinutes bounds times of work.
	MaxMinutes = 100_000
	// MaxBasisPoints is the whole price.
	MaxBasisPoints = 10_000
)

// Input is an offer with the shop's rates. Amounts are minor units of one
// currency.
type Input struct {
	// Price, CoreDeposit, Freight, Handling and ReturnFreight are the seller's.
	Price, CoreDeposit, Freight, Handling, ReturnFreight int64
	// RestockingBasisPoints is the restocking charge in hundredths of a percent
	// of the price.
	RestockingBasisPoints int32
	// Tax is charged on price and core deposit.
	Tax money.Percent
	// CheckMinutes and FitMinutes are the shop's work on arrival and for
	// fitting and proving the repair; HourlyRate is its rate.
	CheckMinutes, FitMinutes int32
	HourlyRate               int64
}

// Breakdown is the landed cost. Tax and each kind of labour are rounded once
// each, to whole minor units, half away from zero.
type Breakdown struct {
	// Tax is the tax on price and core deposit together.
	Tax int64
	// CheckLabour and FitLabour are minutes times rate.
	CheckLabour, FitLabour int64
	// Total is everything: price, core, tax, freight, handling, labour.
	Total int64
	// Refundable comes back where the part fails: price, core and tax on them.
	Refundable int64
	// Sunk is spent either way: freight, handling and the check.
	Sunk int64
	// ReturnLoss is lost where the part fails: restocking and return freight.
	ReturnLoss int64
}

// Compute adds up. It fails where a number is out of range or a sum would
// overflow, and names it.
func Compute(in Input) (Breakdown, error) {
	if err := in.validate(); err != nil {
		return Breakdown{}, err
	}
	var out Breakdown
	var restocking int64
	steps := []struct {
		what string
		into *int64
		calc func() (int64, error)
	}{
		{"tax", &out.Tax, func() (int64, error) { return in.Tax.Of(in.Price + in.CoreDeposit) }},
		{"labour of the check", &out.CheckLabour, func() (int64, error) { return money.Ratio(in.HourlyRate, int64(in.CheckMinutes), 60) }},
		{"labour of fitting", &out.FitLabour, func() (int64, error) { return money.Ratio(in.HourlyRate, int64(in.FitMinutes), 60) }},
		{"restocking", &restocking, func() (int64, error) { return money.BasisPoints(in.Price, in.RestockingBasisPoints) }},
		{"refundable part", &out.Refundable, func() (int64, error) { return money.Sum(in.Price, in.CoreDeposit, out.Tax) }},
		{"sunk part", &out.Sunk, func() (int64, error) { return money.Sum(in.Freight, in.Handling, out.CheckLabour) }},
		{"loss on return", &out.ReturnLoss, func() (int64, error) { return money.Sum(restocking, in.ReturnFreight) }},
		{"total", &out.Total, func() (int64, error) { return money.Sum(out.Refundable, out.Sunk, out.FitLabour) }},
	}
	for _, step := range steps {
		value, err := step.calc()
		if err != nil {
			return Breakdown{}, fmt.Errorf("%s: %w", step.what, err)
		}
		*step.into = value
	}
	return out, nil
}

func (in Input) validate() error {
	limits := []struct {
		what        string
		value, high int64
	}{
		{"price", in.Price, amount.Max},
		{"core deposit", in.CoreDeposit, amount.Max},
		{"freight", in.Freight, amount.Max},
		{"handling", in.Handling, amount.Max},
		{"return freight", in.ReturnFreight, amount.Max},
		{"hourly rate", in.HourlyRate, amount.Max},
		{"restocking basis points", int64(in.RestockingBasisPoints), MaxBasisPoints},
		{"check minutes", int64(in.CheckMinutes), MaxMinutes},
		{"fit minutes", int64(in.FitMinutes), MaxMinutes},
	}
	for _, limit := range limits {
		if limit.value < 0 || limit.value > limit.high {
			return fmt.Errorf("%s: %d is out of range; expected 0 to %d", limit.what, limit.value, limit.high)
		}
	}
	return nil
}
