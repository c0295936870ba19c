//go:build !race

package rules_test

// underRace tells that the race detector runs, which makes everything slow.
const underRace = false
