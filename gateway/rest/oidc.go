package rest

import (
	"context"
	"crypto/aes"
	"crypto/cipher"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/issuer"
)

// ProviderOptions say which identity provider of OpenID Connect browsers may sign in
// by, and what it knows us as.
type ProviderOptions struct {
	// Issuer reaches the provider.
	Issuer *issuer.Issuer
	// ClientID and ClientSecret are what it gave this deployment.
	ClientID, ClientSecret string
	// PublicURL is where browsers reach REST: the provider sends them back to its
	// /signin/oidc/callback, which it must have been told of.
	PublicURL string
}

// waiting is how long a browser has at the provider.
const waiting = 10 * time.Minute

// maxCallback bounds what the provider sends by way of the browser, in bytes.
const maxCallback = 8 << 10

// provider is the way by an identity provider: the authorization code flow (RFC 6749,
// section 4.1) with PKCE (RFC 7636), state and nonce. What is to be compared later
// goes along with the browser, sealed, so that nobody who begins and does not come
// back costs memory, and any gateway of a deployment can go on where another began. A
// code is good once by the provider's duty, and an ID token once by the fitment
// service's memory.
type provider struct {
	options ProviderOptions
	seal    cipher.AEAD
	now     func() time.Time
}

// pending is what goes along with the browser.
type pending struct {
	State    string    `json:"s"`
	Nonce    string    `json:"n"`
	Verifier string    `json:"v"`
	To       string    `json:"t"`
	Until    time.Time `json:"u"`
}

