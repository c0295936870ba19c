package auth_test

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
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

// asked is a verifier that counts questions and answers by a function.
type asked struct {
	count  atomic.Int64
	answer func(key string) (identity.Principal, error)
}

func (a *asked) Verify(_ context.Context, key string) (identity.Principal, error) {
	a.count.Add(1)
	return a.answer(key)
}

func shop(string) (identity.Principal, error) {
	return identity.Principal{Tenant: "shop-a", KeyID: "k", Roles: []identity.Role{identity.Shop}}, nil
}

func refuse(string) (identity.Principal, error) { return identity.Principal{}, auth.Invalid() }

func broken(string) (identity.Principal, error) {
	return identity.Principal{}, apierr.New(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, "down")
}

func TestCacheAsksAgainAfterItsTime(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		ttl    time.Duration
		answer func(string) (identity.Principal, error)
		keeps  time.Duration
	}{
		{"default", 0, shop, auth.MaxTTL},
		{"longer than allowed", time.Hour, shop, auth.MaxTTL},
		{"shorter", 2 * time.Second, shop, 2 * time.Second},
		{"refusal", 0, refuse, auth.NegativeTTL},
		{"refusal under a short time", 100 * time.Millisecond, refuse, 100 * time.Millisecond},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				inner := &asked{answer: c.answer}
				cached := auth.Cached(inner, auth.CacheConfig{TTL: c.ttl})
				ask := func() { _, _ = cached.Verify(t.Context(), "key") }
				ask()
				time.Sleep(c.keeps - time.Nanosecond) //nolint:forbidigo // the bubble's clock
				ask()
				if got := inner.count.Load(); got != 1 {
					t.Errorf("asked %d times within %v, want once", got, c.keeps)
				}
				time.Sleep(time.Nanosecond) //nolint:forbidigo // the bubble's clock
				ask()
				if got := inner.count.Load(); got != 2 {
					t.Errorf("asked %d times, want again after %v", got, c.keeps)
				}
			})
		})
	}
}

func TestCacheAcceptsNothingOnceItsSourceIsDown(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		inner := &asked{answer: shop}
		cached := auth.Cached(inner, auth.CacheConfig{})
		if _, err := cached.Verify(t.Context(), "key"); err != nil {
			t.Fatal(err)
		}
		inner.answer = broken
		if _, err := cached.Verify(t.Context(), "key"); err != nil {
			t.Errorf("within the time: %v", err)
		}
		time.Sleep(auth.MaxTTL) //nolint:forbidigo // the bubble's clock
		for range 3 {
			if _, err := cached.Verify(t.Context(), "key"); apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN {
				t.Errorf("after the time: %v, want DEPENDENCY_DOWN", err)
			}
		}
		if got := inner.count.Load(); got != 4 {
			t.Errorf("asked %d times, want 4: a failure must not be remembered", got)
		}
	})
}

// An answer counts from when it was asked for: a key that was revoked while the
// answer travelled must not work longer for it.
func TestCacheCountsTravelTime(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		inner := &asked{answer: func(key string) (identity.Principal, error) {
			time.Sleep(3 * time.Second) //nolint:forbidigo // the bubble's clock
			return shop(key)
		}}
		cached := auth.Cached(inner, auth.CacheConfig{})
		ask := func() { _, _ = cached.Verify(t.Context(), "key") }
		ask()
		time.Sleep(2 * time.Second) //nolint:forbidigo // the bubble's clock
		ask()
		if got := inner.count.Load(); got != 2 {
			t.Errorf("asked %d times, want 2: five seconds have passed since the question", got)
		}
	})
}

func TestCacheSharesQuestionsAndOutlivesTheFirstCaller(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		gate := make(chan struct{})
		inner := &asked{answer: func(key string) (identity.Principal, error) {
			<-gate
			return shop(key)
		}}
		cached := auth.Cached(inner, auth.CacheConfig{})
		impatient, leave := context.WithCancel(t.Context())
		left := make(chan error, 1)
		go func() {
			_, err := cached.Verify(impatient, "key")
			left <- err
		}()
		synctest.Wait()
		var waiting sync.WaitGroup
		for range 50 {
			waiting.Go(func() {
				if p, err := cached.Verify(t.Context(), "key"); err != nil || p.Tenant != "shop-a" {
					t.Errorf("%v, %v", p, err)
				}
			})
		}
		synctest.Wait()
		leave()
		if err := <-left; status.Code(err) != codes.Canceled {
			t.Errorf("the caller that left: %v", err)
		}
		close(gate)
		waiting.Wait()
		if got := inner.count.Load(); got != 1 {
			t.Errorf("51 callers asked %d times", got)
		}
	})
}

