// Package landed adds up what an offered part costs until it is fitted, splits
// that the way a buying plan needs it, and keeps the workings of every number.
package landed

import (
	"errors"
	"fmt"
	"slices"

	"beltwright.example/services/platform/amount"
	"beltwright.example/services/quote/money"
	"beltwright.example/services/quote/tax"
	"beltwright.example/services/quote/working"
)

// Limits of an Input; its amounts are at most amount.Max minor units.
const (
	// MaxMinutes bounds times of work.
	MaxMinutes = 100_000
	// MaxBasisPoints is the whole price.
	MaxBasisPoints = 10_000
	// MaxGrams bounds the weight of a part as packed: a ton.
	MaxGrams = 1_000_000
	// MaxSupplies bounds the items of supplies.
	MaxSupplies = 20
)

// Input is an offer with the shop's rates. Amounts are minor units of one
// currency.
type Input struct {
	// Currency is the code by ISO 4217 that the workings are written in.
	Currency string
	// Price, CoreDeposit, Handling (of dangerous goods) and ReturnFreight are the
	// seller's.
	Price, CoreDeposit, Handling, ReturnFreight int64
	// Condition is what the part is sold as; empty where that is not known.
	Condition tax.Condition
	// Freight is what the seller charges for sending it.
	Freight Freight
	// WeightGrams is the weight as packed; 0 where it is not known.
	WeightGrams int64
	// RestockingBasisPoints is the restocking charge in hundredths of a percent
	// of the price.
	RestockingBasisPoints int32
	// Tax is the rate on everything that Pack says is taxed.
	Tax money.Percent
	// Pack is the place's rules; the zero Pack is those of an unknown place.
	Pack tax.Pack
	// CheckMinutes and FitMinutes are the shop's work on arrival and for
	// fitting and proving the repair; HourlyRate is its rate.
	CheckMinutes, FitMinutes int32
	HourlyRate               int64
	// Supplies are the shop's.
	Supplies Supplies
	// Core says whether the old part will go back for its deposit.
	Core CoreReturn
}

// Freight is a seller's charge for sending a part.
type Freight struct {
	// Base is charged in any case.
	Base int64
	// PerKilogram is charged besides for each kilogram or part of one.
	PerKilogram int64
}

// For is the charge for a weight in grams: base, and each started kilogram. It
// fails with ErrNoWeight where the weight counts and is 0.
func (f Freight) For(grams int64) (int64, error) {
	if f.PerKilogram == 0 {
		return f.Base, nil
	}
	if grams == 0 {
		return 0, ErrNoWeight
	}
	byWeight, err := money.Times(f.PerKilogram, startedKilograms(grams))
	if err != nil {
		return 0, fmt.Errorf("freight: %w", err)
	}
	total, err := money.Sum(f.Base, byWeight)
	if err != nil {
		return 0, fmt.Errorf("freight: %w", err)
	}
	return total, nil
}

const gramsPerKilogram = 1000

func startedKilograms(grams int64) int64 { return (grams + gramsPerKilogram - 1) / gramsPerKilogram }

// Supplies are small materials: named one by one, or a percentage of the labour
// where the place allows it, but not both.
type Supplies struct {
	Items   []Supply
	Percent money.Percent
}

// Supply is one item of supplies.
type Supply struct {
	Label  string
	Amount int64
}

// CoreReturn is the sending back of the old part.
type CoreReturn struct {
	// Expected is true where the old part will go back in time and may lawfully
	// be sent.
	Expected bool
	// Freight is what sending it lawfully costs: a part that has not fired is
	// dangerous goods.
	Freight int64
}

