package hedge

import (
	"slices"
	"sync"
	"time"
)

// kept is how many latencies of a method are looked at, the latest ones.
const kept = 256

// refresh is after how many new ones the percentile is worked out anew.
const refresh = 16

// latencies are those of a method.
type latencies struct {
	percentile, samples int
	least               time.Duration

	mu       sync.Mutex
	recent   [kept]time.Duration
	count    int // of all that were noted
	reckoned int // count when value was worked out
	value    time.Duration
}

// note adds one.
func (l *latencies) note(took time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.recent[l.count%kept] = took
	l.count++
}

// delay is how long to wait before asking again; false while too little is known.
func (l *latencies) delay() (time.Duration, bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.count < l.samples {
		return 0, false
	}
	if l.reckoned == 0 || l.count-l.reckoned >= refresh {
		sorted := slices.Clone(l.recent[:min(l.count, kept)])
		slices.Sort(sorted)
		// The nearest-rank percentile: the least value that so many percent of the
		// sample do not exceed.
		rank := (len(sorted)*l.percentile + 99) / 100
		l.value, l.reckoned = sorted[rank-1], l.count
	}
	return max(l.value, l.least), true
}

// budget bounds hedges to a share of the calls. It starts empty: every hedge is
// earned by calls that were made before it.
type budget struct {
	percent int

	mu     sync.Mutex
	credit int
}

// The cost of a hedge in hundredths, and how many may be saved up.
const (
	price = 100
	saved = 10 * price
)

func (b *budget) earn() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.credit = min(b.credit+b.percent, saved)
}

func (b *budget) spend() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.credit < price {
		return false
	}
	b.credit -= price
	return true
}
