package intercept_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"net/url"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/intercept"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/mtls"
)

type memoryAddr struct{}

func (memoryAddr) Network() string { return "bufconn" }
func (memoryAddr) String() string  { return "bufconn" }

// certified is a peer with a certificate of a name.
func certified(uri *url.URL, addr net.Addr) *peer.Peer {
	state := tls.ConnectionState{PeerCertificates: []*x509.Certificate{{URIs: []*url.URL{uri}}}}
	return &peer.Peer{Addr: addr, AuthInfo: credentials.TLSInfo{State: state}}
}

// Calls count where they come in: what the gateway and the quote side pass on, known
// by their certificates, was counted there. The same for wrong credentials.
func TestCallsCountWhereTheyComeIn(t *testing.T) {
	t.Parallel()
	far := &net.TCPAddr{IP: net.IPv4(192, 0, 2, 7), Port: 4711}
	near := &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 4711}
	stranger, err := url.Parse("spiffe://elsewhere/gateway")
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		peer           *peer.Peer
		loopbackRelays bool
		counted        bool
	}{
		"a client":                            {&peer.Peer{Addr: far}, false, true},
		"a client of this machine":            {&peer.Peer{Addr: near}, false, true},
		"who may be the gateway":              {&peer.Peer{Addr: near}, true, false},
		"who may not, being elsewhere":        {&peer.Peer{Addr: far}, true, true},
		"this process":                        {&peer.Peer{Addr: memoryAddr{}}, false, false},
		"the gateway":                         {certified(mtls.URI(mtls.Gateway), far), false, false},
		"the quote side":                      {certified(mtls.URI(mtls.Quote), near), false, false},
		"a client with a certificate":         {certified(mtls.URI(mtls.Client), far), false, true},
		"one on this machine":                 {certified(mtls.URI(mtls.Client), near), true, true},
		"a gateway of somebody else":          {certified(stranger, far), false, true},
		"the fitment side, which calls none":  {certified(mtls.URI(mtls.Fitment), far), false, true},
		"TLS without a certificate":           {&peer.Peer{Addr: near, AuthInfo: credentials.TLSInfo{}}, true, true},
		"another network than that of memory": {&peer.Peer{Addr: &net.UnixAddr{Name: "/x", Net: "unix"}}, true, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			limits, err := limit.New(limit.Config{
				Rates: map[limit.Class]limit.Speed{limit.Search: {PerSecond: 1e-3, Burst: 4}}, Doors: limit.DoorConfig{Burst: 4},
			})
			if err != nil {
				t.Fatal(err)
			}
			links, err := intercept.Chain(intercept.Config{
				Verifier: verifier{}, Limits: limits, LoopbackRelays: c.loopbackRelays, Log: slog.New(slog.DiscardHandler),
			})
			if err != nil {
				t.Fatal(err)
			}
			ctx := peer.NewContext(asShop(t), c.peer)
			handled := 0
			for range 20 {
				_, err := call(ctx, links, func(context.Context, any) (any, error) { handled++; return "", nil })
				if err != nil && (status.Code(err) != codes.ResourceExhausted || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_RATE_LIMITED) {
					t.Fatal(err)
				}
			}
			want := map[bool]int{true: 4, false: 20}[c.counted]
			if handled != want {
				t.Errorf("%d of 20 calls were handled, want %d", handled, want)
			}
			guess := peer.NewContext(metadata.NewIncomingContext(t.Context(), metadata.Pairs(auth.Header, "Bearer wrong")), c.peer)
			wrong := 0
			for range 20 {
				if _, err := call(guess, links, nil); status.Code(err) == codes.Unauthenticated {
					wrong++
				}
			}
			if wrong != want {
				t.Errorf("%d of 20 wrong credentials were looked at, want %d", wrong, want)
			}
		})
	}
}
