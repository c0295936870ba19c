package password

import (
	"cmp"
	"context"
	"crypto/rand"
	"crypto/subtle"
	"fmt"
	"io"
	"runtime"
	"time"

	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

// Defaults of Options.
const (
	// DefaultQueue is how many callers may wait for each hash that is being made.
	DefaultQueue = 16
	// DefaultPatience is how long one waits at most.
	DefaultPatience = 2 * time.Second
)

// Options say how a Hasher works. The zero value is usable.
type Options struct {
	// Parameters are those of new hashes; zero means Recommended.
	Parameters Parameters
	// Random is where salts come from; nil means crypto/rand.
	Random io.Reader
	// AtOnce is how many hashes are made at once; 0 means one for every two processors:
	// people who sign in, or others who try to, must not keep everybody else waiting.
	AtOnce int
	// Queue is how many callers may wait in all; 0 means DefaultQueue for each of
	// AtOnce.
	Queue int
	// Patience is how long a caller waits; 0 means DefaultPatience.
	Patience time.Duration
}

// Hasher makes and compares hashes. Its methods may be called concurrently. Where
// too many callers wait they answer RESOURCE_EXHAUSTED with OVERLOADED.
type Hasher struct {
	parameters Parameters
	random     io.Reader
	patience   time.Duration
	// admitted has a place for each caller inside, making for each hash being made.
	admitted, making chan struct{}
	// nobody is a hash that no password has.
	nobody Hash
}

// NewHasher returns a hasher.
func NewHasher(options Options) *Hasher {
	atOnce := cmp.Or(options.AtOnce, max(runtime.GOMAXPROCS(0)/2, 1))
	queue := cmp.Or(options.Queue, atOnce*DefaultQueue)
	h := &Hasher{
		parameters: cmp.Or(options.Parameters, Recommended()),
		random:     options.Random,
		patience:   cmp.Or(options.Patience, DefaultPatience),
		admitted:   make(chan struct{}, atOnce+queue),
		making:     make(chan struct{}, atOnce),
	}
	if h.random == nil {
		h.random = rand.Reader
	}
	h.nobody = Hash{Parameters: h.parameters, Salt: make([]byte, saltBytes), Sum: make([]byte, sumBytes)}
	return h
}

// Make returns the hash of a password, as it is to be kept.
func (h *Hasher) Make(ctx context.Context, password string) (string, error) {
	fresh := Hash{Parameters: h.parameters, Salt: make([]byte, saltBytes), Sum: make([]byte, sumBytes)}
	if _, err := io.ReadFull(h.random, fresh.Salt); err != nil {
		return "", fmt.Errorf("password: draw a salt: %w", err)
	}
	sum, err := h.compute(ctx, fresh, password)
	fresh.Sum = sum
	return fresh.String(), err
}

// Matches tells whether a password is the one that was hashed, and whether the hash
// was made with less work than new ones are, so that it should be made anew. An
// empty hash matches nothing and takes as long as any other: who measures must not
// learn who is there.
func (h *Hasher) Matches(ctx context.Context, kept, password string) (matches, stale bool, err error) {
	hash := h.nobody
	if kept != "" {
		if hash, err = ParseHash(kept); err != nil {
			return false, false, err
		}
	}
	sum, err := h.compute(ctx, hash, password)
	if err != nil {
		return false, false, err
	}
	equal := subtle.ConstantTimeCompare(sum, hash.Sum) == 1
	return equal && kept != "", hash.weaker(h.parameters), nil
}

// compute makes a hash when it is its turn.
func (h *Hasher) compute(ctx context.Context, hash Hash, password string) ([]byte, error) {
	select {
	case h.admitted <- struct{}{}:
		defer func() { <-h.admitted }()
	default:
		return nil, overloaded()
	}
	patience := time.NewTimer(h.patience)
	defer patience.Stop()
	select {
	case h.making <- struct{}{}:
		defer func() { <-h.making }()
		return hash.compute(password), nil
	case <-patience.C:
		return nil, overloaded()
	case <-ctx.Done():
		return nil, fmt.Errorf("password: %w", ctx.Err())
	}
}

func overloaded() error {
	return apierr.Retry(codes.ResourceExhausted, fitmentv1.ErrorInfo_OVERLOADED, time.Second,
		"more people sign in than can be served at once")
}
