package limit

import (
	"fmt"
	"math"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"beltwright.example/services/platform/identity"
)

// Speed is how fast a credential may ask.
type Speed struct {
	// PerSecond is how many calls a second it may make for ever.
	PerSecond float64
	// Burst is how many it may make at once when it has been quiet.
	Burst int
	// AtOnce is how many calls of a business may be under way; 0 for as many as it
	// likes. It is for calls that last.
	AtOnce int
}

// DefaultRates are what a credential may do where nothing else is said: far more
// than a desk does, several times what a busy desk's programs do, and little enough
// that no single one fills a server (choices of this project, no source). Free calls
// count as writes, but are never shed.
func DefaultRates() map[Class]Speed {
	return map[Class]Speed{
		Free:   {PerSecond: 100, Burst: 500},
		Read:   {PerSecond: 200, Burst: 1000},
		Search: {PerSecond: 40, Burst: 200},
		Write:  {PerSecond: 100, Burst: 500},
		Bulk:   {PerSecond: 4, Burst: 60, AtOnce: 8},
		Watch:  {PerSecond: 4, Burst: 60},
	}
}

// BusinessShare is how many times a credential's speed all credentials of one
// business have together: making more keys does not help beyond that.
const BusinessShare = 4

// Bounds of speeds and of the table that keeps them.
const (
	maxPerSecond = 1e6
	maxBurst     = 1e6
	maxAtOnce    = 1 << 16
	// buckets is how many credentials and businesses are remembered for each class.
	// Whoever is forgotten begins with a full burst, and that only happens to those
	// who were quiet the longest.
	buckets = 10_000
)

// Rates bound how fast credentials and businesses ask.
type Rates struct {
	now    func() time.Time
	speeds map[Class]Speed

	mu      sync.Mutex
	buckets map[Class]*recent[bucketKey, *rate.Limiter]
	running map[Class]map[string]int // by business, where it is more than none
}

// bucketKey names a bucket: a credential's, or that of all of a business.
type bucketKey struct {
	tenant, credential string
	all                bool
}

func newRates(speeds map[Class]Speed, now func() time.Time) (*Rates, error) {
	r := &Rates{now: now, speeds: DefaultRates(), buckets: map[Class]*recent[bucketKey, *rate.Limiter]{}, running: map[Class]map[string]int{}}
	for class, speed := range speeds {
		if _, known := r.speeds[class]; !known {
			return nil, fmt.Errorf("limit: there is no class %q of calls; expected one of %v", class, Classes())
		}
		if math.IsNaN(speed.PerSecond) || speed.PerSecond <= 0 || speed.PerSecond > maxPerSecond || speed.Burst < 1 || speed.Burst > maxBurst || speed.AtOnce < 0 || speed.AtOnce > maxAtOnce {
			return nil, fmt.Errorf("limit: %s: %v calls a second, bursts of %d, %d at once; expected more than 0 to %g, 1 to %g and 0 to %d",
				class, speed.PerSecond, speed.Burst, speed.AtOnce, maxPerSecond, maxBurst, maxAtOnce)
		}
		r.speeds[class] = speed
	}
	for class := range r.speeds {
		r.buckets[class] = newRecent[bucketKey, *rate.Limiter](buckets)
		r.running[class] = map[string]int{}
	}
	return r, nil
}

// Take takes one call of the class for a principal, from its credential's budget and
// from its business's, or from none: RATE_LIMITED, with the time until there is one.
// Done is called when the call has ended.
func (r *Rates) Take(p identity.Principal, class Class) (done func(), err error) {
	now := r.now()
	speed := r.speeds[class]
	r.mu.Lock()
	defer r.mu.Unlock()
	if speed.AtOnce > 0 && r.running[class][p.Tenant] >= speed.AtOnce {
		return nil, tooMany(time.Second, "your business has too many under way: it", class)
	}
	own := r.bucket(class, bucketKey{tenant: p.Tenant, credential: p.KeyID}, speed, 1).ReserveN(now, 1)
	if wait := own.DelayFrom(now); wait > 0 {
		own.CancelAt(now)
		return nil, tooMany(wait, "this credential", class)
	}
	shared := r.bucket(class, bucketKey{tenant: p.Tenant, all: true}, speed, BusinessShare).ReserveN(now, 1)
	if wait := shared.DelayFrom(now); wait > 0 {
		shared.CancelAt(now)
		own.CancelAt(now)
		return nil, tooMany(wait, "your business", class)
	}
	if speed.AtOnce == 0 {
		return func() {}, nil
	}
	r.running[class][p.Tenant]++
	return sync.OnceFunc(func() { r.done(class, p.Tenant) }), nil
}

func (r *Rates) done(class Class, tenant string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.running[class][tenant]--; r.running[class][tenant] == 0 {
		delete(r.running[class], tenant)
	}
}

// bucket is a bucket of so many times the speed; a new one is full.
func (r *Rates) bucket(class Class, key bucketKey, speed Speed, times int) *rate.Limiter {
	known := r.buckets[class]
	if bucket, ok := known.get(key); ok {
		return bucket
	}
	bucket := rate.NewLimiter(rate.Limit(speed.PerSecond*float64(times)), speed.Burst*times)
	known.put(key, bucket)
	return bucket
}
