//go:build race

package abuse_test

// raced tells whether the race detector is on.
const raced = true
