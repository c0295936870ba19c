package auth

import (
	"context"
	"crypto/sha256"
	"errors"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/identity"
)

// Bounds and defaults of a cache.
const (
	// MaxTTL is the longest that an answer may be kept: a revoked credential opens
	// nothing for longer than this. See Revoked for streams that are open.
	MaxTTL = 2 * time.Second
	// NegativeTTL is how long a refusal is kept at most.
	NegativeTTL = time.Second
	// CacheSize is the default bound on accepted keys, and on refused ones.
	CacheSize = 4096
)

// CacheConfig says how a cache behaves. Its zero value is usable.
type CacheConfig struct {
	// TTL is how long an accepted key is remembered. 0 or more than MaxTTL
	// means MaxTTL.
	TTL time.Duration
	// Size bounds the accepted keys remembered, and the refused ones apart, so
	// that a flood of wrong keys does not push out right ones. 0 means
	// CacheSize.
	Size int
	// Now is the clock; nil means time.Now.
	Now func() time.Time
}

// Cached remembers what another verifier said, for a short time. Calls that ask
// about one key at once share one question. Answers that are neither "this is
// who" nor "wrong key" are never remembered, and nothing outlives its time: a
// verifier that is down makes keys unusable, not valid.
func Cached(inner Verifier, config CacheConfig) Verifier {
	if config.TTL <= 0 || config.TTL > MaxTTL {
		config.TTL = MaxTTL
	}
	if config.Size <= 0 {
		config.Size = CacheSize
	}
	if config.Now == nil {
		config.Now = time.Now
	}
	return &cache{
		inner:    inner,
		config:   config,
		accepted: newTable[identity.Principal](config.Size),
		refused:  newTable[struct{}](config.Size),
	}
}

// digest stands for a key, so that no key lies about in memory.
type digest = [sha256.Size]byte

type cache struct {
	inner  Verifier
	config CacheConfig
	flight singleflight.Group

	mu       sync.Mutex
	accepted table[identity.Principal]
	refused  table[struct{}]
}

// Verify answers from memory, or asks.
func (c *cache) Verify(ctx context.Context, key string) (identity.Principal, error) {
	id := sha256.Sum256([]byte(key))
	if p, err, known := c.lookup(id); known {
		return p, err
	}
	// The question outlives the caller that asked first: others wait for it.
	asked := c.flight.DoChan(string(id[:]), func() (any, error) {
		return c.ask(context.WithoutCancel(ctx), id, key)
	})
	select {
	case <-ctx.Done():
		if errors.Is(ctx.Err(), context.DeadlineExceeded) {
			return identity.Principal{}, Down("the fitment service did not answer in time")
		}
		return identity.Principal{}, status.FromContextError(ctx.Err()).Err()
	case answer := <-asked:
		p, _ := answer.Val.(identity.Principal)
		return clone(p), answer.Err
	}
}

func (c *cache) lookup(id digest) (identity.Principal, error, bool) {
	now := c.config.Now()
	c.mu.Lock()
	defer c.mu.Unlock()
	if p, ok := c.accepted.get(id, now); ok {
		return clone(p), nil, true
	}
	if _, ok := c.refused.get(id, now); ok {
		return identity.Principal{}, Invalid(), true
	}
	return identity.Principal{}, nil, false
}

// ask asks the verifier. An answer counts from before the question: the truth
// may have changed while it travelled.
func (c *cache) ask(ctx context.Context, id digest, key string) (identity.Principal, error) {
	asked := c.config.Now()
	p, err := c.inner.Verify(ctx, key)
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case err == nil:
		c.accepted.put(id, clone(p), asked, ending(p, asked.Add(c.config.TTL)))
	case status.Code(err) == codes.Unauthenticated:
		c.refused.put(id, struct{}{}, asked, asked.Add(min(NegativeTTL, c.config.TTL)))
	}
	return p, err
}

// ending is when an answer ends: no later than the credential itself.
func ending(p identity.Principal, ends time.Time) time.Time {
	if !p.Expires.IsZero() && p.Expires.Before(ends) {
		return p.Expires
	}
	return ends
}

func clone(p identity.Principal) identity.Principal {
	p.Roles = slices.Clone(p.Roles)
	return p
}

// table is a bounded map whose entries end.
type table[V any] struct {
	size    int
	entries map[digest]entry[V]
}

type entry[V any] struct {
	value V
	ends  time.Time
}

func newTable[V any](size int) table[V] {
	return table[V]{size: size, entries: make(map[digest]entry[V])}
}

func (t *table[V]) get(id digest, now time.Time) (V, bool) {
	e, ok := t.entries[id]
	if ok && !now.Before(e.ends) {
		delete(t.entries, id)
		ok = false
	}
	return e.value, ok
}

// put adds an entry. In a full table it first drops what has ended, or, where
// nothing has, some entry: losing one costs a question, never a wrong answer.
func (t *table[V]) put(id digest, value V, now, ends time.Time) {
	if _, known := t.entries[id]; !known && len(t.entries) >= t.size {
		t.makeRoom(now)
	}
	t.entries[id] = entry[V]{value: value, ends: ends}
}

func (t *table[V]) makeRoom(now time.Time) {
	for id, e := range t.entries {
		if !now.Before(e.ends) {
			delete(t.entries, id)
		}
	}
	for id := range t.entries {
		if len(t.entries) < t.size {
			return
		}
		delete(t.entries, id)
	}
}
