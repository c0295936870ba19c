package cli

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"beltwright.example/gateway/rest"
	"beltwright.example/services/fitment/app"
	"beltwright.example/services/platform/issuer"
)

// providerFlags name the identity provider that people may sign in by.
type providerFlags struct {
	issuer, clientID, secretFile string
}

func (p *providerFlags) bind(flags *pflag.FlagSet) {
	flags.StringVar(&p.issuer, "oidc-issuer", "", "`address` of the identity provider (OpenID Connect) by which people may sign in, as its tokens name it")
	flags.StringVar(&p.clientID, "oidc-client-id", "", "`id` under which the identity provider knows this deployment")
	flags.StringVar(&p.secretFile, "oidc-client-secret-file", "", "`file` with the secret that the identity provider gave this deployment; lets browsers sign in at /signin/oidc and needs --public-url")
}

// trusted is the provider whose word the fitment side takes.
func (p *providerFlags) trusted() app.Provider {
	return app.Provider{Issuer: p.issuer, ClientID: p.clientID}
}

// browsers is how browsers sign in by the provider; nil where they do not.
func (p *providerFlags) browsers(publicURL string) (*rest.ProviderOptions, error) {
	if p.secretFile == "" {
		return nil, nil //nolint:nilnil // none is a valid answer
	}
	if p.issuer == "" || p.clientID == "" || publicURL == "" {
		return nil, usageError{errors.New("--oidc-client-secret-file needs --oidc-issuer, --oidc-client-id and --public-url")}
	}
	secret, err := readSecretFile(p.secretFile)
	if err != nil {
		return nil, fmt.Errorf("--oidc-client-secret-file: %w", err)
	}
	reached, err := issuer.New(p.issuer, nil, time.Now)
	if err != nil {
		return nil, usageError{fmt.Errorf("--oidc-issuer: %w", err)}
	}
	return &rest.ProviderOptions{Issuer: reached, ClientID: p.clientID, ClientSecret: secret, PublicURL: publicURL}, nil
}

// longestSecretFile is more than any password or secret has.
const longestSecretFile = 4 << 10

// readSecretFile reads the first line of a file, which must be all of it.
func readSecretFile(path string) (string, error) {
	info, err := os.Stat(path)
	if err != nil {
		return "", err
	}
	if info.Size() > longestSecretFile {
		return "", fmt.Errorf("%s has %d bytes; expected one line", path, info.Size())
	}
	raw, err := os.ReadFile(path) //nolint:gosec // a file that the user named
	if err != nil {
		return "", err
	}
	text := strings.TrimSuffix(strings.TrimSuffix(string(raw), "\n"), "\r")
	if text == "" || strings.ContainsAny(text, "\r\n") {
		return "", fmt.Errorf("%s: expected one line", path)
	}
	return text, nil
}
