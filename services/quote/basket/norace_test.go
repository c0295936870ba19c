//go:build !race

package basket_test

// hardestParts is what the time is promised for.
const hardestParts = 20
