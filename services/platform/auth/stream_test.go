package auth_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/auth"
	"beltwright.example/services/platform/identity"
)

const streamMethod = "/beltwright.fitment.v1.FitmentService/WatchDonors"

// truth is what a verifier answers, which a test changes.
type truth struct {
	mu    sync.Mutex
	who   identity.Principal
	err   error
	hangs bool
	asked int
}

func (v *truth) set(who identity.Principal, err error, hangs bool) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.who, v.err, v.hangs = who, err, hangs
}

// Verify answers, or hangs for a while.
func (v *truth) Verify(ctx context.Context, _ string) (identity.Principal, error) {
	v.mu.Lock()
	who, err, hangs := v.who, v.err, v.hangs
	v.asked++
	v.mu.Unlock()
	if hangs { // as long as the question to the fitment service may take
		select {
		case <-ctx.Done():
		case <-time.After(2 * time.Second):
		}
		return identity.Principal{}, auth.Down("nobody answers")
	}
	return who, err
}

// silent is a stream whose caller sends nothing and reads nothing. As grpc's own, it
// ends when its handler has returned, or when its caller's deadline does.
type silent struct {
	grpc.ServerStream

	ctx context.Context //nolint:containedctx // as grpc's own
}

func (s *silent) Context() context.Context { return s.ctx }

func (s *silent) RecvMsg(any) error {
	<-s.ctx.Done()
	return status.FromContextError(s.ctx.Err()).Err()
}

func (s *silent) SendMsg(m any) error { return s.RecvMsg(m) }

// serveStream opens a stream and runs the handler as grpc would.
func serveStream(ctx context.Context, verifier auth.Verifier, handler grpc.StreamHandler) error {
	ctx, end := context.WithCancel(metadata.NewIncomingContext(ctx, metadata.Pairs(auth.Header, "Bearer key")))
	defer end()
	return auth.Stream(verifier)(nil, &silent{ctx: ctx}, &grpc.StreamServerInfo{FullMethod: streamMethod}, handler)
}

// handlers are what a handler may be busy with when its stream is cut.
func handlers() map[string]grpc.StreamHandler {
	return map[string]grpc.StreamHandler{
		"waiting for its context": func(_ any, s grpc.ServerStream) error {
			<-s.Context().Done()
			return s.Context().Err()
		},
		"receiving from a silent caller": func(_ any, s grpc.ServerStream) error { return s.RecvMsg(nil) },
		"sending to one who does not read": func(_ any, s grpc.ServerStream) error {
			for {
				if err := s.SendMsg(nil); err != nil {
					return err
				}
			}
		},
		"swallowing the error": func(_ any, s grpc.ServerStream) error {
			_ = s.RecvMsg(nil)
			return nil
		},
	}
}

// TestStreamIsCutWhenItsCredentialEnds, through a cache that has just been filled, and
// however the credential ended; within the time that is promised.
func TestStreamIsCutWhenItsCredentialEnds(t *testing.T) {
	t.Parallel()
	opened := identity.Principal{Tenant: "shop-a", KeyID: "k", Roles: []identity.Role{identity.Shop, identity.Books}}
	other := opened
	other.Tenant = "shop-b"
	fewer := opened
	fewer.Roles = []identity.Role{identity.Books}
	more := opened
	more.Roles = append([]identity.Role{identity.Admin}, opened.Roles...)
	down := auth.Down("the store is away")
	for name, c := range map[string]struct {
		who    identity.Principal
		err    error
		hangs  bool
		reason apierr.Reason
		cut    bool
	}{
		"revoked":            {identity.Principal{}, auth.Invalid(), false, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, true},
		"of somebody else":   {other, nil, false, fitmentv1.ErrorInfo_CREDENTIAL_INVALID, true},
		"lost a desk":        {fewer, nil, false, fitmentv1.ErrorInfo_PERMISSION_MISSING, true},
		"verifier down":      {identity.Principal{}, down, false, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, true},
		"verifier hangs":     {identity.Principal{}, nil, true, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, true},
		"control: as it was": {opened, nil, false, 0, false},
		"control: got more":  {more, nil, false, 0, false},
	} {
		for does, handler := range handlers() {
			t.Run(name+" "+does, func(t *testing.T) {
				t.Parallel()
				synctest.Test(t, func(t *testing.T) {
					v := &truth{who: opened}
					cached := auth.Cached(v, auth.CacheConfig{})
					ctx, end := context.WithTimeout(t.Context(), time.Hour)
					defer end()
					ended := make(chan error, 1)
					go func() { ended <- serveStream(ctx, cached, handler) }()
					time.Sleep(90*time.Second + 1234*time.Microsecond) //nolint:forbidigo // the bubble's clock
					changed := time.Now()
					v.set(c.who, c.err, c.hangs)
					select {
					case err := <-ended:
						if took := time.Since(changed); !c.cut || took > auth.Revoked || apierr.ReasonOf(err) != c.reason {
							t.Errorf("ended after %v: %v", took, err)
						}
					case <-time.After(10 * time.Minute):
						if c.cut {
							t.Errorf("still open after 10 minutes")
						}
						end()
						if err := <-ended; apierr.ReasonOf(err) != 0 {
							t.Errorf("its own end: %v", err)
						}
					}
					time.Sleep(time.Minute) //nolint:forbidigo // the bubble's clock: questions under way end
				})
			})
		}
	}
}

