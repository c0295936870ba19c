package serve

import (
	"context"
	"fmt"
	"time"

	"beltwright.example/services/platform/breaker"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/metrics"
	"beltwright.example/services/platform/mtls"
	"beltwright.example/services/platform/policy"
	"beltwright.example/services/platform/telemetry"
)

// Config says how a server behaves. Every field has a usable default: zero
// means the value of Defaults.
type Config struct {
	// Name stands in log lines.
	Name string
	// TLS, where set, is who the server is to its callers: it speaks TLS 1.3, lets
	// in those that Allow names and may listen anywhere. Connections inside the
	// process stay as they are. Default none, on loopback only.
	TLS *mtls.Identity
	// Allow are the names in the certificates of callers that are let in.
	Allow []string

	// Policy says who may call what; nil means policy.Default. A method of a
	// service without a row keeps the server from being made.
	Policy policy.Table

	// Breakers are the breakers of the calls that this process makes, whose states
	// the health service tells as "breaker/NAME"; nil for none.
	Breakers *breaker.Set

	// Limits bound what callers take and what the server does at once. Nil, which is
	// for tests, bounds nothing; the programs always set it.
	Limits *limit.Limits
	// LoopbackRelays takes callers of this machine that show no certificate for our
	// own programs; see limit.CallerOf. The programs set it where a gateway may call
	// them without one.
	LoopbackRelays bool

	// Metrics counts the calls; nil for nobody.
	Metrics *metrics.Set
	// Traces makes spans of the calls; nil for none.
	Traces *telemetry.Traces

	// ReadyEvery is how often each service's Ready is asked. Default 1 s; while
	// a service is not ready it is asked ten times as often.
	ReadyEvery time.Duration
	// ReadyTimeout bounds one Ready. Default 900 ms.
	ReadyTimeout time.Duration

	// DrainDelay is how long the server goes on taking calls after its health
	// has turned to NOT_SERVING, so that balancers notice first. Default 0:
	// with one replica nobody else could take the calls.
	DrainDelay time.Duration
	// DrainTimeout bounds how long calls under way may take to finish; then
	// they are cut. Default 10 s.
	DrainTimeout time.Duration

	// UnaryTimeout bounds unary calls whose caller set no deadline. Default 30 s.
	UnaryTimeout time.Duration
	// StreamTimeout bounds streams whose caller set no deadline. Default 10 min.
	StreamTimeout time.Duration

	// MaxRecvBytes bounds one received message. Default 1 MiB.
	MaxRecvBytes int
	// MaxSendBytes bounds one sent message. Default 16 MiB: a page of 1,000
	// decisions with their findings.
	MaxSendBytes int
	// MaxStreams bounds the calls of one connection that run at once. Default
	// 128; grpc's own default is no bound.
	MaxStreams int
	// MaxHeaderBytes bounds the headers of one call. Default 16 KiB; grpc's own
	// default is 16 MiB.
	MaxHeaderBytes int
	// HandshakeTimeout bounds the setting up of a connection. Default 5 s.
	HandshakeTimeout time.Duration

	// MaxConnectionAge is the age at which a connection is asked to go, so that
	// new replicas get load. Default 5 min.
	MaxConnectionAge time.Duration
	// MaxConnectionAgeGrace is how long calls on such a connection may go on.
	// Default as StreamTimeout: an import that began just before must not be
	// cut.
	MaxConnectionAgeGrace time.Duration
	// MaxConnectionIdle is how long a connection without calls is kept. Default
	// 2 min.
	MaxConnectionIdle time.Duration
	// PingEvery is how often a silent connection is asked whether it lives.
	// Default 30 s.
	PingEvery time.Duration
	// MinPing is the shortest distance between a client's pings that is put up
	// with. Default 10 s.
	MinPing time.Duration
}

