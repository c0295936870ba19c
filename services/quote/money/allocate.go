package money

import (
	"cmp"
	"errors"
	"fmt"
	"math/big"
	"slices"
)

// Allocate splits a total by weights so that the shares make the total exactly:
// everyone gets the whole units of their quota, and the units that are left go
// one each to the largest fractions, of equal ones to the first (the method of
// the largest remainder; Hamilton 1792). A negative total, as a credit is, is
// split as its opposite.
//
// Shares depend on the total in a way that surprises: by 6, 6 and 2, a total of
// 10 gives 4, 4, 2 but 11 gives 5, 5, 1 (the Alabama paradox). So allocate once
// and keep the shares.
//
// Errors: no weights, one below 0, or none above 0.
func Allocate(total int64, weights []int64) ([]int64, error) {
	sum := new(big.Int)
	for i, weight := range weights {
		if weight < 0 {
			return nil, fmt.Errorf("money: weight %d is %d, below 0", i, weight)
		}
		sum.Add(sum, big.NewInt(weight))
	}
	if sum.Sign() == 0 {
		return nil, errors.New("money: to allocate takes a weight above 0")
	}
	shares, remainders, left := quotas(total, weights, sum)
	order := make([]int, len(weights))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(remainders[b].Cmp(remainders[a]), cmp.Compare(a, b))
	})
	unit := int64(1)
	if total < 0 {
		unit = -1
	}
	for _, i := range order[:left] {
		shares[i] += unit
	}
	return shares, nil
}

// quotas gives everyone the whole units of their quota, with the remainders of
// the divisions and how many units are left; all signs are the total's.
func quotas(total int64, weights []int64, sum *big.Int) (shares []int64, remainders []*big.Int, left int) {
	rest := new(big.Int).Abs(big.NewInt(total))
	shares, remainders = make([]int64, len(weights)), make([]*big.Int, len(weights))
	size := new(big.Int).Set(rest)
	for i, weight := range weights {
		quota, remainder := new(big.Int).Mul(size, big.NewInt(weight)), new(big.Int)
		quota.QuoRem(quota, sum, remainder)
		rest.Sub(rest, quota)
		if total < 0 {
			quota.Neg(quota)
		}
		shares[i], remainders[i] = quota.Int64(), remainder // at most the total, so it fits
	}
	return shares, remainders, int(rest.Int64()) // below the number of weights
}
