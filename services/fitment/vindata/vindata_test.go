package vindata_test

import (
	_ "embed"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"beltwright.example/services/fitment/vindata"
)

//go:embed testdata/reference.tsv
var reference string

// answer is a line of the golden file: what the reference decoder says of a VIN,
// and why we say something else, if we do.
type answer struct {
	number, make, model string
	year                int32
	reason              string
}

func answers(tb testing.TB) []answer {
	tb.Helper()
	var list []answer
	for line := range strings.Lines(reference) {
		c := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(c) != 5 {
			tb.Fatalf("%q has %d columns", line, len(c))
		}
		year, err := strconv.Atoi(c[3])
		if err != nil {
			tb.Fatal(err)
		}
		list = append(list, answer{number: c[0], make: c[1], model: c[2], year: int32(year), reason: c[4]})
	}
	return list
}

// The reference is another program's decoder of the same data set, run once on
// VINs made from the data's own patterns (reference/decode.mjs). Package build
// says what each reason means, and proves it before it writes it. The years are
// compared in package vin, which reads them.
func TestMakesAndModelsAreTheReferenceDecoders(t *testing.T) {
	t.Parallel()
	list := answers(t)
	if len(list) < 2000 {
		t.Fatalf("only %d answers", len(list))
	}
	counts := map[string]int{}
	for _, a := range list {
		counts[a.reason]++
		got, known := vindata.Lookup(a.number, a.year)
		if same := got.Make == a.make && got.Model == a.model; !known || same != (a.reason == "") {
			t.Errorf("%s: %q %q (%t), reference %q %q, reason %q", a.number, got.Make, got.Model, known, a.make, a.model, a.reason)
		}
		if !explains(a, got) {
			t.Errorf("%s: %q %q and the reference's %q %q are no case of %q", a.number, got.Make, got.Model, a.make, a.model, a.reason)
		}
	}
	want := map[string]int{"": 2954, "weak": 29, "bar-set": 10, "tie": 3, "bar": 2, "share": 1, "make": 1}
	if diff := cmp.Diff(want, counts); diff != "" {
		t.Errorf("differences by reason (the golden file was changed): %s", diff)
	}
}

// explains tells whether a difference looks as its reason says.
func explains(a answer, got vindata.Record) bool {
	switch a.reason {
	case "":
		return true
	case "weak", "bar-set":
		return a.model == "" && got.Model != "" && got.Make == a.make
	case "tie":
		return got.Model == "" && len(got.Candidates) > 1
	case "make":
		return got.Model == a.model && got.Make != a.make
	case "bar", "share":
		return got.Model != "" && a.model != "" && got.Model != a.model
	}
	return false
}

func TestEmbeddedDataReads(t *testing.T) {
	t.Parallel()
	f := vindata.About()
	if f.Identifiers < 800 || f.Schemas < 7000 || f.Patterns < 200_000 || f.Keys < 30_000 {
		t.Errorf("the data is not all there: %+v", f)
	}
	if f.Packed > 6<<20 || !strings.Contains(f.Source, "vPIC") || len(f.Date) != len("2006-01-02") {
		t.Errorf("size, source or date: %+v", f)
	}
	if got := vindata.Version(); !strings.Contains(got, f.Source) || !strings.Contains(got, f.Date) {
		t.Errorf("version %q", got)
	}
}

// How much of the sample has each kind of answer: a loader or a matcher that
// loses one of them changes a count by far more than its bounds.
func TestAnswersSayMoreThanTheModel(t *testing.T) {
	t.Parallel()
	counts := map[string]int{}
	for _, a := range answers(t) {
		got, _ := vindata.Lookup(a.number, a.year)
		for what, has := range map[string]bool{
			"body": got.Body != "", "doors": got.Doors > 0, "plant": got.Plant() != "", "restraint": got.Restraint != "",
			"series": got.Series != "", "trim": got.Trim != "", "weight": got.Weight != "", "type": got.Type != vindata.TypeUnknown,
		} {
			if has {
				counts[what]++
			}
		}
		if got.Doors < 0 || got.Doors > 9 {
			t.Errorf("%s has %d doors", a.number, got.Doors)
		}
	}
	for what, least := range map[string]int{"body": 2000, "doors": 800, "plant": 1200, "restraint": 300, "series": 700, "trim": 400, "weight": 800, "type": 3000} {
		if counts[what] < least {
			t.Errorf("%s: %d answers, want at least %d", what, counts[what], least)
		}
	}
}

func TestUnknownIdentifiersAndYears(t *testing.T) {
	t.Parallel()
	for _, number := range []string{"", "000", "00000000000000000", "IIIIIIIIIIIIIIIII", "009000000000000000"} {
		if got, known := vindata.Lookup(number, 2010); known || got.Make != "" {
			t.Errorf("%q is known: %+v", number, got)
		}
	}
	a := answers(t)[0]
	if got, known := vindata.Lookup(a.number, 1900); !known || got.Matched || got.Model != "" {
		t.Errorf("%s has a model for 1900: %+v", a.number, got)
	}
}

func FuzzLookup(f *testing.F) {
	f.Fuzz(func(t *testing.T, number string, year int32) {
		got, known := vindata.Lookup(number, year)
		switch {
		case !known && !cmp.Equal(got, vindata.Record{}):
			t.Errorf("%q: an answer without an identifier: %+v", number, got)
		case got.Matched != (got.Model != ""), got.Model != "" && (got.Make == "" || len(got.Candidates) > 0):
			t.Errorf("%q: half a model: %+v", number, got)
		case len(got.Candidates) == 1:
			t.Errorf("%q: one candidate is no choice: %+v", number, got)
		}
	})
}

func BenchmarkLookup(b *testing.B) {
	list := answers(b)
	vindata.About()
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		a := list[i%len(list)]
		vindata.Lookup(a.number, a.year)
	}
}

// BenchmarkSlowest is the VIN of the sample that takes longest.
func BenchmarkSlowest(b *testing.B) {
	var slowest answer
	var most time.Duration
	for _, a := range answers(b) {
		least := time.Hour
		for range 40 {
			start := time.Now()
			vindata.Lookup(a.number, a.year)
			least = min(least, time.Since(start))
		}
		if least > most {
			most, slowest = least, a
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		vindata.Lookup(slowest.number, slowest.year)
	}
}

// BenchmarkMemory reports what the unpacked data holds on the heap.
func BenchmarkMemory(b *testing.B) {
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	kept := vindata.Load(b)
	runtime.GC()
	runtime.ReadMemStats(&after)
	runtime.KeepAlive(kept)
	for b.Loop() {
		vindata.Load(b)
	}
	b.ReportMetric(float64(after.HeapAlloc-before.HeapAlloc)/(1<<20), "MB-held")
	b.ReportMetric(float64(vindata.About().Packed), "B-packed")
}
