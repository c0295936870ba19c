package vouch_test

import (
	"context"
	"crypto/elliptic"
	"encoding/base64"
	"errors"
	"math/big"
	"strings"
	"testing"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/fitment/vouch"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/issuer"
	"beltwright.example/services/platform/issuer/issuertest"
)

const nonce = "a nonce of this sign-in"

func verifier(t *testing.T, at *issuertest.Issuer) *vouch.Verifier {
	t.Helper()
	reached, err := issuer.New(at.URL, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	v, err := vouch.New(reached, issuertest.ClientID, nil)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// lenient is the control: the same library, told to look at the signature only.
func lenient(t *testing.T, at *issuertest.Issuer) *oidc.IDTokenVerifier {
	t.Helper()
	provider, err := oidc.NewProvider(t.Context(), at.URL)
	if err != nil {
		t.Fatal(err)
	}
	return provider.Verifier(&oidc.Config{SkipClientIDCheck: true, SkipExpiryCheck: true, SkipIssuerCheck: true})
}

// TestTokensThatProveNothing follows OpenID Connect Core 1.0, section 3.1.3.7. Each
// refused token but the last ones, which no signature holds for, is one that the
// control takes.
func TestTokensThatProveNothing(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	v, control := verifier(t, at), lenient(t, at)
	good := at.Claims("subject-1", nonce)
	subject, err := v.Verify(t.Context(), at.Sign(good), nonce)
	if err != nil || subject.Issuer != at.URL || subject.ID != "subject-1" {
		t.Fatalf("a good token: %+v, %v", subject, err)
	}
	now := time.Now()
	for name, c := range map[string]struct {
		others map[string]any
		sign   func(map[string]any) string
	}{
		"another nonce":         {map[string]any{"nonce": "of another sign-in"}, at.Sign},
		"no nonce":              {map[string]any{"nonce": ""}, at.Sign},
		"another audience":      {map[string]any{"aud": "somebody-else"}, at.Sign},
		"several, no party":     {map[string]any{"aud": []string{issuertest.ClientID, "somebody-else"}}, at.Sign},
		"another party":         {map[string]any{"azp": "somebody-else"}, at.Sign},
		"another issuer":        {map[string]any{"iss": "https://other.example"}, at.Sign},
		"expired":               {map[string]any{"exp": now.Add(-time.Second).Unix()}, at.Sign},
		"good for too long":     {map[string]any{"exp": now.Add(48 * time.Hour).Unix()}, at.Sign},
		"made in the future":    {map[string]any{"iat": now.Add(time.Hour).Unix()}, at.Sign},
		"no subject":            {map[string]any{"sub": ""}, at.Sign},
		"signed with none":      {nil, at.Unsigned},
		"signed by the public":  {nil, at.SignShared},
		"signed by another key": {nil, at.SignForeign},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			token := c.sign(issuertest.With(good, c.others))
			if _, err := v.Verify(t.Context(), token, nonce); !errors.Is(err, vouch.ErrRefused) {
				t.Errorf("%v, want a refusal", err)
			}
			_, err := control.Verify(t.Context(), token)
			if takes := err == nil; takes != (c.others != nil) {
				t.Errorf("the control takes it: %v, %v", takes, err)
			}
		})
	}
	for _, text := range []string{"", "x", "a.b.c", at.Sign(good) + "x", at.Sign(good)[1:]} {
		if _, err := v.Verify(t.Context(), text, nonce); !errors.Is(err, vouch.ErrRefused) {
			t.Errorf("%.20q: %v", text, err)
		}
	}
}

