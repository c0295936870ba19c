package choice

import (
	"cmp"
	"slices"
)

// criteria is how many numbers a policy is judged by; less is better in each.
const criteria = 3

// undominated picks the best of what is judged by three numbers: all that
// nothing else is at least as good as in every number and better in one. Of
// several that are equal in all three the one that comes first by tie stands for
// all, and alike counts them. They come sorted by the first number, then the
// second, then the third.
//
// The numbers are compared by compare, which is told which one. After sorting by
// the first, one pass keeps the staircase of the best third number for each second
// one (Kung, Luccio and Preparata, Journal of the ACM 22(4), 1975, from memory).
func undominated[T any](all []T, compare func(a, b T, number int) int, tie func(a, b T) int) (front []T, alike []int) {
	sorted := slices.Clone(all)
	equal := func(a, b T) int {
		return cmp.Or(compare(a, b, 0), compare(a, b, 1), compare(a, b, 2))
	}
	slices.SortStableFunc(sorted, func(a, b T) int { return cmp.Or(equal(a, b), tie(a, b)) })
	var stairs staircase[T]
	stairs.compare = compare
	for n, next := range sorted {
		switch {
		case n > 0 && equal(sorted[n-1], next) == 0:
			if len(front) > 0 && equal(front[len(front)-1], next) == 0 {
				alike[len(alike)-1]++
			}
		case stairs.climb(next):
			front, alike = append(front, next), append(alike, 1)
		}
	}
	return front, alike
}

// staircase holds what nothing seen so far beats in both the second and the third
// number: along it the second does not fall and the third does.
type staircase[T any] struct {
	steps   []T
	compare func(a, b T, number int) int
}

// climb adds an item unless one on the stairs is as good in both numbers, and
// drops those that it beats.
func (s *staircase[T]) climb(item T) bool {
	// The first step whose second number is above the item's; the one before it has
	// the least third number of all that are not worse in the second.
	above, _ := slices.BinarySearchFunc(s.steps, item, func(step, item T) int {
		if s.compare(step, item, 1) <= 0 {
			return -1
		}
		return 1
	})
	if above > 0 && s.compare(s.steps[above-1], item, 2) <= 0 {
		return false
	}
	to := above
	for to < len(s.steps) && s.compare(s.steps[to], item, 2) >= 0 {
		to++
	}
	s.steps = slices.Replace(s.steps, above, to, item)
	return true
}
