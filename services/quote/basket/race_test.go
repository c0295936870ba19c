//go:build race

package basket_test

// hardestParts is fewer than twenty under the race detector, which makes everything
// about ten times slower.
const hardestParts = 15
