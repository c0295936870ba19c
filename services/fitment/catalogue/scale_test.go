package catalogue_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"testing"
	"time"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/catalogue"
	"beltwright.example/services/fitment/evidence"
)

// family is how many numbers supersede each other in the large catalogue.
const family = 20

// large makes a catalogue of families: in each twenty numbers with forty
// supersessions between them, half of them on a condition, and the first number
// with an application to a model of the family's own.
func large(tb testing.TB, parts int) (*catalogue.Catalogue, [][]*fitmentv1.Supersession) {
	tb.Helper()
	c := catalogue.New()
	random := rand.New(rand.NewPCG(9, 9))
	families := make([][]*fitmentv1.Supersession, parts/family)
	for f := range families {
		for i := range family {
			part := buckle(number(f, i))
			if i == 0 {
				part.Applications = []*fitmentv1.Part_Application{{Make: "Velorn", Model: model(f), YearFrom: 2004, YearTo: 2012}}
			}
			if err := c.PutPart(part); err != nil {
				tb.Fatal(err)
			}
		}
		for i := range 2 * family {
			older := random.IntN(family)
			newer := (older + 1 + random.IntN(family-1)) % family
			s := &fitmentv1.Supersession{
				Name: fmt.Sprintf("supersessions/%d.%d", f, i), Maker: maker, OldNumber: number(f, older), NewNumber: number(f, newer),
			}
			switch i % 6 {
			case 0:
				s.YearTo = 2006 + int32(random.IntN(6))
			case 2:
				s.Plant = []string{"X", "Y"}[random.IntN(2)]
			case 4:
				s.Options = drawnOptions[:1+random.IntN(2)]
			}
			families[f] = append(families[f], s)
			if err := c.PutSupersession(s); err != nil {
				tb.Fatal(err)
			}
		}
	}
	return c, families
}

func number(f, i int) string { return fmt.Sprintf("F%dN%d", f, i) }
func model(f int) string     { return fmt.Sprintf("Model %d", f) }

// A large catalogue loads, and answers what a search over plain edges says: 1e5
// parts with 2e5 supersessions, ten times as many in the long form.
func TestALargeCatalogueAnswers(t *testing.T) {
	t.Parallel()
	parts, questions := 100_000, 2000
	if os.Getenv("BELTWRIGHT_LONG") != "" {
		parts, questions = 1_000_000, 20_000
	}
	before := allocated()
	start := time.Now()
	c, families := large(t, parts)
	loaded := time.Since(start)
	held := allocated() - before
	random := rand.New(rand.NewPCG(1, 2))
	var known, open []time.Duration
	for range questions {
		f := random.IntN(len(families))
		n := need(2004 + int32(random.IntN(9)))
		n.Vehicle.Model, n.Vehicle.Plant = model(f), []string{"X", "Y", "Z"}[random.IntN(3)]
		n.Vehicle.Options, n.Vehicle.OptionsComplete = drawnOptions[:random.IntN(3)], true
		start = time.Now()
		matches := c.Right(n)
		known = append(known, time.Since(start))
		want := reached([]string{number(f, 0)}, families[f], n.GetVehicle(), func(string) bool { return true })
		want[number(f, 0)] = true
		if len(matches) != len(want) {
			t.Fatalf("family %d: %d right parts, want %d", f, len(matches), len(want))
		}
		for _, m := range matches {
			if !want[m.Part.GetNumber()] || m.Application != evidence.Yes {
				t.Fatalf("family %d: %s is %v", f, m.Part.GetNumber(), m.Application)
			}
		}
		n.Vehicle.Plant, n.Vehicle.OptionsComplete = "", false
		start = time.Now()
		matches = c.Right(n)
		open = append(open, time.Since(start))
		if len(matches) < len(want) {
			t.Fatalf("family %d: with less known %d right parts, before %d", f, len(matches), len(want))
		}
	}
	slices.Sort(known)
	slices.Sort(open)
	at := func(list []time.Duration, share float64) time.Duration { return list[int(share*float64(len(list)-1))] }
	t.Logf("%d parts, %d supersessions: loaded in %v, %d MB; all known: p50 %v, p99 %v; plant and options open: p50 %v, p99 %v",
		parts, 2*parts, loaded, held>>20, at(known, 0.5), at(known, 0.99), at(open, 0.5), at(open, 0.99))
	runtime.KeepAlive(c)
}

// allocated is the heap in use after a collection.
func allocated() uint64 {
	runtime.GC()
	var stats runtime.MemStats
	runtime.ReadMemStats(&stats)
	return stats.HeapAlloc
}
