package limit

import (
	"crypto/sha256"
	"fmt"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// DoorConfig says how many wrong credentials one address may try. Zero means the
// default.
type DoorConfig struct {
	// Burst is how many it may try at once. Default 30: a secret has 256 bits, so
	// this is about work and noise, and about programs whose key was revoked.
	Burst int
	// Every is how long it takes to earn another one. Default 2 s.
	Every time.Duration
	// Addresses is how many addresses are remembered. Default 10,000.
	Addresses int
}

func (c DoorConfig) filled() (DoorConfig, error) {
	preset := DoorConfig{Burst: 30, Every: 2 * time.Second, Addresses: 10_000}
	if c.Burst == 0 {
		c.Burst = preset.Burst
	}
	if c.Every == 0 {
		c.Every = preset.Every
	}
	if c.Addresses == 0 {
		c.Addresses = preset.Addresses
	}
	if c.Burst < 1 || c.Burst > 1<<20 || c.Every < time.Millisecond || c.Every > time.Hour || c.Addresses < 1 || c.Addresses > 1<<20 {
		return c, fmt.Errorf("limit: wrong credentials: bursts of %d, another one every %v, %d addresses; expected 1 to %d, 1ms to 1h, 1 to %d",
			c.Burst, c.Every, c.Addresses, 1<<20, 1<<20)
	}
	return c, nil
}

// vouched is how long an address's good credential is let in although others from
// there are wrong: behind one address there may be a whole shop, and a program with
// an old key must not shut its people out.
const vouched = 10 * time.Minute

// Doors bound how many wrong credentials an address may try.
type Doors struct {
	config DoorConfig
	now    func() time.Time

	mu     sync.Mutex
	wrong  *recent[string, *rate.Limiter]
	passed *recent[visit, time.Time]
}

// visit is a credential, by its hash, from an address.
type visit struct {
	address    string
	credential [sha256.Size]byte
}

func newDoors(config DoorConfig, now func() time.Time) (*Doors, error) {
	config, err := config.filled()
	if err != nil {
		return nil, err
	}
	return &Doors{config: config, now: now, wrong: newRecent[string, *rate.Limiter](config.Addresses), passed: newRecent[visit, time.Time](config.Addresses)}, nil
}

// Place is what counts as one address: the address itself, or for IPv6 its /64,
// which is what one subscriber gets (RFC 6177 §2, as site prefixes of at least that
// size). What is no IP address, such as a socket's, is a place of its own.
func Place(address string) string {
	if port, err := netip.ParseAddrPort(address); err == nil {
		address = port.Addr().WithZone("").String()
	}
	ip, err := netip.ParseAddr(address)
	if err != nil {
		return address
	}
	if ip = ip.Unmap().WithZone(""); ip.Is6() {
		return netip.PrefixFrom(ip, 64).Masked().String()
	}
	return ip.String()
}

// Enter lets a credential from a place be looked at: RATE_LIMITED where too many
// wrong ones came from there and this one was not good there lately.
func (d *Doors) Enter(place, credential string) error {
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	bucket, ok := d.wrong.get(place)
	if !ok {
		return nil
	}
	missing := 1 - bucket.TokensAt(now)
	if missing <= 0 {
		return nil
	}
	if until, ok := d.passed.get(d.visit(place, credential)); ok && now.Before(until) {
		return nil
	}
	return tooManyWrong(time.Duration(missing * float64(d.config.Every)))
}

// Wrong notes that a credential from the place was wrong.
func (d *Doors) Wrong(place string) {
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	bucket, ok := d.wrong.get(place)
	if !ok {
		bucket = rate.NewLimiter(rate.Every(d.config.Every), d.config.Burst)
		d.wrong.put(place, bucket)
	}
	bucket.AllowN(now, 1)
}

// Good notes that a credential from the place was good.
func (d *Doors) Good(place, credential string) {
	now := d.now()
	d.mu.Lock()
	defer d.mu.Unlock()
	d.passed.put(d.visit(place, credential), now.Add(vouched))
}

func (*Doors) visit(place, credential string) visit {
	return visit{address: place, credential: sha256.Sum256([]byte(credential))}
}
