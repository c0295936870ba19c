//go:build !race

package tenants_test

// raced tells whether the race detector is on.
const raced = false