// TestStreamThatIsNotVerifiedAgainGoesOn is the control of the test above: the same
// streams without the watch outlive their credential.
func TestStreamThatIsNotVerifiedAgainGoesOn(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		v := &truth{who: identity.Principal{Tenant: "shop-a", KeyID: "k", Roles: []identity.Role{identity.Shop}}}
		ctx, end := context.WithCancel(metadata.NewIncomingContext(t.Context(), metadata.Pairs(auth.Header, "Bearer key")))
		ctx, err := auth.Authenticate(ctx, v, streamMethod)
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- (&silent{ctx: ctx}).RecvMsg(nil) }()
		v.set(identity.Principal{}, auth.Invalid(), false)
		select {
		case err := <-ended:
			t.Errorf("it ended by itself: %v", err)
		case <-time.After(time.Hour):
		}
		end()
		if err := <-ended; status.Code(err) != codes.Canceled {
			t.Errorf("its caller's end: %v", err)
		}
	})
}

// TestStreamOutlastsAShortOutage of the verifier: one question that nobody answers is
// not yet a reason to cut.
func TestStreamOutlastsAShortOutage(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		v := &truth{who: identity.Principal{Tenant: "shop-a", KeyID: "k", Roles: []identity.Role{identity.Shop}}}
		ctx, end := context.WithTimeout(t.Context(), time.Minute)
		defer end()
		ended := make(chan error, 1)
		go func() {
			ended <- serveStream(ctx, v, func(_ any, s grpc.ServerStream) error {
				<-s.Context().Done()
				return s.Context().Err()
			})
		}()
		for range 20 {
			time.Sleep(1600 * time.Millisecond) //nolint:forbidigo // the bubble's clock
			v.set(v.who, auth.Down("restarting"), false)
			time.Sleep(800 * time.Millisecond) //nolint:forbidigo // the bubble's clock
			v.set(v.who, nil, false)
		}
		if err := <-ended; !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%v, want its own deadline", err)
		}
	})
}

// TestStreamsOwnResultIsKept: what a handler answers by itself leaves as it is, and
// nothing is left running.
func TestStreamsOwnResultIsKept(t *testing.T) {
	t.Parallel()
	mine := errors.New("mine")
	for _, want := range []error{nil, mine, io.EOF} {
		v := &truth{who: identity.Principal{Tenant: "shop-a", KeyID: "k"}}
		if err := serveStream(t.Context(), v, func(any, grpc.ServerStream) error { return want }); !errors.Is(err, want) {
			t.Errorf("%v, want %v", err, want)
		}
	}
	defer func() {
		if p := recover(); fmt.Sprint(p) != "boom" {
			t.Errorf("a panic came out as %v", p)
		}
	}()
	_ = serveStream(t.Context(), &truth{who: identity.Principal{Tenant: "shop-a", KeyID: "k"}}, func(any, grpc.ServerStream) error {
		panic("boom") //nolint:forbidigo // what a broken handler does
	})
}

// TestCacheEndsWithTheCredential: no answer outlives the credential, even where the
// verifier is asked no more in between.
func TestCacheEndsWithTheCredential(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		for _, lasts := range []time.Duration{0, time.Millisecond, time.Second, auth.MaxTTL, time.Hour} {
			v := &truth{who: identity.Principal{Tenant: "shop-a", KeyID: "k", Expires: time.Now().Add(lasts)}}
			if lasts == 0 {
				v.who.Expires = time.Time{} // not known: MaxTTL
			}
			cached := auth.Cached(v, auth.CacheConfig{})
			if _, err := cached.Verify(t.Context(), "key"); err != nil {
				t.Fatal(err)
			}
			kept := min(lasts, auth.MaxTTL)
			if lasts == 0 {
				kept = auth.MaxTTL
			}
			time.Sleep(kept - 1) //nolint:forbidigo // the bubble's clock
			if _, err := cached.Verify(t.Context(), "key"); err != nil || v.asked != 1 {
				t.Errorf("%v: asked %d times before its end, %v", lasts, v.asked, err)
			}
			time.Sleep(time.Nanosecond) //nolint:forbidigo // the bubble's clock
			v.set(identity.Principal{}, auth.Invalid(), false)
			if _, err := cached.Verify(t.Context(), "key"); status.Code(err) != codes.Unauthenticated {
				t.Errorf("%v: accepted after its end: %v", lasts, err)
			}
		}
	})
}

func TestCredentialsAreVerifiedByTheirKind(t *testing.T) {
	t.Parallel()
	key, session := &truth{who: identity.Principal{Tenant: "key"}}, &truth{who: identity.Principal{Tenant: "session"}}
	v := auth.ByPrefix(map[string]auth.Verifier{"bw": key, "bs": session})
	for text, want := range map[string]string{
		"bw_a_b_c": "key", "bs_a_b_c": "session", "bw": "key",
		"": "", "_bw": "", "BW_a_b_c": "", "b_w": "", "bx_a_b_c": "", "bwbs_": "",
	} {
		p, err := v.Verify(t.Context(), text)
		if p.Tenant != want || (want == "") != (status.Code(err) == codes.Unauthenticated) {
			t.Errorf("%q: %q, %v; want %q", text, p.Tenant, err, want)
		}
	}
}