func TestCacheIsBoundedAndRefusalsPushNothingOut(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		inner := &asked{answer: func(key string) (identity.Principal, error) {
			if key[0] == 'g' {
				return shop(key)
			}
			return refuse(key)
		}}
		cached := auth.Cached(inner, auth.CacheConfig{Size: 4})
		verify := func(key string) { _, _ = cached.Verify(t.Context(), key) }
		verify("good")
		for i := range 1000 {
			verify(fmt.Sprintf("bad-%d", i))
		}
		if got := inner.count.Load(); got != 1001 {
			t.Fatalf("asked %d times", got)
		}
		verify("good")
		if got := inner.count.Load(); got != 1001 {
			t.Error("a flood of wrong keys pushed out a right one")
		}
		for i := range 20 {
			verify(fmt.Sprintf("good-%d", i))
		}
		before := inner.count.Load()
		for i := range 20 {
			verify(fmt.Sprintf("good-%d", i))
		}
		if again := inner.count.Load() - before; again < 16 {
			t.Errorf("%d of 20 keys were asked for again; a cache of 4 remembers 4", again)
		}
	})
}

func TestCacheHandsOutCopies(t *testing.T) {
	t.Parallel()
	cached := auth.Cached(&asked{answer: shop}, auth.CacheConfig{})
	first, err := cached.Verify(t.Context(), "key")
	if err != nil {
		t.Fatal(err)
	}
	first.Roles[0] = identity.Admin
	if second, err := cached.Verify(t.Context(), "key"); err != nil || second.Has(identity.Admin) {
		t.Errorf("a caller's change reached the cache: %v, %v", second, err)
	}
}

// service stands for the connection to the fitment service.
type service struct {
	fitmentv1.IdentityServiceClient

	answer *fitmentv1.VerifyCredentialResponse
	err    error
	header []string
}

func (s *service) VerifyCredential(
	ctx context.Context, _ *fitmentv1.VerifyCredentialRequest, _ ...grpc.CallOption,
) (*fitmentv1.VerifyCredentialResponse, error) {
	md, _ := metadata.FromOutgoingContext(ctx)
	s.header = md.Get(auth.Header)
	return s.answer, s.err
}

func TestRemoteTakesOnlyAnswersThatMakeSense(t *testing.T) {
	t.Parallel()
	good := &fitmentv1.VerifyCredentialResponse{Tenant: "shop-a", KeyId: "k", Roles: []string{"shop", "books"}}
	for name, c := range map[string]struct {
		answer *fitmentv1.VerifyCredentialResponse
		err    error
		want   codes.Code
		reason apierr.Reason
	}{
		"good":         {good, nil, codes.OK, 0},
		"wrong key":    {nil, auth.Invalid(), codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID},
		"down":         {nil, status.Error(codes.Unavailable, "refused"), codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"slow":         {nil, context.DeadlineExceeded, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"denied":       {nil, status.Error(codes.PermissionDenied, ""), codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"empty":        {&fitmentv1.VerifyCredentialResponse{}, nil, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"nothing":      {nil, nil, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"no tenant":    {&fitmentv1.VerifyCredentialResponse{KeyId: "k", Roles: []string{"admin"}}, nil, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"no role":      {&fitmentv1.VerifyCredentialResponse{Tenant: "a", KeyId: "k"}, nil, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
		"unknown role": {&fitmentv1.VerifyCredentialResponse{Tenant: "a", KeyId: "k", Roles: []string{"root"}}, nil, codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			stub := &service{answer: c.answer, err: c.err}
			// Another credential in the context must not win over the one asked about.
			ctx := auth.WithKey(t.Context(), "another")
			p, err := auth.Remote(stub, time.Second).Verify(ctx, "the-key")
			if status.Code(err) != c.want || apierr.ReasonOf(err) != c.reason {
				t.Errorf("%v, want %v %v", err, c.want, c.reason)
			}
			if (err == nil) != (p.Tenant == "shop-a") {
				t.Errorf("principal %v with error %v", p, err)
			}
			if len(stub.header) != 1 || stub.header[0] != "Bearer the-key" {
				t.Errorf("the question carried %q", stub.header)
			}
		})
	}
}