// TestOneTokenHasOneDigest, however it is written: what began a session must not begin
// another one in other letters. (r, n-s) signs what (r, s) does, by the equations of
// FIPS 186-5, section 6.4; and the last letter of base64 has bits that mean nothing
// (RFC 4648, section 3.5). The control is another token.
func TestOneTokenHasOneDigest(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	v := verifier(t, at)
	claims := at.Claims("subject-1", nonce)
	token := at.Sign(claims)
	digest := func(token string) [32]byte {
		t.Helper()
		subject, err := v.Verify(t.Context(), token, nonce)
		if err != nil {
			t.Fatal(err)
		}
		return subject.Digest
	}
	at64 := base64.RawURLEncoding
	dot := strings.LastIndexByte(token, '.') + 1
	signature, err := at64.DecodeString(token[dot:])
	if err != nil || len(signature) != 64 {
		t.Fatalf("a signature of %d bytes, %v", len(signature), err)
	}
	mirrored := new(big.Int).Sub(elliptic.P256().Params().N, new(big.Int).SetBytes(signature[32:]))
	const letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
	last := strings.IndexByte(letters, token[len(token)-1])
	for what, other := range map[string]string{
		"another signature of the same": token[:dot] + at64.EncodeToString(append(signature[:32:32], mirrored.FillBytes(make([]byte, 32))...)),
		"another last letter":           token[:len(token)-1] + letters[last^1:last^1+1],
		"the same claims signed again":  at.Sign(claims),
	} {
		if other == token || digest(other) != digest(token) {
			t.Errorf("%s: the text is another one: %v", what, other != token)
		}
	}
	if digest(at.Sign(issuertest.With(claims, map[string]any{"jti": "another"}))) == digest(token) {
		t.Error("the control has the same digest")
	}
}

// TestProviderThatIsDown: nobody is refused or let in because the provider does not
// answer, and once it does, all goes on.
func TestProviderThatIsDown(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	clock := time.Now()
	reached, err := issuer.New(at.URL, nil, func() time.Time { return clock })
	if err != nil {
		t.Fatal(err)
	}
	v, err := vouch.New(reached, issuertest.ClientID, nil)
	if err != nil {
		t.Fatal(err)
	}
	at.Down(true)
	down := func(err error) {
		t.Helper()
		if status.Code(err) != codes.Unavailable || apierr.ReasonOf(err) != fitmentv1.ErrorInfo_DEPENDENCY_DOWN || errors.Is(err, vouch.ErrRefused) {
			t.Errorf("%v, want UNAVAILABLE DEPENDENCY_DOWN", err)
		}
	}
	token := at.Sign(at.Claims("subject-1", nonce))
	_, err = v.Verify(t.Context(), token, nonce)
	down(err)
	at.Down(false)
	_, err = v.Verify(t.Context(), token, nonce) // it is not asked again so soon
	down(err)
	clock = clock.Add(2 * time.Second)
	// Now its document is there; its keys are not.
	if _, err := reached.Discover(t.Context()); err != nil {
		t.Fatal(err)
	}
	at.Down(true)
	_, err = v.Verify(t.Context(), token, nonce)
	down(err)
	at.Down(false)
	if _, err := v.Verify(t.Context(), token, nonce); err != nil {
		t.Errorf("after the outage: %v", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := v.Verify(ended, at.SignForeign(at.Claims("x", nonce)), nonce); err == nil {
		t.Error("a call that was given up was answered")
	}
}

// TestKeysOfTheProvider: a new key counts from the first token signed with it, which
// ends the old one; and a key that the provider has withdrawn does not count for more
// than an hour, although nobody comes with a new one. The controls are tokens before.
func TestKeysOfTheProvider(t *testing.T) {
	t.Parallel()
	at := issuertest.New(t)
	reached, err := issuer.New(at.URL, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	var later time.Duration
	v, err := vouch.New(reached, issuertest.ClientID, func() time.Time { return time.Now().Add(later) })
	if err != nil {
		t.Fatal(err)
	}
	sign := func() string {
		return at.Sign(issuertest.With(at.Claims("subject-1", nonce), map[string]any{"exp": time.Now().Add(10 * time.Hour).Unix()}))
	}
	good := func(token string) bool {
		t.Helper()
		_, err := v.Verify(t.Context(), token, nonce)
		if err != nil && !errors.Is(err, vouch.ErrRefused) {
			t.Error(err)
		}
		return err == nil
	}
	old := sign()
	if !good(old) {
		t.Fatal("the first key does not count")
	}
	at.Rotate()
	if fresh := sign(); !good(fresh) || good(old) {
		t.Error("the second key does not count, or the first one still does")
	}
	old = sign()
	at.Rotate()
	later = 59 * time.Minute
	if !good(old) {
		t.Error("keys are asked for without need: the control is void")
	}
	later = time.Hour
	if good(old) {
		t.Error("a key that was withdrawn counts an hour later")
	}
}
