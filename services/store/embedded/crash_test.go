package embedded_test

import (
	"errors"
	"fmt"
	"os"
	"testing"

	"beltwright.example/services/store"
	"beltwright.example/services/store/embedded"
)

// long multiplies the rounds of the crash tests where BELTWRIGHT_LONG is set.
func long(rounds, longRounds int) int {
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		return longRounds
	}
	return rounds
}

// TestKillLosesNothingAcknowledged kills a writing process again and again, on
// one directory, at different moments. It shows that a half-written commit does
// no harm; that acknowledged writes have left the page cache is shown by the
// power-cut test.
func TestKillLosesNothingAcknowledged(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	total := 0
	for round := range long(20, 200) {
		acks := acknowledged{}
		c := startChild(t, dir, fmt.Sprint("k", round), false)
		c.read(t, &acks, 1+round*5)
		if round == 0 {
			if _, err := embedded.Open(dir, embedded.Options{}); !errors.Is(err, store.ErrInUse) {
				t.Errorf("a second process opened the directory: %v", err)
			}
		}
		c.kill(t, &acks)
		if len(acks.names) == 0 {
			t.Fatalf("round %d: the child acknowledged nothing", round)
		}
		if _, err := embedded.Check(dir); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		s, err := embedded.Open(dir, embedded.Options{})
		if err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		missing, all := lost(t, s, acks)
		if missing > 0 {
			t.Errorf("round %d: %d of %d acknowledged changes are lost", round, missing, all)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		total += all
	}
	t.Logf("%d acknowledged changes survived", total)
}