// Defaults returns the configuration that zero fields are filled from.
func Defaults() Config {
	return Config{
		Name:                  "server",
		ReadyEvery:            time.Second,
		ReadyTimeout:          900 * time.Millisecond,
		DrainTimeout:          10 * time.Second,
		UnaryTimeout:          30 * time.Second,
		StreamTimeout:         10 * time.Minute,
		MaxRecvBytes:          1 << 20,
		MaxSendBytes:          16 << 20,
		MaxStreams:            128,
		MaxHeaderBytes:        16 << 10,
		HandshakeTimeout:      5 * time.Second,
		MaxConnectionAge:      5 * time.Minute,
		MaxConnectionAgeGrace: 10 * time.Minute,
		MaxConnectionIdle:     2 * time.Minute,
		PingEvery:             30 * time.Second,
		MinPing:               10 * time.Second,
	}
}

// filled returns the configuration with defaults in place of zeros, or an error
// that names the field that is out of its range.
func (c Config) filled() (Config, error) {
	d := Defaults()
	if c.Policy == nil {
		c.Policy = policy.Default()
	}
	if c.Name == "" {
		c.Name = d.Name
	}
	for _, f := range []struct {
		name        string
		value       *time.Duration
		preset      time.Duration
		least, most time.Duration
	}{
		{"ReadyEvery", &c.ReadyEvery, d.ReadyEvery, time.Millisecond, time.Hour},
		{"ReadyTimeout", &c.ReadyTimeout, d.ReadyTimeout, time.Millisecond, time.Hour},
		{"DrainDelay", &c.DrainDelay, d.DrainDelay, 0, time.Hour},
		{"DrainTimeout", &c.DrainTimeout, d.DrainTimeout, time.Millisecond, time.Hour},
		{"UnaryTimeout", &c.UnaryTimeout, d.UnaryTimeout, time.Millisecond, time.Hour},
		{"StreamTimeout", &c.StreamTimeout, d.StreamTimeout, time.Millisecond, 24 * time.Hour},
		{"HandshakeTimeout", &c.HandshakeTimeout, d.HandshakeTimeout, time.Millisecond, time.Minute},
		{"MaxConnectionAge", &c.MaxConnectionAge, d.MaxConnectionAge, time.Second, 24 * time.Hour},
		{"MaxConnectionAgeGrace", &c.MaxConnectionAgeGrace, d.MaxConnectionAgeGrace, time.Second, 24 * time.Hour},
		{"MaxConnectionIdle", &c.MaxConnectionIdle, d.MaxConnectionIdle, time.Second, 24 * time.Hour},
		{"PingEvery", &c.PingEvery, d.PingEvery, time.Second, time.Hour},
		{"MinPing", &c.MinPing, d.MinPing, time.Second, time.Hour},
	} {
		if err := settle("serve: "+f.name, f.value, f.preset, f.least, f.most); err != nil {
			return Config{}, err
		}
	}
	for _, f := range []struct {
		name        string
		value       *int
		preset      int
		least, most int
	}{
		{"MaxRecvBytes", &c.MaxRecvBytes, d.MaxRecvBytes, 1 << 10, 64 << 20},
		{"MaxSendBytes", &c.MaxSendBytes, d.MaxSendBytes, 1 << 10, 64 << 20},
		{"MaxStreams", &c.MaxStreams, d.MaxStreams, 1, 1 << 16},
		{"MaxHeaderBytes", &c.MaxHeaderBytes, d.MaxHeaderBytes, 1 << 10, 1 << 20},
	} {
		if err := settle("serve: "+f.name, f.value, f.preset, f.least, f.most); err != nil {
			return Config{}, err
		}
	}
	return c, nil
}

// settle puts the preset in place of zero and checks the range.
func settle[T int | time.Duration](name string, value *T, preset, least, most T) error {
	if *value == 0 {
		*value = preset
	}
	if *value < least || *value > most {
		return fmt.Errorf("%s is %v; expected %v to %v, or 0 for the default", name, *value, least, most)
	}
	return nil
}

// relayed tells whether one of our own programs makes the call of a context.
func (c Config) relayed(ctx context.Context) bool { return limit.CallerOf(ctx, c.LoopbackRelays).Relay }
