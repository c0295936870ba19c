package limit

import (
	"context"
	"net"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/mtls"
)

// Caller is who is at the other end of a gRPC call's connection.
type Caller struct {
	// Place is where it is, as Place says.
	Place string
	// Relay tells that it is one of our own programs, which passes calls of others
	// on and has counted them.
	Relay bool
}

// CallerOf returns who is at the other end of the call that ctx serves. Our own
// programs are known by their certificate, or by being in the same process. Without
// certificates nothing tells the gateway from a client of the same machine; where
// loopbackRelays is set, everybody there passes for one of ours.
func CallerOf(ctx context.Context, loopbackRelays bool) Caller {
	other, ok := peer.FromContext(ctx)
	if !ok || other.Addr == nil {
		return Caller{Relay: true} // a call inside of the process
	}
	caller := Caller{Place: Place(other.Addr.String())}
	if other.Addr.Network() == inMemory {
		caller.Relay = true
		return caller
	}
	if secured, ok := other.AuthInfo.(credentials.TLSInfo); ok {
		caller.Relay = relayed(secured)
		return caller
	}
	tcp, ok := other.Addr.(*net.TCPAddr)
	caller.Relay = ok && loopbackRelays && tcp.IP.IsLoopback()
	return caller
}

// inMemory is the network of grpc's connections inside one process.
const inMemory = "bufconn"

// relayed tells whether a certificate is that of a program that passes calls on.
func relayed(info credentials.TLSInfo) bool {
	if len(info.State.PeerCertificates) == 0 {
		return false
	}
	name, err := mtls.NameOf(info.State.PeerCertificates[0])
	return err == nil && (name == mtls.Gateway || name == mtls.Quote)
}

// longestClaim bounds the name that Claimed returns.
const longestClaim = 64

// Claimed is the business whose credential a call says it carries, before that has been
// verified; empty where it carries none that looks like ours. It is for taking turns
// only: whoever claims to be another takes a turn of that one's for as long as it takes
// to be refused, and his own calls cannot claim anything else.
func Claimed(ctx context.Context) string {
	key, ok := auth.Bearer(ctx)
	if !ok {
		return ""
	}
	_, rest, ok := strings.Cut(key, "_")
	business, _, both := strings.Cut(rest, "_")
	if !ok || !both || len(business) > longestClaim {
		return ""
	}
	return business
}

// Guard returns a verifier that asks another one, but lets no place try too many
// wrong credentials. Place tells where the call of a context comes from; false
// where nothing is counted, because somebody else does.
func (l *Limits) Guard(inner auth.Verifier, place func(ctx context.Context) (string, bool)) auth.Verifier {
	return guard{limits: l, inner: inner, place: place}
}

type guard struct {
	limits *Limits
	inner  auth.Verifier
	place  func(ctx context.Context) (string, bool)
}

// Verify implements auth.Verifier.
func (g guard) Verify(ctx context.Context, key string) (identity.Principal, error) {
	place, counted := g.place(ctx)
	if !counted {
		return g.inner.Verify(ctx, key)
	}
	if err := g.limits.Doors.Enter(place, key); err != nil {
		g.limits.Refused(Door, Free)
		return identity.Principal{}, err
	}
	p, err := g.inner.Verify(ctx, key)
	switch {
	case err == nil:
		g.limits.Doors.Good(place, key)
	case status.Code(err) == codes.Unauthenticated:
		g.limits.Doors.Wrong(place)
	}
	return p, err
}
