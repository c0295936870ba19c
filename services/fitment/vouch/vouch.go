// Package vouch checks ID tokens of OpenID Connect: that the one provider which the
// deployment trusts signed them, for this deployment, just now, for this sign-in.
package vouch

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"

	"beltwright.example/services/platform/issuer"
)

const (
	// skew is how far the provider's clock may be ahead.
	skew = 5 * time.Minute
	// longest is the longest that a token may still be good: so long is it remembered
	// that it was used.
	longest = 23 * time.Hour
	// keysLast is how long the provider's keys are taken without asking for them again:
	// so long does a key count that the provider has withdrawn, where no token is signed
	// with a new one meanwhile (a choice of this project, no source).
	keysLast = time.Hour
)

// algorithms are those that may sign: with a private key that only the provider has.
// HS256 signs with a shared secret and "none" with nothing.
var algorithms = []string{oidc.RS256, oidc.RS384, oidc.RS512, oidc.PS256, oidc.PS384, oidc.PS512, oidc.ES256, oidc.ES384, oidc.ES512, oidc.EdDSA}

// ErrRefused says that a token proves nothing.
var ErrRefused = errors.New("vouch: the token proves nothing")

// Verifier checks tokens. Its methods may be called concurrently.
type Verifier struct {
	provider *issuer.Issuer
	clientID string
	now      func() time.Time

	mu    sync.Mutex
	inner *oidc.IDTokenVerifier
	begun time.Time // when inner was made, which knew no keys then
}

// New returns a verifier of tokens that the provider made for a client; now nil means
// time.Now.
func New(provider *issuer.Issuer, clientID string, now func() time.Time) (*Verifier, error) {
	if provider == nil || clientID == "" {
		return nil, errors.New("vouch: a provider and a client id are required")
	}
	if now == nil {
		now = time.Now
	}
	return &Verifier{provider: provider, clientID: clientID, now: now}, nil
}

// Subject is whom a provider vouches for.
type Subject struct {
	// Issuer and ID name the subject.
	Issuer, ID string
	// Digest is that of what the provider signed. It is one for each token: the text of
	// a token is not, since the same signature, or another one for the same claims, can
	// be written in several ways by whoever has it.
	Digest [sha256.Size]byte
}

// Verify returns whom a token is about. ErrRefused, with the reason for the log, where
// it proves nothing; UNAVAILABLE with DEPENDENCY_DOWN where the provider's keys are
// needed and it does not answer.
func (v *Verifier) Verify(ctx context.Context, token, nonce string) (Subject, error) {
	inner, err := v.verifier(ctx)
	if err != nil {
		return Subject{}, err
	}
	noted := &outage{}
	said, err := inner.Verify(context.WithValue(ctx, outageKey{}, noted), token)
	switch {
	case noted.err != nil:
		return Subject{}, fmt.Errorf("vouch: %w: %w", issuer.Down(), noted.err)
	case err != nil:
		return Subject{}, fmt.Errorf("%w: %w", ErrRefused, err)
	}
	if err := v.judge(said, nonce); err != nil {
		return Subject{}, fmt.Errorf("%w: %w", ErrRefused, err)
	}
	var signed json.RawMessage
	if err := said.Claims(&signed); err != nil {
		return Subject{}, fmt.Errorf("%w: %w", ErrRefused, err)
	}
	return Subject{Issuer: said.Issuer, ID: said.Subject, Digest: sha256.Sum256(signed)}, nil
}

// judge looks at what the library leaves to its caller (OpenID Connect Core 1.0,
// section 3.1.3.7): the nonce, the party that the token was made for, and its time.
func (v *Verifier) judge(said *oidc.IDToken, nonce string) error {
	var more struct {
		Party string `json:"azp"`
	}
	if err := said.Claims(&more); err != nil {
		return err
	}
	now := v.now()
	switch {
	case nonce == "" || subtle.ConstantTimeCompare([]byte(said.Nonce), []byte(nonce)) != 1:
		return errors.New("the nonce is another one")
	case said.Subject == "":
		return errors.New("there is no subject")
	case more.Party != "" && more.Party != v.clientID, more.Party == "" && len(said.Audience) > 1:
		return errors.New("it was made for another party")
	case said.IssuedAt.After(now.Add(skew)):
		return errors.New("it was made in the future")
	case !now.Before(said.Expiry):
		return errors.New("it has expired")
	case said.Expiry.After(now.Add(longest)):
		return fmt.Errorf("it is good for more than %v", longest)
	}
	return nil
}

// verifier checks by the provider's keys, which are fetched when they are first needed
// and again where a token names one that is not among them.
func (v *Verifier) verifier(ctx context.Context) (*oidc.IDTokenVerifier, error) {
	provider, err := v.provider.Discover(ctx)
	if err != nil {
		return nil, err
	}
	now := v.now()
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.inner != nil && now.Sub(v.begun) < keysLast {
		return v.inner, nil
	}
	var document struct {
		JWKS string `json:"jwks_uri"`
	}
	if err := provider.Claims(&document); err != nil {
		return nil, fmt.Errorf("vouch: %w", err)
	}
	keys := noting{oidc.NewRemoteKeySet(v.provider.Context(ctx), document.JWKS)}
	v.inner, v.begun = oidc.NewVerifier(v.provider.URL(), keys, &oidc.Config{
		ClientID: v.clientID, SupportedSigningAlgs: slices.Clone(algorithms), Now: v.now,
	}), now
	return v.inner, nil
}

// outage is where a failure to fetch keys is noted: the library's error does not tell
// it from a wrong signature.
type outage struct{ err error }

type outageKey struct{}

// noting notes when keys could not be fetched.
type noting struct{ inner *oidc.RemoteKeySet }

// VerifySignature implements oidc.KeySet.
func (n noting) VerifySignature(ctx context.Context, token string) ([]byte, error) {
	payload, err := n.inner.VerifySignature(ctx, token)
	// What could not be fetched wraps an error of the way there; a wrong signature
	// wraps nothing.
	if noted, ok := ctx.Value(outageKey{}).(*outage); ok && err != nil && errors.Unwrap(err) != nil {
		noted.err = err
	}
	return payload, err
}