func newProvider(options *ProviderOptions, now func() time.Time) (*provider, error) {
	if options == nil {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	if options.Issuer == nil || options.ClientID == "" || options.ClientSecret == "" {
		return nil, errors.New("rest: an identity provider needs its address, a client id and a client secret")
	}
	if u, err := url.Parse(options.PublicURL); err != nil || !issuer.Reachable(u) {
		return nil, fmt.Errorf("rest: public address %q: the identity provider sends browsers back to it; expected one such as https://parts.example.com", options.PublicURL)
	}
	key, err := hkdf.Key(sha256.New, []byte(options.ClientSecret), nil, "beltwright sign-in by provider", 32)
	if err != nil {
		return nil, fmt.Errorf("rest: %w", err)
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return nil, fmt.Errorf("rest: %w", err)
	}
	seal, err := cipher.NewGCMWithRandomNonce(block)
	if err != nil {
		return nil, fmt.Errorf("rest: %w", err)
	}
	return &provider{options: *options, seal: seal, now: now}, nil
}

// config is the client's part of OAuth 2.0.
func (p *provider) config(found *oidc.Provider) *oauth2.Config {
	return &oauth2.Config{
		ClientID: p.options.ClientID, ClientSecret: p.options.ClientSecret, Endpoint: found.Endpoint(),
		RedirectURL: strings.TrimSuffix(p.options.PublicURL, "/") + callbackPath, Scopes: []string{oidc.ScopeOpenID},
	}
}

// toProvider sends a browser to the identity provider.
func (g *gateway) toProvider(w http.ResponseWriter, r *http.Request) error {
	p := g.provider
	if p == nil {
		return unknownRoute()
	}
	values, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil || len(values["to"]) > 1 || len(values) > len(values["to"]) {
		return apierr.Invalid(fitmentv1.ErrorInfo_FIELD_UNKNOWN, apierr.Violation{
			Field: "query", Problem: "has a field that is not known, or one twice", Expected: "to, if need be",
		})
	}
	to, err := onward(values.Get("to"))
	if err != nil {
		return err
	}
	found, err := p.options.Issuer.Discover(r.Context())
	if err != nil {
		return err
	}
	begun := pending{State: rand.Text(), Nonce: rand.Text(), Verifier: oauth2.GenerateVerifier(), To: to, Until: p.now().Add(waiting)}
	sealed, err := p.sealed(begun)
	if err != nil {
		return err
	}
	g.browser.set(w, oidcCookie, sealed, begun.Until)
	w.Header().Set("Location", p.config(found).AuthCodeURL(begun.State, oidc.Nonce(begun.Nonce), oauth2.S256ChallengeOption(begun.Verifier)))
	w.WriteHeader(http.StatusFound)
	return nil
}

func (p *provider) sealed(begun pending) (string, error) {
	raw, err := json.Marshal(begun)
	if err != nil {
		return "", fmt.Errorf("rest: %w", err)
	}
	// The seal draws its nonces itself.
	return base64.RawURLEncoding.EncodeToString(p.seal.Seal(nil, nil, raw, []byte(oidcCookie))), nil //nolint:gosec // it takes none
}

// opened reads what went along; false where it is not what we sealed, or too old.
func (p *provider) opened(sealed string) (pending, bool) {
	raw, err := base64.RawURLEncoding.Strict().DecodeString(sealed)
	if err != nil {
		return pending{}, false
	}
	plain, err := p.seal.Open(nil, nil, raw, []byte(oidcCookie))
	if err != nil {
		return pending{}, false
	}
	var begun pending
	if json.Unmarshal(plain, &begun) != nil || !p.now().Before(begun.Until) {
		return pending{}, false
	}
	return begun, true
}

// fromProvider takes a browser that comes back, and begins its session.
func (g *gateway) fromProvider(w http.ResponseWriter, r *http.Request) error {
	p := g.provider
	if p == nil {
		return unknownRoute()
	}
	// What went along is good for one way back, whatever comes of it.
	sealed, _ := g.browser.cookie(r, oidcCookie)
	g.browser.set(w, oidcCookie, "", time.Time{})
	begun, ok := p.opened(sealed)
	values, err := url.ParseQuery(r.URL.RawQuery)
	if !ok || err != nil || len(r.URL.RawQuery) > maxCallback || len(values["state"]) != 1 ||
		subtle.ConstantTimeCompare([]byte(values.Get("state")), []byte(begun.State)) != 1 {
		return notBegun()
	}
	// RFC 9207: a provider that says who it is must be the one that was asked.
	if from := values["iss"]; len(from) > 0 && (len(from) > 1 || from[0] != p.options.Issuer.URL()) {
		return notBegun()
	}
	if values.Get("code") == "" {
		return refusedByProvider()
	}
	var answer *fitmentv1.SignInWithTokenResponse
	err = g.tried(r, func(ctx context.Context) error {
		token, err := p.exchanged(ctx, values.Get("code"), begun.Verifier)
		if err != nil {
			return err
		}
		request := &fitmentv1.SignInWithTokenRequest{IdToken: token, Nonce: begun.Nonce}
		answer, err = fitmentv1.NewIdentityServiceClient(g.options.Fitment).SignInWithToken(ctx, request)
		return err
	})
	if err != nil {
		return err
	}
	g.begin(w, answer.GetSession(), answer.GetCredential())
	w.Header().Set("Location", begun.To)
	w.WriteHeader(http.StatusSeeOther)
	return nil
}

// exchanged gives the provider its code for the ID token.
func (p *provider) exchanged(ctx context.Context, code, verifier string) (string, error) {
	found, err := p.options.Issuer.Discover(ctx)
	if err != nil {
		return "", err
	}
	token, err := p.config(found).Exchange(p.options.Issuer.Context(ctx), code, oauth2.VerifierOption(verifier))
	if refused, ok := errors.AsType[*oauth2.RetrieveError](err); ok && refused.Response != nil && refused.Response.StatusCode < http.StatusInternalServerError {
		return "", refusedByProvider()
	} else if err != nil {
		return "", issuer.Down()
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok || raw == "" {
		return "", refusedByProvider()
	}
	return raw, nil
}

func notBegun() error {
	return apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_SIGN_IN_REFUSED,
		"this sign-in was not begun in this browser, or too long ago; begin again at %s", providerPath)
}

func refusedByProvider() error {
	return apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_SIGN_IN_REFUSED,
		"the identity provider did not vouch for anybody; begin again at %s", providerPath)
}