// Breakdown is the landed cost. Every number is rounded once, to whole minor
// units, half away from zero; tax on the sum of what is taxed, or on each line
// where the place's rules say so.
type Breakdown struct {
	// Freight is base and weight together.
	Freight int64
	// Tax is the tax on everything that is taxed.
	Tax int64
	// CheckLabour and FitLabour are minutes times rate.
	CheckLabour, FitLabour int64
	// Supplies are the shop's, all together.
	Supplies int64
	// Total is what is paid up front: the sum of Lines.
	Total int64
	// Refundable comes back where the part fails: price, core and tax on them.
	Refundable int64
	// Sunk is spent either way: freight, handling and the check, with tax on them.
	Sunk int64
	// Fitting is spent where the part is fitted: labour of fitting and supplies,
	// with tax on them. Refundable, Sunk and Fitting make Total.
	Fitting int64
	// ReturnLoss is lost where the part fails: restocking and return freight.
	ReturnLoss int64
	// CoreRefund is expected back when the part is fitted and the old one has
	// gone back: deposit, and tax where the law returns it, less the freight of
	// sending the old part; 0 where none is expected or sending it costs more.
	CoreRefund int64
	// Lines are the charges that make Total, tax last; the part is always there,
	// others where they are not 0.
	Lines []Line
	// Workings say how the numbers came about.
	Workings []working.Step
}

// TaxLine is the ID of the line of tax.
const TaxLine tax.Line = "tax"

// Line is one charge.
type Line struct {
	// ID is the kind of charge, TaxLine for tax.
	ID tax.Line
	// Label is what people call it.
	Label string
	// Amount is in minor units.
	Amount int64
	// Taxed tells whether tax is charged on it.
	Taxed bool
}

// Compute adds up. It fails where a number is out of range, a sum would overflow,
// or the place does not allow how supplies are charged, and names what it is.
func Compute(in Input) (Breakdown, error) {
	if err := in.validate(); err != nil {
		return Breakdown{}, err
	}
	s := &sheet{in: in}
	for _, part := range []func() error{s.freight, s.labour, s.supplies, s.charges, s.tax, s.split, s.returnLoss, s.coreRefund} {
		if err := part(); err != nil {
			return Breakdown{}, err
		}
	}
	return s.out, nil
}

// ErrNoWeight means that freight goes by a weight that is not stated.
var ErrNoWeight = errors.New("weight in grams: not stated, but freight is charged by the kilogram")

func (in Input) validate() error {
	limits := []struct {
		what        string
		value, high int64
	}{
		{"price", in.Price, amount.Max},
		{"core deposit", in.CoreDeposit, amount.Max},
		{"freight", in.Freight.Base, amount.Max},
		{"freight of a kilogram", in.Freight.PerKilogram, amount.Max},
		{"weight in grams", in.WeightGrams, MaxGrams},
		{"handling", in.Handling, amount.Max},
		{"return freight", in.ReturnFreight, amount.Max},
		{"freight of the core", in.Core.Freight, amount.Max},
		{"hourly rate", in.HourlyRate, amount.Max},
		{"restocking basis points", int64(in.RestockingBasisPoints), MaxBasisPoints},
		{"check minutes", int64(in.CheckMinutes), MaxMinutes},
		{"fit minutes", int64(in.FitMinutes), MaxMinutes},
		{"items of supplies", int64(len(in.Supplies.Items)), MaxSupplies},
	}
	for _, limit := range limits {
		if limit.value < 0 || limit.value > limit.high {
			return outOfRange(limit.what, limit.value, limit.high)
		}
	}
	for _, item := range in.Supplies.Items {
		if item.Amount < 0 || item.Amount > amount.Max {
			return outOfRange(fmt.Sprintf("supplies, %.40q", item.Label), item.Amount, amount.Max)
		}
	}
	if in.Condition != "" && !slices.Contains(tax.Conditions(), in.Condition) {
		return fmt.Errorf("condition: %.40q is none of %q", in.Condition, tax.Conditions())
	}
	return CheckSupplies(in.Supplies, in.Pack)
}

func outOfRange(what string, value, high int64) error {
	return fmt.Errorf("%s: %d is out of range; expected 0 to %d", what, value, high)
}

// CheckSupplies tells why a place does not allow supplies to be charged so; nil
// where it does.
func CheckSupplies(supplies Supplies, pack tax.Pack) error {
	switch {
	case supplies.Percent.IsZero():
		return nil
	case len(supplies.Items) > 0:
		return errors.New("supplies: either named items or a percentage of the labour, not both")
	case !pack.AllowsPercentage():
		return errors.New("supplies: " + pack.NoPercentage() + "; name the items")
	}
	return nil
}
