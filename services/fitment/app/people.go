package app

import (
	"context"
	"errors"

	"beltwright.example/services/fitment/businesses"
	"beltwright.example/services/fitment/password"
	"beltwright.example/services/fitment/server"
	"beltwright.example/services/fitment/sessions"
	"beltwright.example/services/fitment/signin"
	"beltwright.example/services/fitment/vouch"
	"beltwright.example/services/platform/guesses"
	"beltwright.example/services/platform/issuer"
	"beltwright.example/services/store"
)

// Provider is an identity provider of OpenID Connect that the deployment trusts. The
// zero value is none.
type Provider struct {
	// Issuer is the provider's address, as its tokens name it.
	Issuer string
	// ClientID is what the provider knows this deployment as.
	ClientID string
}

// Verifier checks the provider's tokens; nil where there is no provider. Nothing is
// asked of it yet.
func (p Provider) verifier(config Config) (*vouch.Verifier, error) {
	if p == (Provider{}) {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	if p.Issuer == "" || p.ClientID == "" {
		return nil, errors.New("an identity provider's address and its client id belong together; give both or neither")
	}
	reached, err := issuer.New(p.Issuer, nil, config.Now)
	if err != nil {
		return nil, err
	}
	return vouch.New(reached, p.ClientID, config.Now)
}

// openPeople puts together what people sign in by.
func openPeople(ctx context.Context, config Config, records store.Store) (server.IdentityOptions, error) {
	var none server.IdentityOptions
	kept, err := sessions.Open(ctx, sessions.Options{Records: records, Businesses: businesses.New(records)})
	if err != nil {
		return none, err
	}
	verifier, err := config.Provider.verifier(config)
	if err != nil {
		return none, err
	}
	hasher := password.NewHasher(password.Options{})
	desk, err := signin.New(signin.Options{
		Records: records, Sessions: kept, Hasher: hasher, Vouch: verifier, Log: config.Log,
		Logins:    guesses.New(guesses.Options{Now: config.Now}),
		Addresses: guesses.New(guesses.OfAddresses(config.Now)),
	})
	if err != nil {
		return none, err
	}
	return server.IdentityOptions{Sessions: kept, Desk: desk, Hasher: hasher}, nil
}
