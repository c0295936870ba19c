package rest

import (
	"context"
	"net/http"
	"net/netip"
	"strings"

	"google.golang.org/grpc"

	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
	"beltwright.example/services/platform/limit"
	"beltwright.example/services/platform/policy"
)

// forwarded is the header in which a proxy says whom it speaks for: a list that each
// proxy appends to (common practice; RFC 7239 standardises another header).
const forwarded = "X-Forwarded-For"

// placeOf is where a request comes from: the connection's other end, or behind a
// proxy of ours whoever that one says. Only its own entry counts, which is the last
// one; those before it are what the client claims.
func placeOf(r *http.Request, behindProxy bool) string {
	if said := r.Header.Values(forwarded); behindProxy && len(said) > 0 {
		last := said[len(said)-1]
		last = strings.TrimSpace(last[strings.LastIndexByte(last, ',')+1:])
		if _, err := netip.ParseAddrPort(last); err == nil {
			return limit.Place(last)
		}
		// Some put IPv6 in brackets although no port follows.
		last = strings.TrimSuffix(strings.TrimPrefix(last, "["), "]")
		if _, err := netip.ParseAddr(last); err == nil {
			return limit.Place(last)
		}
	}
	return limit.Place(r.RemoteAddr)
}

type placeKey struct{}

// withPlace notes where a request comes from.
func withPlace(r *http.Request, behindProxy bool) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), placeKey{}, placeOf(r, behindProxy)))
}

// placeIn is what withPlace noted.
func placeIn(ctx context.Context) (string, bool) {
	place, ok := ctx.Value(placeKey{}).(string)
	return place, ok
}

// guarded is the verifier, with a bound on wrong credentials from one address.
func guarded(verifier auth.Verifier, limits *limit.Limits) auth.Verifier {
	if limits == nil {
		return verifier
	}
	return limits.Guard(verifier, placeIn)
}

// admit takes a call from its caller's budgets, asks whether the caller's desks may make
// it, and refuses it where there would be no room for it, before anything of its body
// is read. The order is that of the services, which take what comes from here for
// counted, and ask for the rest again.
func admit(ctx context.Context, table policy.Table, limits *limit.Limits, method string) (done func(), err error) {
	done = func() {}
	p, known := identity.FromContext(ctx)
	class := limit.Of(method)
	if known && limits != nil {
		if done, err = limits.Rates.Take(p, class); err != nil {
			limits.Refused(limit.Rate, class)
			return nil, err
		}
	}
	if err := table.Check(p, method); err != nil {
		done()
		return nil, err
	}
	// Where the services are in this process, their room is seen from here too.
	if limits != nil && (limits.Front.Full(method, p.Tenant) || limits.Gates.Full(method, p.Tenant)) {
		done()
		limits.Refused(limit.Shed, class)
		return nil, limit.Overloaded()
	}
	return done, nil
}

// roomy is a connection that only so many calls of a class go over at once.
type roomy struct {
	grpc.ClientConnInterface

	limits *limit.Limits
}

// Invoke makes a call, or refuses it.
func (c roomy) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	leave, err := c.enter(ctx, method)
	if err != nil {
		return err
	}
	defer leave()
	return c.ClientConnInterface.Invoke(ctx, method, args, reply, opts...)
}

// NewStream opens a stream, or refuses it. It counts until ctx ends, which whoever
// opens a stream here sees to.
func (c roomy) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	leave, err := c.enter(ctx, method)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(ctx, leave)
	return c.ClientConnInterface.NewStream(ctx, desc, method, opts...)
}

func (c roomy) enter(ctx context.Context, method string) (leave func(), err error) {
	if c.limits == nil {
		return func() {}, nil
	}
	p, _ := identity.FromContext(ctx) // nobody, where somebody signs in
	if leave, err = c.limits.Front.Enter(ctx, method, p.Tenant); err != nil && ctx.Err() == nil {
		c.limits.Refused(limit.Shed, limit.Of(method))
	}
	return leave, err
}

// counted is a connection whose calls are judged by who makes them, and taken from
// their budgets, too. It is for what is called before a body is read.
type counted struct {
	roomy

	policy policy.Table
}

// Invoke makes a call, or refuses it.
func (c counted) Invoke(ctx context.Context, method string, args, reply any, opts ...grpc.CallOption) error {
	done, err := admit(ctx, c.policy, c.limits, method)
	if err != nil {
		return err
	}
	defer done()
	return c.roomy.Invoke(ctx, method, args, reply, opts...)
}

// NewStream opens a stream, or refuses it.
func (c counted) NewStream(ctx context.Context, desc *grpc.StreamDesc, method string, opts ...grpc.CallOption) (grpc.ClientStream, error) {
	done, err := admit(ctx, c.policy, c.limits, method)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(ctx, done)
	return c.roomy.NewStream(ctx, desc, method, opts...)
}

// longBody is the length from which a body takes its time: a shorter one is there
// with its headers.
const longBody = 16 << 10

// long tells whether a request has a body that takes its time and that HTTP/1 would
// wait for before it lets an answer go. HTTP/2 does not wait.
func long(r *http.Request) bool {
	return r.ProtoMajor == 1 && (r.ContentLength < 0 || r.ContentLength > longBody)
}

// giveUpBody lets an answer go before such a body has come; the connection ends with
// it. A short one is read and thrown away, so that its connection can be kept.
func giveUpBody(w http.ResponseWriter) {
	if watched, ok := w.(interface{ coming() bool }); ok && watched.coming() {
		w.Header().Set("Connection", "close")
	}
}
