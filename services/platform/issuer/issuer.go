// Package issuer reaches an identity provider of OpenID Connect. What it says of
// itself is asked for when it is first needed, so that a server starts although the
// provider is down, and asked again until it answers.
package issuer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/sync/singleflight"
	"google.golang.org/grpc/codes"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
)

const (
	// timeout bounds one request to the provider.
	timeout = 5 * time.Second
	// maxAnswer bounds what a provider answers, in bytes.
	maxAnswer = 1 << 20
	// retryEvery is how often a provider that does not answer is asked again at most.
	retryEvery = time.Second
)

// Issuer is one identity provider. Its methods may be called concurrently.
type Issuer struct {
	url    string
	client *http.Client
	now    func() time.Time

	flight singleflight.Group

	mu       sync.Mutex
	provider *oidc.Provider
	problem  error
	answered time.Time // when the problem was known
}

// New returns the provider at an issuer's address; nothing is asked yet. Transport
// nil means http.DefaultTransport, now nil means time.Now.
func New(address string, transport http.RoundTripper, now func() time.Time) (*Issuer, error) {
	if !Valid(address) {
		return nil, fmt.Errorf("issuer %q: expected an https address without query and fragment, or http on this machine", address)
	}
	if transport == nil {
		transport = http.DefaultTransport
	}
	if now == nil {
		now = time.Now
	}
	client := &http.Client{
		Timeout:   timeout,
		Transport: bounded{transport},
		// Where a provider sends us is where its own document says, nowhere else.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return &Issuer{url: address, client: client, now: now}, nil
}

// Valid tells whether a text can be an issuer by OpenID Connect Core 1.0, section 2:
// an https address without query and fragment. On the same machine http will do.
func Valid(text string) bool {
	u, err := url.Parse(text)
	if err != nil || u.User != nil || strings.ContainsAny(text, "?#") {
		return false
	}
	return Reachable(u)
}

// Reachable tells whether an address may be asked: by https, or by http on the same
// machine, where there is nobody to listen in.
func Reachable(u *url.URL) bool {
	ip := net.ParseIP(u.Hostname())
	here := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
	return u.Hostname() != "" && (u.Scheme == "https" || u.Scheme == "http" && here)
}

// URL is the issuer's address.
func (i *Issuer) URL() string { return i.url }

// Context returns a context in which the libraries use this issuer's client.
func (i *Issuer) Context(ctx context.Context) context.Context {
	return oidc.ClientContext(ctx, i.client)
}

// Discover returns what the provider says of itself; UNAVAILABLE with DEPENDENCY_DOWN
// where it does not answer, or does not answer what it should, or not before the
// context ends. Callers who ask at once share one question.
func (i *Issuer) Discover(ctx context.Context) (*oidc.Provider, error) {
	if provider, problem, known := i.known(); known {
		return provider, problem
	}
	// The question outlives the caller that asked first: others wait for it.
	asked := i.flight.DoChan("", func() (any, error) { return i.ask(context.WithoutCancel(ctx)) })
	select {
	case <-ctx.Done():
		return nil, fmt.Errorf("issuer: %w: %w", Down(), ctx.Err())
	case answer := <-asked:
		provider, _ := answer.Val.(*oidc.Provider)
		return provider, answer.Err
	}
}

// known is what the provider said, or what was the matter just now; false where it is
// to be asked.
func (i *Issuer) known() (*oidc.Provider, error, bool) {
	i.mu.Lock()
	defer i.mu.Unlock()
	if i.provider != nil {
		return i.provider, nil, true
	}
	return nil, i.problem, i.problem != nil && i.now().Sub(i.answered) < retryEvery
}

// ask asks the provider. A problem counts from when it was known: a provider that takes
// its time is not asked at once again by everybody who waited.
func (i *Issuer) ask(ctx context.Context) (*oidc.Provider, error) {
	if provider, problem, known := i.known(); known { // meanwhile
		return provider, problem
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	provider, err := oidc.NewProvider(i.Context(ctx), i.url)
	if err == nil {
		err = reachable(provider)
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if err != nil {
		i.problem, i.answered = fmt.Errorf("issuer: %w: %w", Down(), err), i.now()
		return nil, i.problem
	}
	i.provider, i.problem = provider, nil
	return provider, nil
}

// reachable checks the addresses that a provider gives.
func reachable(provider *oidc.Provider) error {
	var document struct {
		JWKS string `json:"jwks_uri"`
	}
	if err := provider.Claims(&document); err != nil {
		return err
	}
	for _, address := range []string{document.JWKS, provider.Endpoint().AuthURL, provider.Endpoint().TokenURL} {
		if u, err := url.Parse(address); err != nil || !Reachable(u) {
			return errors.New("the provider's document names an address that is not https")
		}
	}
	return nil
}

// Down is the answer where the provider does not do its part.
func Down() error {
	return apierr.Retry(codes.Unavailable, fitmentv1.ErrorInfo_DEPENDENCY_DOWN, retryEvery, "the identity provider does not answer")
}

// bounded bounds answers.
type bounded struct{ inner http.RoundTripper }

// RoundTrip implements http.RoundTripper.
func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	response, err := b.inner.RoundTrip(r)
	if err != nil {
		return nil, fmt.Errorf("issuer: %w", err)
	}
	response.Body = body{Reader: io.LimitReader(response.Body, maxAnswer), Closer: response.Body}
	return response, nil
}

type body struct {
	io.Reader
	io.Closer
}
