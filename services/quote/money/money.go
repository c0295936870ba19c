// Package money calculates with amounts in a currency's minor units (which
// currency has which is package amount's concern, as is reading and writing
// amounts). Nothing is rounded but where a function says so, and then half away
// from zero, as prices and taxes are; nothing overflows unnoticed.
package money

import (
	"errors"
	"fmt"
	"math/big"
	"strings"

	"github.com/govalues/decimal"
)

// ErrOverflow means that a result does not fit into 64 bits.
var ErrOverflow = errors.New("money: the amount is too large")

// Sum adds amounts from the first to the last; no sum on the way may overflow.
func Sum(amounts ...int64) (int64, error) {
	var total int64
	for _, amount := range amounts {
		next := total + amount
		if (next > total) != (amount > 0) && amount != 0 {
			return 0, ErrOverflow
		}
		total = next
	}
	return total, nil
}

// Times multiplies an amount by a count.
func Times(amount, count int64) (int64, error) {
	return whole(new(big.Int).Mul(big.NewInt(amount), big.NewInt(count)))
}

// basisPoints is the whole in hundredths of a percent.
const basisPoints = 10_000

// BasisPoints takes hundredths of a percent of an amount, rounded once.
func BasisPoints(amount int64, points int32) (int64, error) {
	return Ratio(amount, int64(points), basisPoints)
}

// Ratio takes numerator/denominator of an amount, rounded once; the
// denominator must be above 0.
func Ratio(amount, numerator, denominator int64) (int64, error) {
	if denominator <= 0 {
		return 0, fmt.Errorf("money: denominator %d is not above 0", denominator)
	}
	product := new(big.Int).Mul(big.NewInt(amount), big.NewInt(numerator))
	return divide(product, big.NewInt(denominator))
}

// Percent is a rate as a decimal number of percent.
type Percent struct {
	rate decimal.Decimal
}

// maxPlaces bounds the decimal places of a rate.
const maxPlaces = 6

// ParsePercent reads a rate from 0 to 100 such as "7.25", with at most 6 decimal
// places and neither sign nor exponent; an empty text is 0.
func ParsePercent(text string) (Percent, error) {
	if text == "" {
		return Percent{}, nil
	}
	whole, places, dotted := strings.Cut(text, ".")
	if !digitsOnly(whole) || (dotted && !digitsOnly(places)) {
		return Percent{}, fmt.Errorf("%.40q is no plain decimal number", text)
	}
	if len(places) > maxPlaces {
		return Percent{}, fmt.Errorf("%.40q has %d decimal places; at most %d are allowed", text, len(places), maxPlaces)
	}
	rate, err := decimal.Parse(text)
	if err != nil || rate.Cmp(decimal.Hundred) > 0 {
		return Percent{}, fmt.Errorf("%.40q is not within 0 to 100", text)
	}
	return Percent{rate: rate}, nil
}

// FromBasisPoints is the rate of so many hundredths of a percent, 0 to 10,000.
func FromBasisPoints(points int32) (Percent, error) {
	rate, err := decimal.New(int64(points), 2)
	if err != nil || points < 0 || points > basisPoints {
		return Percent{}, fmt.Errorf("%d basis points are not within 0 to %d", points, basisPoints)
	}
	return Percent{rate: rate}, nil
}

func digitsOnly(text string) bool {
	return text != "" && strings.Trim(text, "0123456789") == ""
}

// Of takes the rate of an amount, rounded once.
func (p Percent) Of(amount int64) (int64, error) {
	product := new(big.Int).Mul(big.NewInt(amount), new(big.Int).SetUint64(p.rate.Coef()))
	const hundred = 2 // decimal places that percent stands for
	return divide(product, new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(p.rate.Scale()+hundred)), nil))
}

// IsZero tells whether the rate takes nothing.
func (p Percent) IsZero() bool { return p.rate.IsZero() }

// String writes the rate without its sign.
func (p Percent) String() string { return p.rate.Trim(0).String() }

// Round rounds half away from zero to whole minor units.
func Round(exact *big.Rat) (int64, error) { return divide(exact.Num(), exact.Denom()) }

// divide rounds a quotient half away from zero; the denominator is above 0.
func divide(numerator, denominator *big.Int) (int64, error) {
	twice := new(big.Int).Lsh(new(big.Int).Abs(numerator), 1)
	twice.Add(twice, denominator)
	rounded := twice.Quo(twice, new(big.Int).Lsh(denominator, 1))
	if numerator.Sign() < 0 {
		rounded.Neg(rounded)
	}
	return whole(rounded)
}

// whole is a number as 64 bits hold it.
func whole(value *big.Int) (int64, error) {
	if !value.IsInt64() {
		return 0, ErrOverflow
	}
	return value.Int64(), nil
}
