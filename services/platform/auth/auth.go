// Package auth finds out who is calling: it reads the bearer credential of a
// call, has it verified, and passes it on to the calls made on the caller's
// behalf. Nothing here decides what a caller may do.
package auth

import (
	"context"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	fitmentv1 "beltwright.example/proto/beltwright/fitment/v1"
	"beltwright.example/services/platform/apierr"
	"beltwright.example/services/platform/hop"
	"beltwright.example/services/platform/identity"
)

// Header is the metadata key (and HTTP header) that carries the credential.
const Header = "authorization"

// MaxKey bounds the length of a credential, in bytes.
const MaxKey = 256

const scheme = "bearer "

// Verifier says who a key belongs to.
type Verifier interface {
	// Verify returns the principal of the key. Errors are statuses:
	// UNAUTHENTICATED with CREDENTIAL_INVALID where the key is wrong,
	// UNAVAILABLE with DEPENDENCY_DOWN where nobody could tell.
	Verify(ctx context.Context, key string) (identity.Principal, error)
}

// Invalid is the answer to a missing or wrong credential. It does not say what
// is wrong with it: that would help guessing.
func Invalid() error {
	return apierr.New(codes.Unauthenticated, fitmentv1.ErrorInfo_CREDENTIAL_INVALID,
		"the credential is missing or wrong; expected the header \"authorization: Bearer KEY\" with a valid key")
}

// Down is the answer where nobody can tell now whether a credential is good, and why.
// It is no refusal: trying again is worth it. Credentials are the fitment service's.
func Down(why string) error {
	return apierr.Down(codes.Unavailable, hop.Fitment, time.Second, "the credential cannot be verified now: %s", why)
}

// ByPrefix verifies each credential by the verifier of its kind, which is what stands
// before its first underscore: "bw" for keys, "bs" for sessions.
func ByPrefix(kinds map[string]Verifier) Verifier { return byPrefix(kinds) }

type byPrefix map[string]Verifier

// Verify asks the verifier of the credential's kind.
func (v byPrefix) Verify(ctx context.Context, key string) (identity.Principal, error) {
	kind, _, _ := strings.Cut(key, "_")
	verifier, ok := v[kind]
	if !ok {
		return identity.Principal{}, Invalid()
	}
	return verifier.Verify(ctx, key)
}

// Bearer returns the credential that the call being served carries; false where
// it carries none, more than one, or something that cannot be a key.
func Bearer(ctx context.Context) (string, bool) {
	values := metadata.ValueFromIncomingContext(ctx, Header)
	if len(values) != 1 {
		return "", false
	}
	return Parse(values[0])
}

// Parse reads a header value of the form "Bearer KEY".
func Parse(header string) (string, bool) {
	if len(header) <= len(scheme) || len(header) > len(scheme)+MaxKey || !strings.EqualFold(header[:len(scheme)], scheme) {
		return "", false
	}
	key := header[len(scheme):]
	for i := range len(key) {
		if key[i] <= ' ' || key[i] > '~' {
			return "", false
		}
	}
	return key, true
}

// WithKey returns a context whose outgoing calls carry the key, in place of any
// credential that it carried before.
func WithKey(ctx context.Context, key string) context.Context {
	md, _ := metadata.FromOutgoingContext(ctx) // a copy
	if md == nil {
		md = metadata.MD{}
	}
	md.Set(Header, "Bearer "+key)
	return metadata.NewOutgoingContext(ctx, md)
}
